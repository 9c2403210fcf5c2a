package detect_test

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// A sensor that shows a sixth less from one reading to the next, and no other moves, is at fault: no rain is that quick.
func TestSensorLosesASixth(t *testing.T) {
	f := paddocks()
	b := newBench(t, f)
	b.draws(4e-4)
	b.run(30 * time.Hour)
	began := b.now
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); d.source == "zone/brook" && b.now.After(began) {
			r.Set(pulse.Volts, math.Round(v*0.083)*10)
		}
		return true
	}
	b.run(2 * time.Hour)
	if a := b.only(); a.first().Condition != alerts.FaultySensor || a.first().Source != "zone/brook" {
		b.show()
		t.Errorf("told of %s as %s", a.first().Source, a.first().Cause)
	}
}
