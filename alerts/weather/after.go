package weather

import (
	"math"
	"slices"
	"time"

	"nightwire/alerts"
)

// AfterRule says when something counts as coming after a kind of weather. All of it is our own choice.
const AfterRule = "after: within 12 h of it, on more than half of three or more occasions, and more often than chance would (binomial test, 1 in 60)"

const (
	afterHours   = 12             // as long as fence and growth stay wet, roughly
	apart        = 12 * time.Hour // what comes sooner is the same occasion: a bad joint trips many times in one shower
	leastTimes   = 3              // occasions
	leastKnown   = 10             // of the hours before, for it to be known that there was none of it
	leastWindows = 3 * 24         // hours to look back from, to know how often it is so anyhow
	chance       = 0.05 / 3       // that any of three kinds is named without cause
	windyMS      = 13.9           // near gale, whole trees in motion: Beaufort 7, from memory
)

// skyHour says whether one hour had a kind of weather.
type skyHour uint8

const (
	notKnown skyHour = iota
	hadNone
	hadIt
)

// kindOfSky is weather that faults may come after.
type kindOfSky struct {
	name    string
	sky     alerts.Sky // as people say it
	none    alerts.Sky // what they say when there was none
	measure func(Hour) (is, known bool)
}

func kindsOfSky() []kindOfSky {
	return []kindOfSky{
		{"rain", alerts.Rain, alerts.Dry, func(h Hour) (is, known bool) { return h.RainMM != nil && *h.RainMM >= wetMM, h.RainMM != nil }},
		{"frost", alerts.Frost, "", func(h Hour) (is, known bool) { return h.LowestC != nil && *h.LowestC <= 0, h.LowestC != nil }},
		{"strong wind", "", "", func(h Hour) (is, known bool) { return h.WindMS != nil && *h.WindMS >= windyMS, h.WindMS != nil }},
	}
}

// After returns after what kind of weather most of the times came, or nothing when the record does not bear it out: the
// share of the times that had it shortly before is tested against the share of all hours from a time to another that
// had. Where nobody measured it, only what people said is known, and what they did not say is not taken for fair
// weather.
func (r Record) After(times []time.Time, from, to time.Time) string {
	for _, k := range kindsOfSky() {
		if s := r.skyOf(k, from, to); s.bearsOut(times) {
			return k.name
		}
	}
	return ""
}

// sky is one kind of weather, hour by hour.
type sky struct {
	from  time.Time
	hours []skyHour
}

// skyOf returns one kind of weather from some hours before a time to another.
func (r Record) skyOf(k kindOfSky, from, to time.Time) sky {
	s := sky{from: from.Truncate(time.Hour).Add(-afterHours * time.Hour)}
	s.hours = make([]skyHour, max(0, int(to.Sub(s.from)/time.Hour)+1))
	for _, h := range r.Hours {
		if is, known := k.measure(h); is {
			s.set(h.From, h.From.Add(time.Hour), hadIt)
		} else if known {
			s.set(h.From, h.From.Add(time.Hour), hadNone)
		}
	}
	for _, w := range r.said(k.sky) {
		s.set(w.From, w.To, hadIt)
	}
	for _, w := range r.said(k.none) {
		s.set(w.From, w.To, hadNone)
	}
	return s
}

// set notes what the hours of a stretch had. What somebody saw stands against a gauge that did not.
func (s sky) set(from, to time.Time, v skyHour) {
	for t := from.Truncate(time.Hour); t.Before(to); t = t.Add(time.Hour) {
		if i := s.at(t); i >= 0 && i < len(s.hours) {
			s.hours[i] = max(s.hours[i], v)
		}
	}
}

func (s sky) at(t time.Time) int { return int(math.Floor(t.Sub(s.from).Hours())) }

// before says whether the hours that end with hour i had it.
func (s sky) before(i int) skyHour {
	if i < afterHours || i >= len(s.hours) {
		return notKnown
	}
	known := 0
	for _, h := range s.hours[i-afterHours+1 : i+1] {
		switch h {
		case hadIt:
			return hadIt
		case hadNone:
			known++
		}
	}
	if known < leastKnown {
		return notKnown
	}
	return hadNone
}

// bearsOut reports whether the times came mostly after it, and more often than hours do anyhow.
func (s sky) bearsOut(times []time.Time) bool {
	var n, k, all, had int
	var last time.Time
	for _, t := range slices.SortedFunc(slices.Values(times), time.Time.Compare) {
		if !last.IsZero() && t.Sub(last) < apart {
			continue
		}
		last = t
		switch s.before(s.at(t)) {
		case hadIt:
			n, k = n+1, k+1
		case hadNone:
			n++
		}
	}
	for i := range s.hours {
		switch s.before(i) {
		case hadIt:
			all, had = all+1, had+1
		case hadNone:
			all++
		}
	}
	return n >= leastTimes && all >= leastWindows && 2*k > n && atLeast(k, n, float64(had)/float64(all)) <= chance
}

// atLeast returns the chance of k or more of n where each has chance p.
func atLeast(k, n int, p float64) float64 {
	if p <= 0 || p >= 1 {
		return math.Round(p) // it is never so, or always
	}
	sum := 0.0
	for ; k <= n; k++ {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(k + 1))
		c, _ := math.Lgamma(float64(n - k + 1))
		sum += math.Exp(a - b - c + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p))
	}
	return sum
}
