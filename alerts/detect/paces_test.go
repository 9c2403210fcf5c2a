package detect_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"nightwire/alerts"
)

// Rain that goes on is seen by each sensor at a moment of its own. When a zone is told as low with growth, a slow sensor last spoke
// at the beginning of the rain, and what it shows next is no wire on the ground.
func TestRainSeenAtManyPaces(t *testing.T) {
	wrong := 0
	for seed := range uint64(40) {
		f := paddocks()
		needing(f, 3500)
		ownPaces(f)
		b := newBench(t, f)
		b.rng = rand.New(rand.NewPCG(seed, 5))
		b.noise = 0.012
		b.run(30 * time.Hour)
		b.quiet()
		b.soak(8+float64(seed/2), time.Duration(25+seed)*time.Minute)
		for _, a := range b.alarms() {
			if a.first().Cause != alerts.Vegetation {
				t.Logf("seed %d: %s told %s as %s: %s", seed, a.raised.Format("15:04"), a.first().Source, a.first().Cause, a.first().Text)
				wrong++
			}
		}
	}
	if wrong > 3 {
		t.Errorf("%d alarms of something else in 40 rains, want at most 3", wrong)
	}
}

// deepening are minimums that rain takes the zones of a fence under, most of which comes within a time.
var deepening = []struct {
	minimum float64
	wets    time.Duration
}{{5500, 10 * time.Minute}, {6300, 16 * time.Minute}}

// Rain shows a little of itself before it is odd, and goes on: nobody is woken to look for a wire on the ground.
func TestRainThatDeepensIsNoTouch(t *testing.T) {
	for _, tt := range deepening {
		wrong := 0
		for seed := range uint64(25) {
			f := paddocks()
			needing(f, tt.minimum)
			b := newBench(t, f)
			b.rng = rand.New(rand.NewPCG(seed, 5))
			b.noise = 0.01
			b.run(10 * time.Hour)
			b.events = nil
			b.soak(6+float64(seed), tt.wets)
			for _, a := range b.alarms() {
				if a.first().Cause != alerts.Vegetation {
					wrong++
				}
			}
		}
		if wrong > 4 {
			t.Errorf("%.0f V, %s: %d alarms of something else in 25 rains, want at most 4", tt.minimum, tt.wets, wrong)
		}
	}
}
