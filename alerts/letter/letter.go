package letter

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nightwire/alerts"
)

// Farm is what letters are written from: the fence as it is at one moment.
type Farm struct {
	Name     string
	Location *time.Location
	At       time.Time
	Zones    []Zone   // in feeding order
	Blind    string   // why the watch does not see the fence now; empty while it does
	Open     []Matter // alarms that are on and not put aside, the most urgent first
	Over     []string // alarms that have ended since the last round, a sentence each
	Upkeep   []string // what is due, a sentence each
	Reminder string   // of Upkeep, what has become due today; empty for nothing
	Hints    []Hint   // what the weather means for the fence, the most urgent first
}

// Hint is what the weather means for the fence, and what to do.
type Hint struct {
	Brief string // for the subject
	Line  string
}

// Zone is one run of fence.
type Zone struct {
	Name      string
	KV        float64
	MinimumKV float64
	HeardAt   time.Time // zero for never
	Late      bool      // not heard when it should have been
	NoSensor  bool
	OutUntil  time.Time // zero while it is in service
	TrimBy    time.Time // the earliest day on which growth may win; zero for none in sight

	LowKV        float64   // the lowest of the time that a letter is about
	LowAt        time.Time // zero when nothing was heard
	LowMinimumKV float64   // what it needed then
	LevelKV      float64   // its usual level these days, and a week before; 0 when not known
	WasKV        float64
}

// Matter is an alarm that is on: what, where, since when, what to do first.
type Matter struct {
	What, Where string // Where with its comma, or empty
	Since       time.Time
	First       string
	Growth      bool // growth has no beginning, and its date is said in other words
	Urgent      bool // high priority
}

// Letter is what is sent.
type Letter struct {
	Subject string // at most 120 characters: a lock screen shows no more
	Body    string
	Picture *alerts.Picture
}

const footer = "This is no daily look at the stock. A reading is never proof that a wire is dead: switch off, then test.\n"

// state says in a few words how the fence is, for the subject. It never says "all hot" of what was not heard.
func (f Farm) state() (text string, well bool) {
	if f.Blind != "" {
		return fmt.Sprintf("nothing new is known of the fence: %s. Measure it by hand.", strings.TrimSuffix(f.Blind, ".")), false
	}
	for _, m := range f.Open {
		if !m.Growth {
			text = m.What + m.Where + ", since " + f.clock(m.Since) + ". " + m.First
			if n := len(f.Open) - 1; n > 0 {
				text += fmt.Sprintf(" And %d more.", n)
			}
			return text, false
		}
	}
	for _, z := range f.Zones {
		if z.NoSensor || !z.OutUntil.IsZero() {
			continue
		}
		if z.Late {
			return z.Name + " is not heard" + f.sinceHeard(z) + ". It may be up or down: measure it there by hand.", false
		}
		if z.KV < z.MinimumKV {
			return fmt.Sprintf("%s is at %.1f kV, needs %.1f. Energizer first, then walk the wire.", z.Name, z.KV, z.MinimumKV), false
		}
	}
	return f.hot(), true
}

func (f Farm) sinceHeard(z Zone) string {
	if z.HeardAt.IsZero() {
		return ", and never was"
	}
	return " since " + f.clock(z.HeardAt)
}

// hot says that all is well, of just what is known to be.
func (f Farm) hot() string {
	var out, blank, on []string
	for _, z := range f.Zones {
		switch {
		case !z.OutUntil.IsZero():
			out = append(out, z.Name+" until "+f.clock(z.OutUntil))
		case z.NoSensor:
			blank = append(blank, z.Name)
		default:
			on = append(on, z.Name)
		}
	}
	if len(on) == 0 {
		return "no zone is in service and heard. Measure the fence by hand."
	}
	text := "all hot"
	if len(blank) > 0 {
		text = "all that is measured is hot"
	}
	if len(out) > 0 {
		text += ", but out of service: " + alerts.List(out, "and")
	}
	if z := f.nextTrim(); z != nil {
		text += fmt.Sprintf("; %s will need trimming by %s", z.Name, f.day(z.TrimBy))
	}
	return text + "."
}

// nextTrim returns the zone that growth may win first, nil for none.
func (f Farm) nextTrim() *Zone {
	var first *Zone
	for i := range f.Zones {
		if z := &f.Zones[i]; !z.TrimBy.IsZero() && (first == nil || z.TrimBy.Before(first.TrimBy)) {
			first = z
		}
	}
	return first
}

// Evening writes the evening round.
func Evening(f Farm) Letter {
	state, _ := f.state()
	subject := upper(state)
	for _, h := range f.Hints {
		subject = with(subject, h.Brief)
	}
	if f.Reminder != "" {
		act, _, _ := strings.Cut(f.Reminder, ";")
		short, _, _ := strings.Cut(act, ":") // without the list of what belongs to it
		if whole := with(subject, "Due: "+f.Reminder); whole != subject {
			subject = whole
		} else {
			subject = with(subject, "Due: "+short+".")
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Evening round of %s, %s.\n%s\n\n", f.Name, f.local(f.At).Format("Monday 2 January, 15:04"), upper(state))
	f.table(&b)
	f.matters(&b, "To see to:")
	section(&b, "Over again:", f.Over)
	section(&b, "Upkeep:", f.Upkeep)
	section(&b, "Weather:", f.weather())
	b.WriteString("\n" + footer)
	return Letter{Subject: alerts.Shorten(subject), Body: b.String()}
}

// with adds a sentence to a subject where there is room for the whole of it.
func with(subject, more string) string {
	if s := subject + " " + more; utf8.RuneCountInString(s) <= alerts.LockScreen {
		return s
	}
	return subject
}

func (f Farm) weather() []string {
	var out []string
	for _, h := range f.Hints {
		out = append(out, h.Line)
	}
	return out
}

// table lists the zones as they are.
func (f Farm) table(b *strings.Builder) {
	for _, z := range f.Zones {
		fmt.Fprintf(b, "- %s: ", z.Name)
		switch {
		case !z.OutUntil.IsZero():
			fmt.Fprintf(b, "out of service until %s\n", f.clock(z.OutUntil))
		case z.NoSensor:
			b.WriteString("has no sensor; its voltage is not known\n")
		case z.HeardAt.IsZero():
			b.WriteString("never heard\n")
		case z.Late:
			fmt.Fprintf(b, "not heard since %s; it was %.1f kV then\n", f.clock(z.HeardAt), z.KV)
		default:
			fmt.Fprintf(b, "%.1f kV, minimum %.1f, at %s\n", z.KV, z.MinimumKV, f.clock(z.HeardAt))
		}
	}
}

func (f Farm) matters(b *strings.Builder, title string) {
	var lines []string
	for _, m := range f.Open {
		line := upper(m.What) + m.Where
		if !m.Growth {
			line += ", since " + f.clock(m.Since)
		}
		lines = append(lines, line+". "+m.First)
	}
	section(b, title, lines)
}

func section(b *strings.Builder, title string, lines []string) {
	const most = 20 // who reads more of an evening?
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", title)
	for i, l := range lines {
		if i == most {
			fmt.Fprintf(b, "- and %d more; the page has them all.\n", len(lines)-most)
			return
		}
		fmt.Fprintf(b, "- %s\n", strings.TrimPrefix(upper(l), "- "))
	}
}

func (f Farm) local(t time.Time) time.Time {
	if f.Location == nil {
		return t.UTC()
	}
	return t.In(f.Location)
}

// clock writes a time as people say it on the day of the letter.
func (f Farm) clock(t time.Time) string { return alerts.ClockTime(f.local(f.At), f.local(t)) }

// day writes a day to come: its name within the week, else its date.
func (f Farm) day(t time.Time) string {
	n, l := f.local(f.At), f.local(t)
	switch {
	case !l.After(n) || n.Format(time.DateOnly) == l.Format(time.DateOnly):
		return "now"
	case l.Sub(n) < 6*24*time.Hour:
		return l.Format("Monday")
	}
	return l.Format("2 January")
}

func upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
