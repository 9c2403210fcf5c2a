package farm

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"
)

// Layout is the fence as it was laid out from one moment on, for the history.
type Layout struct {
	Energizers []Energizer `json:"energizers"`
	Zones      []Zone      `json:"zones"`
}

// Layout returns the farm's layout.
func (f *Farm) Layout() Layout {
	return Layout{Energizers: slices.Clone(f.Energizers), Zones: slices.Clone(f.Zones)}
}

// Sources returns every energizer and zone of the layout.
func (l Layout) Sources() []Source {
	var out []Source
	for i := range l.Energizers {
		out = append(out, l.Energizers[i].Source())
	}
	for i := range l.Zones {
		out = append(out, l.Zones[i].Source())
	}
	return out
}

// Laid returns the farm with another layout.
func (f *Farm) Laid(l Layout) *Farm {
	g := *f
	g.Energizers, g.Zones = l.Energizers, l.Zones
	return &g
}

// circuit is what the readings of one fence depend on, as text.
func (f *Farm) circuit(energizer string) string {
	e := f.Energizer(energizer)
	if e == nil {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s %g V %g ohm", e.Name, e.OpenVolts, e.SourceOhms)
	for _, z := range f.Feeding(energizer) {
		fmt.Fprintf(&b, "; %s by %s %g m %g ohm/km joined %s", z.Name, z.FedBy, z.LengthM, z.OhmsPerKM, z.JoinedTo)
	}
	return b.String()
}

// Changes says in words what l has other than old, a phrase each; none when they are the same.
func (l Layout) Changes(old Layout) []string {
	a, b := (&Farm{}).Laid(old), (&Farm{}).Laid(l)
	var out []string
	for i := range b.Energizers {
		e := &b.Energizers[i]
		switch was := a.Energizer(e.Name); {
		case was == nil:
			out = append(out, e.Source().Called()+" is new")
		case !reflect.DeepEqual(*was, *e):
			out = append(out, e.Source().Called()+" is set otherwise")
		}
	}
	for i := range b.Zones {
		out = append(out, zoneChanges(a.Zone(b.Zones[i].Name), &b.Zones[i])...)
	}
	for i := range a.Zones {
		if name := a.Zones[i].Name; b.Zone(name) == nil {
			out = append(out, name+" is gone")
		}
	}
	for i := range a.Energizers {
		if e := &a.Energizers[i]; b.Energizer(e.Name) == nil {
			out = append(out, e.Source().Called()+" is gone")
		}
	}
	return out
}

// zoneChanges says what a zone has other than it had; nil for one that was not there.
func zoneChanges(was, z *Zone) []string {
	switch {
	case was == nil:
		return []string{fmt.Sprintf("%s is new, %g m fed by %s", z.Name, z.LengthM, z.FedBy)}
	case reflect.DeepEqual(*was, *z):
		return nil
	}
	var out []string
	if was.FedBy != z.FedBy {
		out = append(out, fmt.Sprintf("%s is fed by %s, not %s", z.Name, z.FedBy, was.FedBy))
	}
	if was.LengthM != z.LengthM {
		out = append(out, fmt.Sprintf("%s is %g m long, not %g m", z.Name, z.LengthM, was.LengthM))
	}
	if was.Stock != z.Stock {
		out = append(out, fmt.Sprintf("%s holds %s, not %s", z.Name, orNothing(z.Stock), orNothing(was.Stock)))
	}
	if was.MinimumVolts != z.MinimumVolts {
		out = append(out, fmt.Sprintf("%s needs %g kV, not %g kV", z.Name, z.MinimumVolts/1000, was.MinimumVolts/1000))
	}
	if len(out) == 0 {
		out = append(out, z.Name+" is set otherwise")
	}
	return out
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// Dated is a layout and when it began.
type Dated struct {
	From time.Time
	Layout
}

// History is every layout that there was, oldest first.
type History []Dated

// At returns the layout of a moment: the newest that had begun. Before the first one it is the first.
func (h History) At(t time.Time) (Layout, bool) {
	if len(h) == 0 {
		return Layout{}, false
	}
	i := len(h) - 1
	for i > 0 && h[i].From.After(t) {
		i--
	}
	return h[i].Layout, true
}

// Within returns the layouts that were in force at any time from from to to, oldest first.
func (h History) Within(from, to time.Time) History {
	first, last := 0, len(h)
	for first+1 < last && !h[first+1].From.After(from) {
		first++
	}
	for last > first+1 && !h[last-1].From.Before(to) {
		last--
	}
	return h[first:last]
}

// Minimum is what a zone needed from a time on. Volts is 0 while it was not there, or needed nothing.
type Minimum struct {
	From  time.Time
	Volts float64
}

// Minimums returns what a zone needed over time: an entry for each change, oldest first. The first holds for the time
// before it too.
func (h History) Minimums(zone string) []Minimum {
	var out []Minimum
	for _, d := range h {
		m := Minimum{From: d.From}
		if z := (&Farm{}).Laid(d.Layout).Zone(zone); z != nil {
			m.Volts = z.MinimumVolts
		}
		if k := len(out); k == 0 || out[k-1].Volts != m.Volts {
			out = append(out, m)
		}
	}
	return out
}

// MinimumAt returns what a zone needed at a time, in volts; 0 while it was not there.
func (h History) MinimumAt(zone string, t time.Time) float64 {
	l, _ := h.At(t)
	if z := (&Farm{}).Laid(l).Zone(zone); z != nil {
		return z.MinimumVolts
	}
	return 0
}

// Since returns from when on the circuit of an energizer of the newest layout is what it is. It is zero when it always
// was.
func (h History) Since(energizer string) time.Time {
	if len(h) == 0 {
		return time.Time{}
	}
	now := (&Farm{}).Laid(h[len(h)-1].Layout).circuit(energizer)
	for i := len(h) - 1; i > 0; i-- {
		if (&Farm{}).Laid(h[i-1].Layout).circuit(energizer) != now {
			return h[i].From
		}
	}
	return time.Time{}
}

// Gone returns the zones and energizers that the newest layout no longer has, as they last were.
func (h History) Gone() Layout {
	var out Layout
	if len(h) == 0 {
		return out
	}
	seen := (&Farm{}).Laid(h[len(h)-1].Layout)
	for i := len(h) - 1; i >= 0; i-- {
		for _, z := range h[i].Zones {
			if seen.Zone(z.Name) == nil && (&Farm{}).Laid(out).Zone(z.Name) == nil {
				out.Zones = append(out.Zones, z)
			}
		}
		for _, e := range h[i].Energizers {
			if seen.Energizer(e.Name) == nil && (&Farm{}).Laid(out).Energizer(e.Name) == nil {
				out.Energizers = append(out.Energizers, e)
			}
		}
	}
	return out
}
