package detect_test

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// A sensor that lost some reports tells of the fence as it was before them. What a bad joint saves is gained before it: that
// must not be held against levels from after, or the one that dropped would seem to lie.
func TestJointWhileReportsAreLost(t *testing.T) {
	f := paddocks()
	f.Zones[0].OhmsPerKM = 9000
	b := newBench(t, f)
	b.draws(6e-4)
	b.run(30 * time.Hour)
	b.quiet()
	began := b.now
	b.while = func(now time.Time) {
		if now.Sub(began) > 3*time.Minute {
			b.zone("lane").inLine = 6000
		}
	}
	b.alter = func(d *device, _ *pulse.Reading) bool {
		m := b.now.Sub(began).Minutes()
		return d.source != "zone/lane" || m > 9
	}
	b.run(2 * time.Hour)
	if a := b.only(); a.first().Source != "zone/lane" || a.first().Cause != alerts.Joint {
		b.show()
		t.Errorf("told of %s as %s", a.first().Source, a.first().Cause)
	}
}

// In a downpour the sensors cross the limit of what is odd one after another, those far out first. Who crosses it last was on
// the way down with the rest, and not well until then: the whole way down counts, by which rain is known.
func TestDownpourOddOneAfterAnother(t *testing.T) {
	for _, times := range []float64{6, 10} {
		f := paddocks()
		needing(f, 3000)
		b := newBench(t, f)
		b.noise = 0.012
		b.draws(4e-4)
		b.run(30 * time.Hour)
		w, began := b.wires["cartshed"], b.now
		dry := make([]float64, len(w.spans))
		for i, s := range w.spans {
			dry[i] = s.leak
		}
		b.while = func(now time.Time) {
			for i := range w.spans {
				w.spans[i].leak = dry[i] * (1 + times*(1-math.Exp(-now.Sub(began).Minutes()/5)))
			}
		}
		b.run(time.Hour)
		for _, a := range b.alarms() {
			if a.first().Cause != alerts.Vegetation {
				b.show()
				t.Errorf("told of %s as %s", a.first().Source, a.first().Cause)
			}
		}
	}
}
