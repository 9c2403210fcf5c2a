package detect_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// The battery is swapped, and the wire has come down meanwhile: an energizer that pulses is not off, and what else is
// wrong is told as soon as it can be seen.
func TestShortFoundWhenTheEnergizerPulsesAgain(t *testing.T) {
	for _, tt := range []struct {
		name string
		off  time.Duration
	}{{"soon", 40 * time.Minute}, {"after a night", 9 * time.Hour}} {
		t.Run(tt.name, func(t *testing.T) {
			b, ohms := newBench(t, paddocks()), 60.0
			b.stakes(&ohms)
			b.run(30 * time.Hour)
			w := b.wires["cartshed"]
			open := w.open
			w.open = 0
			b.run(tt.off)
			b.about("energizer/cartshed", alerts.Off)
			brook := b.zone("brook")
			brook.short, brook.part = 1.0/150, 0.3
			w.open = open
			on := b.now
			b.run(30 * time.Minute)
			off, again := b.about("energizer/cartshed", alerts.Off), b.alarms()
			if off.over.IsZero() || off.over.Sub(on) > 10*time.Minute || !strings.Contains(off.last().Text, "pulses again, but") {
				b.show()
				t.Errorf("the energizer is off until %s, %q; it pulses since %s", off.over, off.last().Text, on)
			}
			if len(again) != 2 || again[1].last().Cause != alerts.Short || again[1].raised.Sub(on) > 15*time.Minute || !again[1].over.IsZero() {
				b.show()
				t.Fatalf("%d alarms, want a second one of the wire on the ground within a quarter of an hour", len(again))
			}
			w.mend()
			b.run(time.Hour)
			if a := b.alarms(); len(a) != 2 || a[1].over.IsZero() {
				b.show()
				t.Error("stands though the wire is mended")
			}
		})
	}
}

// Rain has the zones under their minimum and goes on when the energizer stops: it is no rain that leaves a wire dead.
func TestEnergizerOffInTheRain(t *testing.T) {
	f := paddocks()
	needing(f, 5000)
	b := newBench(t, f)
	b.draws(2e-4)
	b.run(30 * time.Hour)
	w, began := b.wires["cartshed"], b.now
	open, dry := w.open, make([]float64, len(w.spans))
	for i, s := range w.spans {
		dry[i] = s.leak
	}
	b.while = func(now time.Time) {
		m := now.Sub(began).Minutes()
		for i := range w.spans {
			w.spans[i].leak = dry[i] * (1 + 5*(1-math.Exp(-m/8)))
		}
		if m > 29.4 { // a gust: lane, at 26 seconds past, shows it twice, and is the first to show that the energizer stops
			b.zone("lane").leak *= 1.5
		}
		w.open = open
		if m > 31.4 {
			w.open = 0
		}
	}
	b.run(40 * time.Minute)
	off := b.about("energizer/cartshed", alerts.Off)
	if late := off.raised.Sub(began.Add(31 * time.Minute)); late > 3*time.Minute {
		b.show()
		t.Errorf("told %s after it stopped", late)
	}
	for _, a := range b.alarms() {
		if a.last().Condition == alerts.Dead {
			b.show()
			t.Fatalf("told as dead of %s: %s", a.last().Cause, a.last().Text)
		}
	}
}

// What the stakes carry while a wire touches earth is no measure of what they carry as a rule: at the next touch they would
// seem to carry no more than ever, as with an energizer that is off.
func TestStakesBetweenTouches(t *testing.T) {
	b, ohms := newBench(t, paddocks()), 60.0
	b.stakes(&ohms)
	b.draws(2e-4)
	b.run(30 * time.Hour)
	brook, began := b.zone("brook"), b.now
	b.while = func(now time.Time) {
		brook.short, brook.part = 0, 0.02
		if m := int(now.Sub(began).Minutes()); m%11 < 4 || m%11 == 5 || m%11 == 6 {
			brook.short = 1.0 / 20
		}
	}
	b.run(3 * time.Hour)
	for _, a := range b.alarms() {
		for _, e := range a.events {
			if e.Cause == alerts.EnergizerOff || e.Cause == alerts.EnergizerWeak {
				b.show()
				t.Fatalf("told as %s: %s", e.Cause, e.Text)
			}
		}
	}
}

// A board on a dead wire may show a few volts of its own. Stakes that carry nothing say that the energizer gives nothing, and
// not that the wire lies on the ground.
func TestNothingOnTheStakes(t *testing.T) {
	f := paddocks()
	needing(f, 600)
	b, ohms := newBench(t, f), 60.0
	b.stakes(&ohms)
	b.draws(3e-3)
	b.run(30 * time.Hour)
	w, stakes := b.wires["cartshed"], b.alter
	b.alter = func(d *device, r *pulse.Reading) bool {
		if ok := stakes(d, r); d.source == "zone/lane" && w.open == 0 {
			r.Set(pulse.Volts, 60)
			return ok
		}
		return true
	}
	w.open = 0
	b.run(time.Hour)
	if a := b.only(); a.first().Cause != alerts.EnergizerOff {
		b.show()
		t.Errorf("told first as %s: %s", a.first().Cause, a.first().Text)
	}
}

// A path to earth that leaves the zones over their minimum is told as that; when wet takes them under on top of it the same
// alarm says so, for by then stock walk out.
func TestDroppedThenUnder(t *testing.T) {
	f := paddocks()
	needing(f, 3000)
	b := newBench(t, f)
	b.draws(2e-4)
	b.run(30 * time.Hour)
	hazel, w := b.zone("hazel"), b.wires["cartshed"]
	hazel.short, hazel.part = 1.0/1500, 0.5
	b.run(2 * time.Hour)
	if a := b.only(); a.last().Condition != alerts.Dropping {
		b.show()
		t.Fatalf("told as %s, want that the zones have dropped", a.last().Condition)
	}
	began, dry := b.now, make([]float64, len(w.spans))
	for i, s := range w.spans {
		dry[i] = s.leak
	}
	b.while = func(now time.Time) {
		for i := range w.spans {
			w.spans[i].leak = dry[i] * (1 + 12*min(1, now.Sub(began).Hours()/4))
		}
	}
	b.run(8 * time.Hour)
	if a := b.only(); a.last().Condition != alerts.Low || a.last().Priority != alerts.High || a.last().Cause != alerts.Short {
		b.show()
		t.Errorf("with the zones under their minimum: %s, %s, %s", a.last().Condition, a.last().Priority, a.last().Cause)
	}
}

// An energizer that fails at a stroke on a fence wet with dew looks like a wire that touches earth. As the dew dries
// the fence comes part of the way back, and that is no sign that it was rain: it would stand higher.
func TestFaultOutlastsTheDew(t *testing.T) {
	f := paddocks()
	reportEvery(f, time.Minute)
	needing(f, 2000)
	f.Zones[0].OhmsPerKM = 18
	b := newBench(t, f)
	b.draws(1e-4)
	failed := 5*24*time.Hour + 5*time.Hour // at which it is wettest
	b.dewed(8, func(h float64) float64 {
		if h > failed.Hours() {
			return 0.6
		}
		return 1
	})
	b.run(failed + 12*time.Hour)
	var standing []*told
	for _, a := range b.alarms() {
		if a.over.IsZero() {
			standing = append(standing, a)
		} else if a.raised.After(b.now.Add(-14 * time.Hour)) {
			b.show()
			t.Errorf("over at %s: %s", a.over, a.last().Text)
		}
	}
	if len(standing) != 1 || !strings.Contains(standing[0].last().Text, "cartshed gives too little") {
		b.show()
		t.Fatalf("%d alarms stand by day, want one that names the energizer", len(standing))
	}
}
