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
}{
	{"over five minutes, each minute", time.Minute, 5 * time.Minute},
	{"over ten minutes, each two", 2 * time.Minute, 8 * time.Minute},
	{"over a quarter of an hour, each five", 5 * time.Minute, 15 * time.Minute},
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
			b.soak(30, tt.wets)
			for _, a := range b.alarms() {
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
	began := b.now
	dry := map[*span]float64{}
	for _, z := range b.farm.Zones {
		s := b.zone(z.Name)
		dry[s] = s.leak
	}
	b.while = func(now time.Time) {
		h := now.Sub(began)
		wet := 1 - expFall(h, wets/3)
		if rain := 2 * time.Hour; h > rain {
			wet = expFall(h-rain, 90*time.Minute)
		}
		for s, g := range dry {
			s.leak = g * (1 + (times-1)*wet)
		}
	}
	b.run(10 * time.Hour)
	b.while = nil
	for s, g := range dry {
		s.leak = g
	}
}

// expFall is what is left after so long of what falls by the factor e in every tau.
func expFall(after, tau time.Duration) float64 { return math.Exp(-after.Seconds() / tau.Seconds()) }
