package detect_test

import (
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
