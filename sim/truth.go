package sim

import (
	"fmt"
	"math"
	"slices"
	"time"

	"nightwire/ingest/farm"
)

// Kinds of label that are no fault of the fence.
const (
	Growth     Kind = "growth"   // growth takes a zone under its minimum
	TakenDown  Kind = "takedown" // the keeper took the zone down for a move
	showsRatio      = 0.05       // a change by this share of the reading can be seen
	truthStep       = 10 * time.Minute
	backDays        = 7 // a zone that growth let up for so long starts afresh
)

// Label is one thing that was truly wrong.
type Label struct {
	Kind   Kind        `json:"kind"`
	Source farm.Source `json:"source"` // what is at fault; for a sensor, the thing it stands on
	AtM    *float64    `json:"at_m,omitempty"`
	From   time.Time   `json:"from"`
	To     time.Time   `json:"to"`
	// Shows is when it first moves some zone's volts by a twentieth, or stops a sensor; zero when it never does.
	Shows  time.Time `json:"shows,omitzero"`
	Causes []string  `json:"causes"` // those of the fixed set that are right, the best first
	// Under names the zones whose true volts are under their minimum because of it, in the order of the farm, and
	// UnderFrom when the first of them is.
	Under     []string  `json:"under,omitempty"`
	UnderFrom time.Time `json:"under_from,omitzero"`
	// SeenFrom is, for growth, the day when the zone's level goes under as its own sensor reads it, gain and all.
	// From is the same by the true volts.
	SeenFrom time.Time `json:"seen_from,omitzero"`
	// HoldsFrom is, for growth, the first of three days running that are under: one wet day alone does not hold.
	HoldsFrom time.Time `json:"holds_from,omitzero"`
	DaysUnder int       `json:"days_under,omitempty"` // for growth, how many days the level was under
	Planned   bool      `json:"planned,omitempty"`    // the keeper's own doing, known beforehand
}

// Truth is what was so in a season, whatever the sensors made of it.
type Truth struct {
	Labels []Label
	// Levels are each zone's true volts day by day, as the day's 75th percentile, with every scripted fault left out.
	Levels map[string][]float64
	// Gains are what each sensor reads against the truth.
	Gains map[farm.Source]float64
}

// NewTruth works out what was truly wrong in a season. It sends no messages.
func NewTruth(o Options) (*Truth, error) {
	s, err := New(o)
	if err != nil {
		return nil, err
	}
	t := &Truth{Levels: map[string][]float64{}, Gains: map[farm.Source]float64{}}
	for _, sn := range s.sensors {
		t.Gains[sn.on] = sn.Gain
	}
	for i := range o.Faults {
		t.Labels = append(t.Labels, s.world.faultLabel(&o.Faults[i]))
	}
	for _, a := range o.Acts {
		if a.Kind != TakeDown {
			continue
		}
		t.Labels = append(t.Labels, Label{
			Kind: TakenDown, Source: farm.ZoneSource(a.Zone), From: a.At, To: a.Until, Shows: a.At, Causes: []string{"open"}, Planned: true,
		})
	}
	s.world.growthLabels(t)
	slices.SortStableFunc(t.Labels, func(a, b Label) int { return a.From.Compare(b.From) })
	return t, nil
}

func (w *world) end() time.Time { return w.opts.Start.Add(w.opts.Length) }

// faultLabel follows one fault from start to end, against the same season without it.
func (w *world) faultLabel(f *Fault) Label {
	l := Label{Kind: f.Kind, Source: f.On, From: f.From, To: f.To, Causes: f.Kind.Causes()}
	if l.To.IsZero() || l.To.After(w.end()) {
		l.To = w.end()
	}
	if f.Kind.onWire() {
		l.AtM = &f.AtM
	}
	switch f.Kind {
	case SensorDead, SensorStuck, LinkLost, SensorOffset:
		l.Shows = f.From
		return l
	case SensorGain:
		if need := showsRatio / max(showsRatio, math.Abs(f.Level-1)); math.Abs(f.Level-1) >= showsRatio {
			l.Shows = f.From.Add(time.Duration(need * float64(f.Over)))
		}
		return l
	}
	under := make([]bool, len(w.zones))
	for at := f.From; at.Before(l.To); at = at.Add(truthStep) {
		w.compare(f, at, &l, under)
	}
	for i, u := range under {
		if u {
			l.Under = append(l.Under, w.opts.Farm.Zones[i].Name)
		}
	}
	return l
}

// compare solves the fence with and without a fault at one moment.
func (w *world) compare(f *Fault, at time.Time, l *Label, under []bool) {
	var with, without []*Fault
	for i := range w.opts.Faults {
		o := &w.opts.Faults[i]
		if !o.active(at) || o.Kind == Flapping && o != f {
			continue
		}
		with = append(with, o)
		if o != f {
			without = append(without, o)
		}
	}
	w.solve(at, state{faults: without})
	before := slices.Clone(w.net.volts)
	earth := slices.Clone(w.earthVolts)
	w.solve(at, state{faults: with})
	shows := false
	for i := range w.zones {
		node := w.net.zones[i].end
		a, b := before[node], w.net.volts[node]
		shows = shows || math.Abs(b-a) > showsRatio*a
		if least := w.opts.Farm.Zones[i].MinimumVolts; a >= least && b < least {
			under[i] = true
			if l.UnderFrom.IsZero() {
				l.UnderFrom = at
			}
		}
	}
	for i := range earth { // the stakes of a weak earth speak before the wire does
		shows = shows || f.Kind == PoorEarth && w.earthVolts[i] > 2*earth[i]
	}
	if shows && l.Shows.IsZero() {
		l.Shows = at
	}
}

// growthLabels fills the levels, and labels each stretch of days in which growth holds a zone under its minimum.
func (w *world) growthLabels(t *Truth) {
	days := int(w.opts.Length / (24 * time.Hour))
	grown, bare := w.levels(days, false), w.levels(days, true)
	for i := range w.zones {
		z := &w.opts.Farm.Zones[i]
		t.Levels[z.Name] = grown[i]
		l, open := Label{}, false
		lastUnder, running := 0, 0
		for d := range days {
			under := grown[i][d] < z.MinimumVolts && bare[i][d] >= z.MinimumVolts
			if open && (d-lastUnder > backDays || w.cut(i, d)) {
				t.Labels = append(t.Labels, l)
				open = false
			}
			if !under {
				running = 0
				continue
			}
			day := w.opts.Start.Add(time.Duration(d) * 24 * time.Hour)
			if !open {
				l, open = w.newGrowth(z, day), true
				l.SeenFrom = w.seenFrom(z, grown[i], t.Gains[z.Source()], d)
			}
			lastUnder = d
			if running++; running == 3 && l.HoldsFrom.IsZero() {
				l.HoldsFrom = day.Add(-2 * 24 * time.Hour)
			}
			l.DaysUnder++
			l.To = day.Add(24 * time.Hour)
		}
		if open {
			t.Labels = append(t.Labels, l)
		}
	}
}

func (w *world) newGrowth(z *farm.Zone, day time.Time) Label {
	return Label{
		Kind: Growth, Source: z.Source(), From: day, Shows: day, Causes: []string{"vegetation"},
		Under: []string{z.Name}, UnderFrom: day,
	}
}

// seenFrom looks for the day near d when the level as the zone's sensor reads it goes under.
func (w *world) seenFrom(z *farm.Zone, level []float64, gain float64, d int) time.Time {
	if gain == 0 {
		return time.Time{}
	}
	for d > 0 && level[d-1]*gain < z.MinimumVolts {
		d--
	}
	for d < len(level) && level[d]*gain >= z.MinimumVolts {
		d++
	}
	if d == len(level) {
		return time.Time{}
	}
	return w.opts.Start.Add(time.Duration(d) * 24 * time.Hour)
}

// cut reports whether growth was cut in zone i on day d.
func (w *world) cut(i, d int) bool {
	h := w.zones[i].heightMM
	return d > 0 && h[min(d*24, len(h)-1)] < h[(d-1)*24]-20
}

// levels returns each zone's daily 75th percentile with no scripted fault, and with no growth either when bare.
func (w *world) levels(days int, bare bool) [][]float64 {
	out := make([][]float64, len(w.zones))
	volts := make([][]float64, len(w.zones))
	for d := range days {
		for i := range volts {
			volts[i] = volts[i][:0]
		}
		day := w.opts.Start.Add(time.Duration(d) * 24 * time.Hour)
		for off := time.Duration(0); off < 24*time.Hour; off += truthStep {
			w.solve(day.Add(off), state{bare: bare})
			for i := range volts {
				volts[i] = append(volts[i], w.net.volts[w.net.zones[i].end])
			}
		}
		for i := range volts {
			slices.Sort(volts[i])
			out[i] = append(out[i], volts[i][len(volts[i])*3/4])
		}
	}
	return out
}

// String says in one line what the label is about.
func (l Label) String() string {
	at := ""
	if l.AtM != nil {
		at = fmt.Sprintf(" at %.0f m", *l.AtM)
	}
	return fmt.Sprintf("%s on %s%s, %s to %s, under %v from %s", l.Kind, l.Source, at,
		l.From.Format(time.DateTime), l.To.Format(time.DateTime), l.Under, l.UnderFrom.Format(time.DateTime))
}
