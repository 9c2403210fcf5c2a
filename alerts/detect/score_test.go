package detect_test

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim"
	"nightwire/sim/scenario"
)

// told is one alarm as a keeper saw it, from its events.
type told struct {
	id           string
	raised, over time.Time
	events       []alerts.Event
	true         bool // some label explains it
}

// settled returns what the alarm said once it had had ten minutes, or six reports, to look.
func (a *told) settled(every time.Duration) alerts.Finding {
	f := a.events[0].Finding
	for _, e := range a.events {
		if e.Time.Sub(a.raised) <= max(10*time.Minute, 6*every) {
			f = e.Finding
		}
	}
	return f
}

func (a *told) first() alerts.Finding { return a.events[0].Finding }

// touches reports whether the alarm is about the label's thing or one of the zones it took down.
func (a *told) touches(l sim.Label) bool {
	for _, e := range a.events {
		if e.Source == l.Source || l.Source == farm.Site {
			return true
		}
		for _, z := range append([]string{zoneName(e.Source)}, e.Zones...) {
			if z != "" && (farm.ZoneSource(z) == l.Source || slices.Contains(l.Under, z)) {
				return true
			}
		}
	}
	return false
}

func zoneName(s farm.Source) string {
	if name, ok := cutZone(s); ok {
		return name
	}
	return ""
}

func cutZone(s farm.Source) (string, bool) {
	const p = "zone/"
	if len(s) > len(p) && s[:len(p)] == p {
		return string(s[len(p):]), true
	}
	return "", false
}

func gather(events []alerts.Event) []*told {
	byID := map[string]*told{}
	var all []*told
	for _, e := range events {
		a := byID[e.ID]
		if a == nil {
			a = &told{id: e.ID, raised: e.Time}
			byID[e.ID] = a
			all = append(all, a)
		}
		if e.Kind == alerts.Returned {
			a.over = e.Time
		}
		a.events = append(a.events, e)
	}
	return all
}

// score is how well the faults of a season, or of all, were told.
type score struct {
	faults, found, cause, firstCause, zone, extra int
	delays                                        []float64 // reporting periods
	distance                                      []float64 // share of the zone
	placed, placeable                             int
	false_                                        int
	zoneMonths                                    float64
	growths, warned                               int
	weekAhead                                     []float64 // days, forecast less truth
	raised                                        int
	misses                                        []string
}

func (s *score) add(o score) {
	s.faults += o.faults
	s.found += o.found
	s.cause += o.cause
	s.firstCause += o.firstCause
	s.zone += o.zone
	s.extra += o.extra
	s.delays = append(s.delays, o.delays...)
	s.distance = append(s.distance, o.distance...)
	s.placed += o.placed
	s.placeable += o.placeable
	s.false_ += o.false_
	s.zoneMonths += o.zoneMonths
	s.growths += o.growths
	s.warned += o.warned
	s.weekAhead = append(s.weekAhead, o.weekAhead...)
	s.raised += o.raised
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return s[len(s)/2]
}

func absolute(v []float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.Abs(x)
	}
	return out
}

func share(a, b int) string {
	if b == 0 {
		return "–"
	}
	return fmt.Sprintf("%d/%d", a, b)
}

func (s score) row(name string) string {
	worst := math.NaN()
	if len(s.delays) > 0 {
		worst = slices.Max(s.delays)
	}
	return fmt.Sprintf("%-18s found %-7s delay %4.1f worst %5.1f cause %-7s first %-7s zone %-7s placed %-6s off %3.0f %% extra %2d false %2d = %.3f/zm growth warned %-6s off %3.1f d  alarms %d",
		name, share(s.found, s.faults), median(s.delays), worst, share(s.cause, s.found), share(s.firstCause, s.found), share(s.zone, s.found), share(s.placed, s.placeable),
		100*median(s.distance), s.extra, s.false_, float64(s.false_)/s.zoneMonths, share(s.warned, s.growths), median(absolute(s.weekAhead)), s.raised)
}

// lows remembers for each zone when its readings were truly under the minimum, to tell a true word from a false one.
type lows map[string][]time.Time

func (l lows) note(f *farm.Farm, ids map[pulse.SensorID]string, r *pulse.Reading) {
	v, ok := r.Get(pulse.Volts)
	z := f.Zone(ids[r.Sensor])
	if ok && z != nil && v < z.MinimumVolts {
		l[z.Name] = append(l[z.Name], r.Arrived)
	}
}

// near reports whether the zone read low at least twice in the half hour up to at.
func (l lows) near(zone string, at time.Time) bool {
	n := 0
	for _, t := range l[zone] {
		if d := at.Sub(t); d >= -time.Minute && d < 30*time.Minute {
			n++
		}
	}
	return n >= 2
}

// longest is the reporting period of the slowest sensor.
func longest(f *farm.Farm) time.Duration {
	d := time.Duration(0)
	for i := range f.Zones {
		d = max(d, f.Zones[i].Sensor.Every)
	}
	return d
}

// judge holds what was told against what was so.
func judge(f *farm.Farm, labels []sim.Label, events []alerts.Event, low lows, o sim.Options) score {
	length, end := o.Length, o.Start.Add(o.Length)
	every := longest(f)
	all := gather(events)
	s := score{raised: len(all), zoneMonths: float64(len(f.Zones)) * length.Hours() / 24 / 30}
	slices.SortStableFunc(labels, func(a, b sim.Label) int { return cmp.Compare(a.From.Unix(), b.From.Unix()) })
	taken := map[*told]bool{}
	for _, l := range labels {
		if l.Kind == sim.Growth {
			s.growth(l, all)
			continue
		}
		s.fault(f, l, all, every, taken)
	}
	for _, a := range all {
		if a.true || trulyLow(a, low) || soonUnder(a, labels, o.Acts) || beyond(a, end) {
			continue
		}
		s.false_++
		s.misses = append(s.misses, fmt.Sprintf("FALSE %s %s %s %s %v: %s %v", a.raised.Format("01-02 15:04"), a.first().Source, a.first().Condition, a.first().Cause, a.first().Zones, a.first().Text, a.first().Evidence))
	}
	return s
}

// fault matches one label with the alarm that told it.
func (s *score) fault(f *farm.Farm, l sim.Label, all []*told, every time.Duration, taken map[*told]bool) {
	slack := 10*time.Minute + 3*every
	hard := !l.Planned && !l.Shows.IsZero()
	var best *told
	for _, a := range all {
		in := !a.raised.Before(l.From.Add(-time.Minute)) && !a.raised.After(l.To.Add(slack))
		if !in || !a.touches(l) || a.first().Condition == alerts.Growth {
			continue
		}
		a.true = true
		if best == nil && !taken[a] {
			best = a
		} else if !taken[a] {
			s.misses = append(s.misses, fmt.Sprintf("EXTRA for %s: %s %s %s %s %v: %v", l.String(), a.raised.Format("01-02 15:04"), a.first().Source, a.first().Condition, a.first().Cause, a.first().Zones, a.first().Evidence))
			s.extra++
			taken[a] = true
		}
	}
	if best == nil { // told by an alarm that was open already?
		for _, a := range all {
			open := a.raised.Before(l.From) && (a.over.IsZero() || a.over.After(l.From))
			if open && a.touches(l) && slices.ContainsFunc(a.events, func(e alerts.Event) bool {
				return e.Kind == alerts.Updated && !e.Time.Before(l.From) && e.Time.Before(l.To.Add(slack)) && slices.Contains(l.Causes, string(e.Cause))
			}) {
				best = a
				a.true = true
				break
			}
		}
	}
	if !hard {
		return
	}
	s.faults++
	if best == nil {
		s.misses = append(s.misses, "MISSED "+l.String()+" shows "+l.Shows.Format("01-02 15:04"))
		return
	}
	taken[best] = true
	s.found++
	s.delays = append(s.delays, max(0, best.raised.Sub(l.Shows).Seconds()/every.Seconds()))
	end := best.settled(every)
	if slices.Contains(l.Causes, string(end.Cause)) {
		s.cause++
	} else {
		s.misses = append(s.misses, fmt.Sprintf("CAUSE %s told as %s %s %v: %v", l.String(), end.Source, end.Cause, end.Zones, end.Evidence))
	}
	if slices.Contains(l.Causes, string(best.first().Cause)) {
		s.firstCause++
	}
	if end.Source == l.Source {
		s.zone++
	} else {
		s.misses = append(s.misses, fmt.Sprintf("ZONE %s told as %s %s %v: %v", l.String(), end.Source, end.Cause, end.Zones, end.Evidence))
	}
	if z := f.Zone(zoneName(l.Source)); z != nil && l.AtM != nil && (l.Kind == sim.Short || l.Kind == sim.FallenWire) {
		s.placeable++
		if end.DistanceM != nil && end.Source == l.Source {
			s.placed++
			s.distance = append(s.distance, math.Abs(*end.DistanceM-*l.AtM)/z.LengthM)
		}
	}
}

// growth holds a zone that truly went under against its forecasts.
func (s *score) growth(l sim.Label, all []*told) {
	s.growths++
	day := l.SeenFrom
	if day.IsZero() {
		day = l.From
	}
	warned, best := false, math.Inf(1)
	var off float64
	for _, a := range all {
		for _, e := range a.events {
			if e.Source != l.Source || e.BelowMinimumOn == nil || e.Kind == alerts.Returned || e.Time.After(day) || day.Sub(e.Time) > 40*24*time.Hour {
				continue
			}
			ahead := day.Sub(e.Time).Hours() / 24
			warned = warned || ahead >= 3
			if d := math.Abs(ahead - 7); d < best && d < 3 {
				best, off = d, e.BelowMinimumOn.Sub(day).Hours()/24
			}
		}
	}
	if warned {
		s.warned++
	} else {
		s.misses = append(s.misses, "NO WARNING "+l.String())
	}
	if !math.IsInf(best, 1) {
		s.weekAhead = append(s.weekAhead, off)
		if math.Abs(off) > 2 {
			s.misses = append(s.misses, fmt.Sprintf("FORECAST off by %.1f d %s", off, l.String()))
		}
	}
}

func trulyLow(a *told, low lows) bool {
	f := a.first()
	if f.Condition != alerts.Low && f.Condition != alerts.Dead {
		return false
	}
	z, ok := cutZone(f.Source)
	if ok && low.near(z, a.raised) {
		return true
	}
	return slices.ContainsFunc(f.Zones, func(z string) bool { return low.near(z, a.raised) })
}

// soonUnder reports whether a growth alarm is about a zone that growth does take under.
func soonUnder(a *told, labels []sim.Label, acts []sim.Act) bool {
	if a.first().Condition != alerts.Growth {
		return false
	}
	if slices.ContainsFunc(acts, func(x sim.Act) bool { // cut before it could be seen
		return x.Kind == sim.Trim && "zone/"+x.Zone == string(a.first().Source) && x.At.After(a.raised.Add(-24*time.Hour)) && x.At.Before(a.raised.Add(25*24*time.Hour))
	}) {
		return true
	}
	return slices.ContainsFunc(labels, func(l sim.Label) bool {
		return l.Kind == sim.Growth && l.Source == a.first().Source && l.From.After(a.raised.Add(-10*24*time.Hour)) && l.From.Before(a.raised.Add(40*24*time.Hour))
	})
}

// beyond reports whether a growth alarm speaks of a day that the season does not reach.
func beyond(a *told, end time.Time) bool {
	on := a.events[len(a.events)-1].BelowMinimumOn
	return on != nil && on.After(end)
}

// runScore plays a season and scores it.
func runScore(t testing.TB, name string) score {
	t.Helper()
	s, err := scenario.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	low := lows{}
	events, _ := watchSeason(t, s, low)
	return judge(s.Farm(), truth.Labels, events, low, s.Options)
}

func TestScore(t *testing.T) {
	var total score
	names := scenario.Names()
	if only := os.Getenv("SEASONS"); only != "" {
		names = strings.Split(only, ",")
	}
	for _, name := range names {
		s := runScore(t, name)
		t.Log(s.row(name))
		for _, m := range s.misses {
			t.Log("    ", m)
		}
		total.add(s)
	}
	t.Log(total.row("all"))
}
