package detect_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"nightwire/alerts"
)

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
