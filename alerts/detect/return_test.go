package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
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
