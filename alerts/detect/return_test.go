package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// TestReturnTellsTheVoltageNow and not the last that the fault had.
func TestReturnTellsTheVoltageNow(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.zone("lane").parted, b.zone("lane").part = true, 0.4
	b.run(time.Hour)
	b.wires["cartshed"].mend()
	b.run(2 * time.Hour)
	a := b.only()
	last := a.events[len(a.events)-1]
	if last.Kind != alerts.Returned || last.KV == nil || *last.KV < 2 {
		b.show()
		t.Errorf("the last word is %s at %v kV, want returned at what lane has again", last.Kind, last.KV)
	}
}

// When the energizer is on again, a board that is slow to say so is not told as a dead zone: what it said while the energizer
// was off counts for nothing.
func TestSlowBoardAfterEnergizerIsOn(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	w := b.wires["cartshed"]
	open := w.open
	w.open = 0
	b.run(20 * time.Minute)
	w.open = open
	on := b.now
	b.alter = func(d *device, r *pulse.Reading) bool {
		if late := d.source == "zone/hazel" || d.source == "zone/lane"; late && b.now.Sub(on) < 180*time.Second {
			r.Set(pulse.Volts, 0)
		}
		return true
	}
	b.run(2 * time.Hour)
	if a := b.only(); a.over.IsZero() || a.first().Cause != alerts.EnergizerOff {
		b.show()
		t.Errorf("told %s, over at %s", a.first().Cause, a.over)
	}
}
