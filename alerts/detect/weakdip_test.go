package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// A zone that growth has next to dead shows little but noise, and less of it while the energizer gives less. That its
// readings cross the limit of what is odd is no contact that comes and goes.
func TestNoiseOfAWeakZoneIsNoContact(t *testing.T) {
	f := paddocks()
	f.Zones[1].Sensor.Every = 30 * time.Minute
	b := newBench(t, f)
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); d.source == "zone/lane" {
			r.Set(pulse.Volts, v*(1+0.06*b.rng.NormFloat64()))
		}
		return true
	}
	b.run(30 * time.Hour)
	b.settleAt("lane", 560)
	b.run(12 * time.Hour)
	b.events = nil
	open := b.wires["cartshed"].open
	b.wires["cartshed"].open *= 0.6
	b.run(3 * time.Hour)
	b.wires["cartshed"].open = open
	b.run(12 * time.Hour)
	weak := 0
	for _, a := range b.alarms() {
		if a.first().Cause == alerts.EnergizerWeak {
			weak++
		}
		if a.last().Cause == alerts.CauseIntermittent {
			b.show()
			t.Errorf("told %s to come and go: %s", a.last().Source, a.last().Text)
		}
	}
	if weak == 0 {
		b.show()
		t.Error("nothing told of the energizer")
	}
}
