package detect_test

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim"
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

// zoneName returns the zone's name, empty when s is no zone.
func zoneName(s farm.Source) string {
	name, _ := strings.CutPrefix(string(s), "zone/")
	if name == string(s) {
		return ""
	}
	return name
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
	delays, hard                                  []float64 // reporting periods; hard are those of parted and shorted wires and of an energizer off
	distance                                      []float64 // share of the zone
	placed, placeable                             int
	false_                                        int
	zoneMonths                                    float64
	growths, warned                               int
	weekAhead                                     []float64 // days, forecast less truth
	dated, spanned                                int       // forecasts of a day that came, and those whose interval held it
	raised, hardFaults                            int
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
	s.hard = append(s.hard, o.hard...)
	s.hardFaults += o.hardFaults
	s.distance = append(s.distance, o.distance...)
	s.placed += o.placed
	s.placeable += o.placeable
	s.false_ += o.false_
	s.zoneMonths += o.zoneMonths
	s.growths += o.growths
	s.warned += o.warned
	s.weekAhead = append(s.weekAhead, o.weekAhead...)
	s.dated += o.dated
	s.spanned += o.spanned
	s.raised += o.raised
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
			s.growth(l, all, lastCut(l, o.Acts))
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
	if best == nil {
		best = openAlready(l, all, slack)
	}
	if !hard {
		return
	}
	s.faults++
	if hardKinds[l.Kind] {
		s.hardFaults++
	}
	if best == nil {
		s.misses = append(s.misses, "MISSED "+l.String()+" shows "+l.Shows.Format("01-02 15:04"))
		return
	}
	taken[best] = true
	s.found++
	late := max(0, best.raised.Sub(l.Shows).Seconds()/every.Seconds())
	s.delays = append(s.delays, late)
	if hardKinds[l.Kind] {
		s.hard = append(s.hard, late)
	}
	s.said(f, l, best, best.settled(every))
}

// openAlready returns an alarm that was open before the fault and was updated with its cause.
func openAlready(l sim.Label, all []*told, slack time.Duration) *told {
	for _, a := range all {
		open := a.raised.Before(l.From) && (a.over.IsZero() || a.over.After(l.From))
		if open && a.touches(l) && slices.ContainsFunc(a.events, func(e alerts.Event) bool {
			return e.Kind == alerts.Updated && !e.Time.Before(l.From) && e.Time.Before(l.To.Add(slack)) && slices.Contains(l.Causes, string(e.Cause))
		}) {
			a.true = true
			return a
		}
	}
	return nil
}

// said scores what the alarm of a fault came to say.
func (s *score) said(f *farm.Farm, l sim.Label, a *told, end alerts.Finding) {
	if slices.Contains(l.Causes, string(end.Cause)) {
		s.cause++
	} else {
		s.misses = append(s.misses, fmt.Sprintf("CAUSE %s told as %s %s %v: %v", l.String(), end.Source, end.Cause, end.Zones, end.Evidence))
	}
	if slices.Contains(l.Causes, string(a.first().Cause)) {
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

// hardKinds are the faults that let stock out at a stroke.
var hardKinds = map[sim.Kind]bool{sim.Short: true, sim.Break: true, sim.FallenWire: true, sim.GateOpen: true, sim.EnergizerOff: true}

// growth holds a zone that truly went under against its forecasts.
func (s *score) growth(l sim.Label, all []*told, cut time.Time) {
	if l.HoldsFrom.IsZero() {
		return // one wet day, and dry again
	}
	day, held := l.From, l.HoldsFrom
	if !l.SeenFrom.IsZero() && l.SeenFrom.Before(held) {
		day = l.SeenFrom
	}
	s.growths++
	warned, best := false, math.Inf(1)
	var off float64
	for _, a := range all {
		for _, e := range a.events {
			if e.Source != l.Source || e.BelowMinimumOn == nil || e.Kind == alerts.Returned || e.Time.After(day) || !e.BelowMinimumOn.After(e.Time) || day.Sub(e.Time) > 40*24*time.Hour {
				continue
			}
			ahead := day.Sub(e.Time).Hours() / 24
			warned = warned || ahead >= 3
			s.interval(e, day, cut)
			if d := math.Abs(ahead - 7); d < best && d < 3 {
				best, off = d, outside(*e.BelowMinimumOn, day, held)
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

// lastCut returns when a zone was last trimmed or strung anew before growth took it under.
func lastCut(l sim.Label, acts []sim.Act) (cut time.Time) {
	for _, a := range acts {
		if a.Kind != sim.TakeDown && farm.ZoneSource(a.Zone) == l.Source && a.At.Before(l.From) && a.At.After(cut) {
			cut = a.At
		}
	}
	return cut
}

// interval holds the interval of one forecast against the day, also where the forecast was taken back before it. What was
// said before a cut was of other growth.
func (s *score) interval(e alerts.Event, day, cut time.Time) {
	if !e.Time.Before(day) || e.Time.Before(cut) {
		return
	}
	s.dated++
	if !day.Before(*e.BelowMinimumEarliest) && !day.After(*e.BelowMinimumLatest) {
		s.spanned++
	}
}

// outside returns by how many days at misses the time from the first day under to the first that holds; before is
// negative.
func outside(at, first, held time.Time) float64 {
	switch {
	case at.Before(first):
		return at.Sub(first).Hours() / 24
	case at.After(held):
		return at.Sub(held).Hours() / 24
	}
	return 0
}

func trulyLow(a *told, low lows) bool {
	f := a.first()
	if f.Condition != alerts.Low && f.Condition != alerts.Dead {
		return false
	}
	if low.near(zoneName(f.Source), a.raised) {
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
		return x.Kind != sim.TakeDown && "zone/"+x.Zone == string(a.first().Source) && x.At.After(a.raised.Add(-24*time.Hour)) && x.At.Before(a.raised.Add(25*24*time.Hour))
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
