package detect_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// A path to earth in the first metres would show what an energizer shows that gives less at a stroke. It
// would have to lie in just those metres, so it is the energizer that is told; a path to earth further on is told as one.
func TestWeakAtAStrokeIsNoShortInTheFirstMetres(t *testing.T) {
	for _, ohms := range []float64{400, 1000, 4000} {
		f := paddocks()
		for i := range f.Zones {
			f.Zones[i].OhmsPerKM, f.Zones[i].MinimumVolts = ohms, 1000
		}
		b := newBench(t, f)
		b.run(30 * time.Hour)
		b.wires["cartshed"].open *= 0.6
		b.run(time.Hour)
		if a := b.only(); a.last().Cause != alerts.EnergizerWeak {
			b.show()
			t.Errorf("at %g ohms a kilometre told as %s of %s", ohms, a.last().Cause, a.last().Source)
		}
		if text := b.only().last().Text; strings.Contains(text, "or a wire touches") && !strings.Contains(text, "earth lead") {
			t.Errorf("an energizer measured alone draws nothing through its earth, and nobody is sent to look at that: %s", text)
		}
		b.wires["cartshed"].open /= 0.6
		b.run(3 * time.Hour)
		if b.only().over.IsZero() {
			b.show()
			t.Errorf("at %g ohms a kilometre the alarm stands though the energizer is well", ohms)
		}
		b.zone("brook").part, b.zone("brook").short = 0.8, 1.0/150
		b.run(time.Hour)
		if all := b.alarms(); len(all) != 2 || all[1].last().Cause != alerts.Short {
			b.show()
			t.Errorf("at %g ohms a kilometre %d alarms, want a second, of a short", ohms, len(all))
		}
	}
}

// carried makes the energizer's sensor report what the current takes over the ohms of the stakes.
func (b *bench) carried(ohms float64) {
	w, volts := b.wires["cartshed"], make([]float64, 5)
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.node == 0 {
			w.volts(volts)
			r.Set(pulse.EarthVolts, ohms*(w.open-volts[0])/w.source*(1+0.05*b.rng.NormFloat64()))
		}
		return true
	}
}

// On steel the volts on the wire do not tell a path to earth from an energizer that gives less: those on the stakes do, and
// where nobody measures them the alarm names both.
func TestStakesTellAShortFromAWeakEnergizer(t *testing.T) {
	weak := func(b *bench) { b.wires["cartshed"].open *= 0.6 }
	short := func(b *bench) { b.zone("brook").part, b.zone("brook").short = 0.05, 1.0/500 }
	for _, tt := range []struct {
		name   string
		stakes float64 // ohms, 0 where they are not measured
		fail   func(*bench)
		want   []alerts.Cause // one of these
	}{
		{"an energizer", 60, weak, []alerts.Cause{alerts.EnergizerWeak}},
		{"a path to earth", 60, short, []alerts.Cause{alerts.Short}},
		{"an energizer, stakes unmeasured", 0, weak, []alerts.Cause{alerts.EnergizerWeak, alerts.Short}},
		{"a path to earth, stakes unmeasured", 0, short, []alerts.Cause{alerts.Short}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			steel(f)
			b := newBench(t, f)
			if tt.stakes > 0 {
				b.carried(tt.stakes)
			}
			b.run(30 * time.Hour)
			b.quiet()
			tt.fail(b)
			b.run(time.Hour)
			e := b.only().last()
			if !slices.Contains(tt.want, e.Cause) {
				b.show()
				t.Errorf("told as %s of %s, want one of %s", e.Cause, e.Source, tt.want)
			}
			if strings.Contains(e.Text, "alone") && !strings.Contains(e.Text, "switch on and measure cartshed alone") {
				t.Errorf("tells nobody to switch on again, or to measure the energizer: %s", e.Text)
			}
			other := map[alerts.Cause]alerts.Cause{alerts.EnergizerWeak: alerts.Short, alerts.Short: alerts.EnergizerWeak}[e.Cause]
			if both := strings.Contains(e.Text, "alone") && strings.Contains(e.Text, "touch"); both != (tt.stakes == 0) || both != (e.Or == other) {
				t.Errorf("names both: %t, want %t, and has %s or %q: %s", both, tt.stakes == 0, e.Cause, e.Or, e.Text)
			}
		})
	}
}

// An energizer that gives less and pulses more slowly is no path to earth, be the stakes measured or not: what touches a wire
// leaves the pulses their pace. Where they keep it, the alarm names both.
func TestSlowerPulsesTellAWeakEnergizer(t *testing.T) {
	for _, slower := range []bool{true, false} {
		f := paddocks()
		steel(f)
		b := newBench(t, f)
		supply, interval := 12.6, 1300.0
		b.supplied(&supply, &interval)
		b.run(30 * time.Hour)
		b.quiet()
		b.wires["cartshed"].open *= 0.6
		if slower {
			interval *= 1.25
		}
		b.run(time.Hour)
		e := b.only().last()
		if slower && (e.Cause != alerts.EnergizerWeak || e.Source != "energizer/cartshed") {
			b.show()
			t.Errorf("told as %s of %s", e.Cause, e.Source)
		}
		if !slower && !strings.Contains(e.Text, "earth lead") {
			t.Errorf("an earth lead that is loose looks so too, and nobody is sent to look at it: %s", e.Text)
		}
		if both := strings.Contains(e.Text, "alone") && strings.Contains(e.Text, "touch"); both == slower {
			t.Errorf("pulses slower: %t, names both: %t: %s", slower, both, e.Text)
		}
	}
}

// An earth that fails at a stroke takes the fence down as a weak energizer would, and puts on the stakes what the fence lost.
func TestEarthThatFailsAtAStroke(t *testing.T) {
	for _, ohms := range []float64{30, 4000} {
		f := paddocks()
		for i := range f.Zones {
			f.Zones[i].OhmsPerKM, f.Zones[i].MinimumVolts = ohms, 1500
		}
		b := newBench(t, f)
		b.wires["cartshed"] = newWire(f, "cartshed", 1e-3)
		for _, d := range b.devices {
			d.wire = b.wires["cartshed"]
		}
		earth, w, volts := 60.0, b.wires["cartshed"], make([]float64, 5)
		b.alter = func(d *device, r *pulse.Reading) bool {
			if d.node == 0 {
				w.volts(volts)
				r.Set(pulse.EarthVolts, earth*(w.open-volts[0])/w.source)
			}
			return true
		}
		b.run(30 * time.Hour)
		b.quiet()
		earth, w.source = earth+700, w.source+700
		b.run(3 * time.Hour)
		if e := b.only().last(); e.Cause != alerts.PoorEarth || e.Source != "energizer/cartshed" || e.Condition != alerts.Earth || len(e.Zones) != 4 {
			b.show()
			t.Errorf("at %g ohms a kilometre told as %s of %s, condition %s, with %v", ohms, e.Cause, e.Source, e.Condition, e.Zones)
		}
		earth, w.source = 60, w.source-700
		b.run(3 * time.Hour)
		if b.only().over.IsZero() {
			b.show()
			t.Errorf("at %g ohms a kilometre the alarm stands though the earth is well", ohms)
		}
	}
}

// A path to earth anywhere on wire of few ohms looks as one in the first metres of what is joined to it. Of a whole
// zone and of a few metres, the zone is where to walk.
func TestShortOnWireOfFewOhms(t *testing.T) {
	for _, part := range []float64{0.1, 0.3, 0.5, 0.7, 0.9} {
		for _, ohms := range []float64{150, 500} {
			t.Run(fmt.Sprintf("%.0f ohms at %.1f", ohms, part), func(t *testing.T) {
				f := paddocks()
				f.Zones[0].OhmsPerKM = 20
				f.Zones[1].FedBy, f.Zones[3].FedBy = "cartshed", "cartshed"
				b := newBench(t, f)
				b.draws(2e-4)
				b.run(30 * time.Hour)
				brook := b.zone("brook")
				brook.short, brook.part = 1/ohms, part
				b.run(time.Hour)
				if a := b.only(); a.last().Source != "zone/brook" || a.last().Cause != alerts.Short {
					b.show()
					t.Errorf("told of %s as %s", a.last().Source, a.last().Cause)
				}
			})
		}
	}
}
