package weather

import (
	"fmt"
	"strconv"
	"time"

	"nightwire/alerts"
)

// Kind says what a Hint is about.
type Kind string

// The kinds of hint.
const (
	Snow    Kind = "snow"
	Drought Kind = "drought"
	Frost   Kind = "frost"
)

// Hint is a word on what the weather means for the fence.
type Hint struct {
	Kind   Kind
	Brief  string // what is so and what to do first, for a lock screen
	What   string // what is so, and since when
	Why    string // what that does to the fence
	Do     string // what to do first
	Source string // where Why and Do come from
}

// Line says the hint in one line, for the evening message.
func (h Hint) Line() string { return h.What + " " + h.Do }

// When a hint begins and ends. All are our own choice but for dryDays and dryMM, which are the British Rainfall
// Organization's dry spell, from memory: 15 days, none of which had 1 mm.
const (
	dryDays   = 15
	dryMM     = 1.0
	dryHours  = 20 // of a day that must have been measured for it to count as dry
	saidDry   = 14 * day
	saidSnow  = 2 * day // lying snow must be said again after this
	saidFrost = day
	snowCM    = 1.0
	coldFor   = day // a night's frost is worth a word until the next
	newest    = 6 * time.Hour
)

// Hints returns what the weather means for the fence now, with times in loc, the most urgent for the night first: snow
// can put stock outside by morning, frost weakens the shock of this night, a drought has done so for weeks (our order).
func (r Record) Hints(now time.Time, loc *time.Location) []Hint {
	var out []Hint
	for _, look := range []func(time.Time, *time.Location) (Hint, bool){r.snow, r.frost, r.drought} {
		if h, ok := look(now, loc); ok {
			out = append(out, h)
		}
	}
	return out
}

// snow says that snow lies. A station that measures it knows better than a word that was said before.
func (r Record) snow(now time.Time, loc *time.Location) (Hint, bool) {
	h := Hint{Kind: Snow, Brief: "Snow lies: look at the stock, lift the lowest strand.",
		Why: "Wet snow on the lowest strand shorts it. Dry snow insulates the animals' feet: the fence reads well and does not hold.",
		Do:  "Look at the stock; lift the lowest strand, or take it off the feed where it is under snow.",
		Source: "D. Oswald, University of Illinois, and sugarmtnfarm.com 2015; on frozen ground: Alberta Agriculture, Agdex 684-7. " +
			"To lift it or take it off: common practice, no source."}
	if depth, at, ok := last(r.Hours, now, func(h Hour) *float64 { return h.SnowCM }); ok {
		h.What = fmt.Sprintf("Snow lies, %.0f cm at %s.", depth, at.In(loc).Format("15:04"))
		return h, depth >= snowCM
	}
	if at, ok := r.saidWithin(alerts.Snow, saidSnow, now); ok {
		h.What = "Snow lies, as said " + when(at, now, loc) + "."
	}
	return h, h.What != ""
}

// frost says that it froze in the last day. The ground freezes before the air does, so what was said counts too.
func (r Record) frost(now time.Time, loc *time.Location) (Hint, bool) {
	h := Hint{Kind: Frost, Brief: "Frost: strain nothing, plastic is brittle; the shock is weaker.",
		Why: "Frozen ground more than doubles the resistance round the stakes and under the feet, and frost lifts posts. " +
			"Plastic insulators and polywire are brittle in the cold.",
		Do: "Strain nothing while it freezes; look for cracked insulators, and posts that stand up, when it thaws.",
		Source: "Frozen ground: Alberta Agriculture, Agdex 684-7; its resistance: Getting Down to Earth, p. 12; posts: horse-canada.com. " +
			"Brittle plastic: common practice, no source."}
	var coldest *Hour
	for i := range r.Hours {
		if hr := &r.Hours[i]; hr.LowestC != nil && now.Sub(hr.From) <= coldFor && !hr.From.After(now) && (coldest == nil || *hr.LowestC < *coldest.LowestC) {
			coldest = hr
		}
	}
	if coldest != nil && *coldest.LowestC <= 0 {
		h.What = fmt.Sprintf("Frost, down to %s °C about %s.", minus(*coldest.LowestC), coldest.From.In(loc).Format("15:04"))
		return h, true
	}
	if at, ok := r.saidWithin(alerts.Frost, saidFrost, now); ok {
		h.What = "Frost, as said " + when(at, now, loc) + "."
	}
	return h, h.What != ""
}

// saidWithin returns until when somebody last said that the weather was so, if that is within so long of now.
func (r Record) saidWithin(sky alerts.Sky, within time.Duration, now time.Time) (at time.Time, ok bool) {
	for _, w := range r.said(sky) {
		if !w.From.After(now) && now.Sub(w.To) < within {
			at, ok = w.To, true
		}
	}
	return at, ok
}

// drought says that the ground is dry: no day of many had rain to speak of, or somebody said so and no rain came since.
func (r Record) drought(now time.Time, loc *time.Location) (Hint, bool) {
	h := Hint{Kind: Drought, Brief: "Dry ground: test the earth, water the stakes.",
		Why: "Dry ground round the stakes and under the animals' feet weakens the shock, and the fence may still read well. " +
			"In tinder a sparking fence can start a fire.",
		Do: "Do the earth test now, at the driest time; water the stakes.",
		Source: "Earth in drought: OSU Extension (Kreager, 2024); test at the driest time: BC Ministry of Agriculture, Factsheet 382.600-1; " +
			"wet stakes: OSU, Queensland DPI; fire: efa.fences.org code."}
	if days := r.dryDays(now); days >= dryDays {
		h.What = fmt.Sprintf("Dry for %d days.", days)
		if days >= int(Since/day)-1 {
			h.What = fmt.Sprintf("Dry for %d days or more.", days)
		}
		return h, true
	}
	for _, w := range r.said(alerts.Dry) {
		if w.From.After(now) || now.Sub(w.To) >= saidDry || r.wetAfter(w.To) {
			continue
		}
		h.What = "Dry ground, as said " + when(w.To, now, loc) + "."
	}
	return h, h.What != ""
}

// dryDays counts the days back from now that were measured and dry. A day that was not measured ends the count, and so
// does rain that somebody saw.
func (r Record) dryDays(now time.Time) int {
	for n := 0; ; n++ {
		from, to := now.Add(-time.Duration(n+1)*day), now.Add(-time.Duration(n)*day)
		hours, mm := 0, 0.0
		for _, h := range r.Hours {
			if h.RainMM != nil && !h.From.Before(from) && h.From.Before(to) {
				hours, mm = hours+1, mm+*h.RainMM
			}
		}
		for _, w := range r.said(alerts.Rain) {
			if w.From.Before(to) && w.To.After(from) && (w.RainMM == nil || *w.RainMM >= dryMM) {
				return n
			}
		}
		if hours < dryHours || mm >= dryMM {
			return n
		}
	}
}

// wetAfter reports whether rain to speak of came after t.
func (r Record) wetAfter(t time.Time) bool {
	measured := 0.0
	for _, s := range r.Rain() {
		if !s.To.After(t) {
			continue
		}
		if s.MM == nil {
			return true
		}
		measured += *s.MM
	}
	return measured >= dryMM
}

// last returns the newest value of the last hours, and the hour it is of.
func last(hours []Hour, now time.Time, of func(Hour) *float64) (v float64, at time.Time, ok bool) {
	for i := len(hours) - 1; i >= 0 && now.Sub(hours[i].From) <= newest; i-- {
		if p := of(hours[i]); p != nil && !hours[i].From.After(now) {
			return *p, hours[i].From, true
		}
	}
	return 0, time.Time{}, false
}

// when says at what time of which day.
func when(t, now time.Time, loc *time.Location) string {
	t, now = t.In(loc), now.In(loc)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return "today"
	}
	return "on " + t.Format("Monday 2 January")
}

// minus writes a number with a proper minus sign and one decimal.
func minus(v float64) string {
	s := strconv.FormatFloat(v, 'f', 1, 64)
	if s[0] == '-' && s != "-0.0" {
		return "−" + s[1:]
	}
	return s
}
