package letter

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
)

// Night is what happened in one.
type Night struct {
	From  time.Time
	Happy bool     // nothing was raised
	Told  []string // what happened, a sentence each, in order
}

// Morning writes the report of the night. It reports false when the night was quiet and all is well now: nobody needs
// to read that.
func Morning(f Farm, n Night) (Letter, bool) {
	state, well := f.state()
	if well && len(n.Told) == 0 {
		return Letter{}, false
	}
	subject := upper(state) // what is wrong now comes before what was
	if well {
		subject = "Last night: " + strings.TrimSuffix(n.Told[0], ".")
		if more := len(n.Told) - 1; more > 0 {
			subject += fmt.Sprintf(", and %d more", more)
		}
		subject += ". Now " + state
	}
	var b strings.Builder
	fmt.Fprintf(&b, "The night at %s, from %s to %s.\nNow: %s\n", f.Name, f.clock(n.From), f.clock(f.At), state)
	section(&b, "What happened:", n.Told)
	f.matters(&b, "To see to:")
	section(&b, "The lowest of the night:", f.lows())
	b.WriteString("\n" + footer)
	return Letter{Subject: alerts.Shorten(subject), Body: b.String()}, true
}

// lows lists the lowest reading of each zone.
func (f Farm) lows() []string {
	var out []string
	for _, z := range f.Zones {
		if z.LowAt.IsZero() {
			if !z.NoSensor {
				out = append(out, z.Name+": not heard")
			}
			continue
		}
		out = append(out, fmt.Sprintf("%s: %.1f kV about %s, needs %.1f", z.Name, z.LowKV, f.clock(z.LowAt), z.LowMinimumKV))
	}
	return out
}

// Week is what happened in one.
type Week struct {
	From  time.Time
	Trips []Trip   // by zone, most first
	Done  []string // what people did, a sentence each
}

// Trip is how often a zone alarmed.
type Trip struct {
	Zone  string
	At    []time.Time
	Cause string // the most frequent
	After string // after what weather; empty when the record does not say
}

// String says it in a sentence, without its end.
func (t Trip) String() string {
	s := fmt.Sprintf("%s alarmed %d times", t.Zone, len(t.At))
	if len(t.At) == 1 {
		s = t.Zone + " alarmed once"
	}
	if t.Cause != "" {
		s += ", mostly " + strings.ReplaceAll(t.Cause, "-", " ")
	}
	if t.After != "" {
		s += ", mostly after " + t.After
	}
	return s
}

// Weekly writes the weekly letter. The season's picture is added by whoever has it.
func Weekly(f Farm, w Week) Letter {
	state, _ := f.state()
	subject := upper(state)
	if t := f.turn(); t != "" {
		subject = with(subject, t)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "The week at %s, to %s.\n%s\n", f.Name, f.local(f.At).Format("Monday 2 January"), upper(state))
	section(&b, "Levels, and a week before:", f.levels())
	f.matters(&b, "To see to:")
	var trips []string
	for i, t := range w.Trips {
		s := t.String()
		if i == 0 && len(w.Trips) > 1 {
			s += "; more than any other"
		}
		trips = append(trips, s+".")
	}
	section(&b, "Alarms of the week:", trips)
	section(&b, "Done:", w.Done)
	section(&b, "Upkeep:", f.Upkeep)
	section(&b, "Weather:", f.weather())
	b.WriteString("\n" + footer)
	return Letter{Subject: alerts.Shorten(subject), Body: b.String()}
}

const turnKV = 0.3 // what a zone must have lost in a week to be worth a word; dew and rain move it by less (our own choice)

// turn names the zone that has lost most in the week.
func (f Farm) turn() string {
	var worst *Zone
	for i := range f.Zones {
		z := &f.Zones[i]
		if z.WasKV-z.LevelKV >= turnKV && z.LevelKV > 0 && (worst == nil || z.WasKV-z.LevelKV > worst.WasKV-worst.LevelKV) {
			worst = z
		}
	}
	if worst == nil {
		return ""
	}
	return fmt.Sprintf("This week %s lost %.1f kV.", worst.Name, worst.WasKV-worst.LevelKV)
}

func (f Farm) levels() []string {
	var out []string
	for _, z := range f.Zones {
		if z.LevelKV == 0 {
			continue
		}
		s := fmt.Sprintf("%s: %.1f kV, minimum %.1f", z.Name, z.LevelKV, z.MinimumKV)
		if z.WasKV > 0 {
			s += fmt.Sprintf(" (%.1f)", z.WasKV)
		}
		if !z.TrimBy.IsZero() {
			s += "; trim by " + f.day(z.TrimBy)
		}
		out = append(out, s)
	}
	return out
}

// CountTrips joins trips of one zone into one, with the most frequent cause, and puts the zone with most first.
func CountTrips(single []Trip) []Trip {
	var out []Trip
	causes := map[string]map[string]int{}
	for _, t := range single {
		i := slices.IndexFunc(out, func(o Trip) bool { return o.Zone == t.Zone })
		if i < 0 {
			i, out = len(out), append(out, Trip{Zone: t.Zone})
			causes[t.Zone] = map[string]int{}
		}
		out[i].At = append(out[i].At, t.At...)
		if t.Cause != "" && t.Cause != string(alerts.Unknown) {
			causes[t.Zone][t.Cause] += len(t.At)
		}
	}
	for i := range out {
		for _, c := range slices.Sorted(maps.Keys(causes[out[i].Zone])) {
			if out[i].Cause == "" || causes[out[i].Zone][c] > causes[out[i].Zone][out[i].Cause] {
				out[i].Cause = c
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Trip) int { return cmp.Or(len(b.At)-len(a.At), strings.Compare(a.Zone, b.Zone)) })
	return out
}
