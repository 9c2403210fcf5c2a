package detect_test

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts"
)

// cloudbursts multiply every leakage within minutes, so far that zones go under their minimum.
var cloudbursts = []struct {
	name  string
	every time.Duration
	wets  time.Duration // in which most of it comes
	times float64       // more leakage
}{
	{"over five minutes, each minute", time.Minute, 5 * time.Minute, 30},
	{"over ten minutes, each two", 2 * time.Minute, 8 * time.Minute, 30},
	{"over a quarter of an hour, each five", 5 * time.Minute, 15 * time.Minute, 30},
	{"between two reports, each ten", 10 * time.Minute, 6 * time.Minute, 30},
}

// What comes over several readings, on all zones, is no wire that touched at a stroke, however deep it goes: the last
// word on it is wet growth. It dries away over hours, and crossing a limit to and fro meanwhile is no loose contact.
func TestCloudburstUnderTheMinimum(t *testing.T) {
	for _, tt := range cloudbursts {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			reportEvery(f, tt.every)
			b := newBench(t, f)
			b.noise = 0.012
			b.run(36 * time.Hour)
			b.quiet()
			b.soak(tt.times, tt.wets)
			all := b.alarms()
			if len(all) == 0 {
				t.Error("nothing was told of zones under their minimum")
			}
			for _, a := range all {
				if e := a.last(); e.Cause != alerts.Vegetation {
					b.show()
					t.Errorf("told %s at last as %s", e.Source, e.Cause)
				}
			}
		})
	}
}

// soak multiplies every leakage by times with a time constant of a third of wets, for two hours, and lets it dry for eight.
func (b *bench) soak(times float64, wets time.Duration) {
	b.t.Helper()
	more := map[string]float64{}
	for _, z := range b.farm.Zones {
		more[z.Name] = times - 1
	}
	b.wetten(more, 10*time.Hour, func(h float64) float64 {
		if h > 2 {
			return expFall(h-2, 1.5)
		}
		return 1 - expFall(h, wets.Hours()/3)
	})
}

// expFall is what is left after so long of what falls by the factor e in every tau.
func expFall(after, tau float64) float64 { return math.Exp(-after / tau) }

// A wet fence draws on the ohms of the source and of the earth, which nobody knows to a third: what it loses there is no
// weak energizer. One that truly gives less is told, wet or dry.
func TestWetFenceIsNoWeakEnergizer(t *testing.T) {
	b := newBench(t, paddocks())
	b.wires["cartshed"].source *= 1.4
	b.run(50 * time.Hour)
	b.quiet()
	b.soak(40, 20*time.Minute)
	for _, a := range b.alarms() {
		if e := a.last(); e.Cause == alerts.EnergizerWeak {
			b.show()
			t.Errorf("told as a weak energizer: %s", e.Text)
		}
	}
	b.run(24 * time.Hour)
	b.events = nil
	b.wires["cartshed"].open *= 0.6
	b.run(2 * time.Hour)
	if a := b.only(); a.last().Cause != alerts.EnergizerWeak {
		t.Errorf("an energizer that gives 60 %% is told as %s", a.last().Cause)
	}
}

// An energizer that fails over minutes takes every zone down alike, which rain does not.
func TestEnergizerThatFailsOverMinutes(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(50 * time.Hour)
	b.quiet()
	w, began := b.wires["cartshed"], b.now
	full := w.open
	b.while = func(now time.Time) { w.open = full * max(0.6, 1-now.Sub(began).Minutes()/25) }
	b.run(2 * time.Hour)
	if a := b.only(); a.last().Cause != alerts.EnergizerWeak || a.last().Source != "energizer/cartshed" {
		b.show()
		t.Errorf("told of %s as %s", a.last().Source, a.last().Cause)
	}
}
