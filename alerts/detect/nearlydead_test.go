package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
)

// Rain leaves a wire more than half of what it carried, though that was next to nothing. So where a zone that was nearly dead
// has died at a stroke, nobody waits to see whether it rains.
func TestTouchBehindNearlyDeadZone(t *testing.T) {
	f := paddocks()
	needing(f, 600)
	f.Zones[2].MinimumVolts = 0 // nobody is to be woken for lane
	b := newBench(t, f)
	b.zone("lane").leak *= 400
	b.run(30 * time.Hour)
	b.events = nil
	b.zone("lane").part, b.zone("lane").short = 0.3, 1/60.0
	began := b.now
	b.run(2 * time.Hour)
	a := b.only()
	if after := a.raised.Sub(began); a.first().Cause != alerts.Short || after > 12*time.Minute {
		t.Errorf("told as %s after %s, want a short within 12 minutes", a.first().Cause, after)
	}
}
