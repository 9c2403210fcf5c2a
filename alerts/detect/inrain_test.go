package detect_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"nightwire/alerts"
)

// downpour has all wires leak up to times as much, as fast as over tells, each its own share of that.
func (b *bench) downpour(times float64, over time.Duration) {
	w, from := b.wires["cartshed"], b.now
	dry, share := make([]float64, len(w.spans)), make([]float64, len(w.spans))
	for i := range w.spans {
		dry[i], share[i] = w.spans[i].leak, math.Exp(0.3*b.rng.NormFloat64())
	}
	b.while = func(now time.Time) {
		wet := 1 - math.Exp(-float64(now.Sub(from))/float64(over))
		for i := range w.spans {
			w.spans[i].leak = dry[i] * (1 + (times-1)*share[i]*wet)
		}
	}
}

// rainy returns a bench on a random fence on which it has begun to rain some minutes ago, and what draws at random.
func rainy(t *testing.T, seed uint64) (*bench, *rand.Rand) {
	rng := rand.New(rand.NewPCG(seed, 31))
	f := row(time.Minute)
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM, f.Zones[i].MinimumVolts = 1500+4000*rng.Float64(), 2500
		if rng.IntN(2) == 0 {
			f.Zones[i].Sensor.Every = 5 * time.Minute
		}
	}
	b := newBench(t, f)
	b.draws(1e-4 + 2e-4*rng.Float64())
	b.run(30 * time.Hour)
	b.downpour(2+3*rng.Float64(), time.Duration(5+10*rng.Float64())*time.Minute)
	b.run(time.Duration(5+20*rng.Float64()) * time.Minute)
	return b, rng
}

// A joint that goes bad in a downpour is told as one, and stays told as one when rain that goes on has the zones before
// it down too, which no joint does: nothing else explains what is seen any better. Of 150 such fences these are three
// where it was not so.
func TestBadJointInADownpour(t *testing.T) {
	for _, seed := range []uint64{14, 104, 192} {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			b, rng := rainy(t, seed)
			s := &b.wires["cartshed"].spans[1+rng.IntN(2)]
			s.part = rng.Float64()
			s.inLine = 4000 + 12000*rng.Float64()
			from := len(b.events)
			b.run(40 * time.Minute)
			told := false
			for _, e := range b.events[from:] {
				told = told || e.Cause == alerts.Joint
				if told && e.Kind != alerts.Returned && e.Cause == alerts.Short {
					b.show()
					t.Fatalf("told as %s after it was told as a bad joint", e.Cause)
				}
			}
			if !told {
				b.show()
				t.Error("not told as a bad joint")
			}
		})
	}
}
