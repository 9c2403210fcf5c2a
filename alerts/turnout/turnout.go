// Package turnout decides whether stock may be let out behind a fence: a plain yes or no, with reasons. It is pure: what
// the watch knows goes in, and time; a verdict comes out. A yes is a fence as strung, from which growth is told later.
package turnout

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Sample is one reading of the volts on the wire.
type Sample struct {
	At    time.Time
	Volts float64
}

// Supply is what an energizer's sensor said last, beside its volts. A nil field was not said.
type Supply struct {
	Interval    time.Duration // from pulse to pulse; 0 when not said
	SupplyVolts *float64
	LowVolts    float64  // under which its battery counts as low
	EarthVolts  *float64 // on the earth stakes
}

// Input is what the watch knows.
type Input struct {
	Farm     *farm.Farm
	Zones    []string // that stock are to go into; empty for all
	Now      time.Time
	By       string
	Samples  map[farm.Source][]Sample // of the last Window of each sensor, the oldest first
	Supplies map[string]Supply        // by energizer
	Alarms   []alerts.Point           // those that are not normal
	Held     map[farm.Source]time.Time
	Watching bool // a night watch runs
	Tested   Test
	Earths   map[string]EarthTest // the last kept earth test, by energizer
}

// EarthTest is when earth stakes were tested by hand, and what they carried.
type EarthTest struct {
	At         time.Time
	StakeVolts float64
}

// Test is the last test message that somebody answered. It is zero when none was.
type Test struct {
	At time.Time
	By string
}

// State is how one check went.
type State string

// The states. What could not be looked at is only noted: it is for the keeper to see to.
const (
	Passed State = "yes"
	Failed State = "no"
	Noted  State = "note"
)

// Check is one thing that was looked at.
type Check struct {
	About string `json:"about"` // a zone, an energizer, or the farm
	What  What   `json:"check"`
	State State  `json:"state"`
	Text  string `json:"text"`
}

// What says what was looked at.
type What string

// The checks.
const (
	Service   What = "in-service"
	Heard     What = "heard"
	Volts     What = "volts"
	Steady    What = "steady"
	Layout    What = "layout"
	Alarms    What = "alarms"
	Energizer What = "energizer"
	Earth     What = "earth"
	Reach     What = "reach"
)

// Verdict is the answer.
type Verdict struct {
	Farm   string    `json:"farm"`
	At     time.Time `json:"time"`
	By     string    `json:"by,omitempty"`
	Zones  []string  `json:"zones"`
	Yes    bool      `json:"yes"`
	Checks []Check   `json:"checks"`
}

// Reasons returns what speaks against turning out, each with what it is about.
func (v *Verdict) Reasons() []string {
	var out []string
	for _, c := range v.Checks {
		if c.State == Failed {
			out = append(out, c.About+": "+c.Text)
		}
	}
	return out
}

// ReasonsFor returns what speaks against turning out into one zone: what is about it, and what is about no zone.
func (v *Verdict) ReasonsFor(zone string) []string {
	var out []string
	for _, c := range v.Checks {
		if c.State == Failed && (c.About == zone || !slices.Contains(v.Zones, c.About)) {
			out = append(out, c.About+": "+c.Text)
		}
	}
	if len(out) == 0 && !v.Yes {
		out = append(out, "another zone is not fit: ask for this one alone")
	}
	return out
}

// ErrNoZone means that a zone was asked for that the farm does not have.
type ErrNoZone struct{ Name string }

// Error names the zone.
func (e *ErrNoZone) Error() string { return fmt.Sprintf("the farm file has no zone called %q", e.Name) }

// Decide looks at everything and answers.
func Decide(in Input) (Verdict, error) {
	v := Verdict{Farm: in.Farm.Name, At: in.Now.UTC().Truncate(time.Second), By: in.By}
	asked := map[string]bool{}
	for _, name := range in.Zones {
		if in.Farm.Zone(name) == nil {
			return Verdict{}, &ErrNoZone{name}
		}
		asked[name] = true
	}
	d := decision{in: &in}
	for i := range in.Farm.Energizers {
		e := &in.Farm.Energizers[i]
		var zones []*farm.Zone
		for _, z := range in.Farm.Feeding(e.Name) {
			if len(asked) == 0 || asked[z.Name] {
				zones = append(zones, z)
				v.Zones = append(v.Zones, z.Name)
			}
		}
		if len(zones) > 0 {
			d.fence(e, zones)
		}
	}
	d.reach()
	v.Checks = together(d.checks)
	v.Yes = len(v.Zones) > 0 && len(v.Reasons()) == 0
	return v, nil
}

// together brings the checks on each thing together, in the order in which the things were first looked at.
func together(checks []Check) []Check {
	first := map[string]int{}
	for i, c := range checks {
		if _, ok := first[c.About]; !ok {
			first[c.About] = i
		}
	}
	slices.SortStableFunc(checks, func(a, b Check) int { return first[a.About] - first[b.About] })
	return checks
}

// decision gathers checks.
type decision struct {
	in     *Input
	checks []Check
}

func (d *decision) add(about string, what What, ok bool, format string, args ...any) {
	state := Failed
	if ok {
		state = Passed
	}
	d.checks = append(d.checks, Check{about, what, state, fmt.Sprintf(format, args...)})
}

func (d *decision) note(about string, what What, format string, args ...any) {
	d.checks = append(d.checks, Check{about, what, Noted, fmt.Sprintf(format, args...)})
}

// fence looks at the zones asked for of one energizer, and at the energizer.
func (d *decision) fence(e *farm.Energizer, zones []*farm.Zone) {
	heard := map[string]bool{}
	for _, z := range zones {
		if until, out := d.in.Held[z.Source()]; out {
			d.add(z.Name, Service, false, "out of service until %s: put it back first", d.clock(until))
		}
		heard[z.Name] = d.heard(z.Name, z.Source(), z.Sensor)
		if heard[z.Name] {
			d.volts(z)
			d.steady(z)
		}
		d.alarms(z.Name, z.Source())
	}
	d.layout(e, zones, heard)
	d.energizer(e)
}

// silentAfter is how many reports may be missing: of a link that loses one in ten, three in a row are one in a thousand.
const silentAfter = 3

// every returns how often a sensor reports.
func every(s farm.Sensor) time.Duration {
	if s.Every <= 0 {
		return time.Minute
	}
	return s.Every
}

// heard looks at whether a sensor is heard.
func (d *decision) heard(name string, s farm.Source, sensor farm.Sensor) bool {
	if sensor.Topic == "" {
		d.add(name, Heard, false, "has no sensor, so nothing vouches for it")
		return false
	}
	samples := d.in.Samples[s]
	if len(samples) == 0 {
		d.add(name, Heard, false, "not heard: look at its sensor, and at the energizer")
		return false
	}
	ago := d.in.Now.Sub(samples[len(samples)-1].At)
	if ago > silentAfter*every(sensor) {
		d.add(name, Heard, false, "last heard %s ago, and it reports every %s: look at its sensor", span(ago), span(every(sensor)))
		return false
	}
	d.add(name, Heard, true, "heard %s ago", span(ago))
	return true
}

// Margin is by how much a zone must beat what it needs: a quarter. It is ours, for what a wet night takes from it; how
// much that is differs from place to place, and no figure was found.
const Margin = 1.25

// volts looks at whether a zone has enough at its far end.
func (d *decision) volts(z *farm.Zone) {
	level, need := medianOf(values(d.in.Samples[z.Source()])), z.NeedVolts()
	want := fmt.Sprintf("wants %s kV, a quarter over its %s kV", kv(Margin*need), kv(need))
	if z.Training {
		want += " for animals that learn"
	}
	switch {
	case need <= 0:
		d.note(z.Name, Volts, "%s kV at its far end; the farm file does not say what it needs", reading(level))
	case level < need:
		d.add(z.Name, Volts, false, "%s kV at its far end: %s", reading(level), want)
	case level < Margin*need:
		d.add(z.Name, Volts, false, "%s kV at its far end is too near to its limit: %s", reading(level), want)
	default:
		d.add(z.Name, Volts, true, "%s kV at its far end; %s", reading(level), want)
	}
}

// alarms looks at what is open on a zone, an energizer or the farm.
func (d *decision) alarms(name string, s farm.Source) {
	for i := range d.in.Alarms {
		p := &d.in.Alarms[i]
		if !p.On() || !concerns(p, name, s) {
			continue
		}
		if p.Finding.Priority <= alerts.LowPriority {
			d.note(name, Alarms, "%s", p.Finding.Text)
			continue
		}
		d.add(name, Alarms, false, "an alarm is on: %s", p.Finding.Text)
	}
}

// concerns reports whether an alarm is about a source, or took the zone of that name along. Whether tests are answered
// is a check of its own.
func concerns(p *alerts.Point, name string, s farm.Source) bool {
	if p.Finding.Condition == alerts.Test {
		return false
	}
	if p.Source == s {
		return true
	}
	for _, z := range p.Finding.Zones {
		if z == name && s == farm.ZoneSource(name) {
			return true
		}
	}
	return false
}

const (
	slowPulses = 1.5 // times the interval of the farm file; a battery that ends makes pulses rare
	// mostEarthVolts is what stakes may carry: widely printed, no primary source.
	mostEarthVolts = 300
)

// energizer looks at what feeds the zones.
func (d *decision) energizer(e *farm.Energizer) {
	d.alarms(e.Name, e.Source())
	if until, out := d.in.Held[e.Source()]; out {
		d.add(e.Name, Service, false, "out of service until %s: put it back first", d.clock(until))
	}
	if e.Sensor.Topic == "" {
		d.note(e.Name, Energizer, "has no sensor: only the zones speak for it")
		d.earth(e, nil)
		return
	}
	if !d.heard(e.Name, e.Source(), e.Sensor) {
		return
	}
	s, level := d.in.Supplies[e.Name], medianOf(values(d.in.Samples[e.Source()]))
	switch {
	case s.Interval > 0 && e.PulseEvery > 0 && float64(s.Interval) > slowPulses*float64(e.PulseEvery):
		d.add(e.Name, Energizer, false, "pulses only every %s, not every %s: look at its battery", span(s.Interval), span(e.PulseEvery))
	case s.SupplyVolts != nil && *s.SupplyVolts < s.LowVolts:
		d.add(e.Name, Energizer, false, "its battery is at %.1f V, low under %.1f V: change it first", *s.SupplyVolts, s.LowVolts)
	case s.SupplyVolts != nil:
		d.add(e.Name, Energizer, true, "gives %s kV; its battery is at %.1f V", reading(level), *s.SupplyVolts)
	default:
		d.add(e.Name, Energizer, true, "gives %s kV", reading(level))
	}
	d.earth(e, s.EarthVolts)
}

// earthTestFor is how long an earth test counts: it is to be done each year at the driest time (BC Ministry of
// Agriculture 382.600-1), which does not come on a day.
const earthTestFor = 400 * 24 * time.Hour

// earth looks at what the stakes carry now, by the energizer's sensor, and else at the last test by hand.
func (d *decision) earth(e *farm.Energizer, volts *float64) {
	t := d.in.Earths[e.Name]
	ago := d.in.Now.Sub(t.At)
	const mend = "wet the soil, or set more stakes"
	switch {
	case volts != nil && *volts > mostEarthVolts:
		d.add(e.Name, Earth, false, "its stakes carry %s kV, over 0.3 kV: %s", reading(*volts), mend)
	case volts != nil:
		d.add(e.Name, Earth, true, "its stakes carry %s kV; 0.3 kV is the limit", reading(*volts))
	case t.At.IsZero() || ago > earthTestFor:
		d.note(e.Name, Earth, "its stakes have not been tested within a year: Upkeep on the page says how, or nightwire earth-test")
	case t.StakeVolts > mostEarthVolts:
		d.add(e.Name, Earth, false, "its stakes carried %.0f V in the test %s ago, over 300 V: %s, and test again", t.StakeVolts, span(ago), mend)
	default:
		d.add(e.Name, Earth, true, "its stakes carried %.0f V in the test %s ago; 300 V is the limit", t.StakeVolts, span(ago))
	}
}

// TestedWithin is how old the last answered test may be: the week between tests, and a day to answer. For alarms that
// welfare hangs on, a week is the law in England for ventilation (SI 2007/2078, schedule 1), and a good model.
const TestedWithin = 8 * 24 * time.Hour

// reach looks at whether an alarm would reach somebody.
func (d *decision) reach() {
	about := d.in.Farm.Name
	d.alarms(about, farm.Site)
	if !d.in.Watching {
		d.add(about, Reach, false, "the night watch is not running: start it with nightwire run")
	}
	var people []string
	for i := range d.in.Farm.People {
		if p := &d.in.Farm.People[i]; len(p.Routes) > 0 {
			people = append(people, p.Name)
		}
	}
	if len(people) == 0 {
		d.add(about, Reach, false, "nobody would be told: add people and channels to the farm file")
		return
	}
	d.add(about, Reach, true, "an alarm would go to %s", strings.Join(people, ", "))
	t := d.in.Tested
	who := t.By
	if who == "" {
		who = "somebody"
	}
	switch ago := d.in.Now.Sub(t.At); {
	case t.At.IsZero():
		d.add(about, Reach, false, "no test message has been answered yet: nightwire send-test --answer sends one")
	case ago > TestedWithin:
		d.add(about, Reach, false, "the last test was answered %s ago: nightwire send-test --answer sends one", span(ago))
	default:
		d.add(about, Reach, true, "%s answered a test %s ago", who, span(ago))
	}
}

// clock writes a time in the farm's own.
func (d *decision) clock(t time.Time) string {
	loc := d.in.Farm.Location
	if loc == nil {
		loc = time.UTC
	}
	return t.In(loc).Format("Mon 2 Jan 15:04")
}
