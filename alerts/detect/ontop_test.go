package detect_test

import (
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

// An insulator is known to track when wet, and a wire comes down in its zone: that leaves next to nothing, be it wet or dry. Who
// knows of the one is told of the other, and is not sent to look for a cracked insulator at dusk.
func TestShortWhereAnInsulatorTracks(t *testing.T) {
	for _, tt := range []struct {
		name  string
		after time.Duration // since noon
	}{{"by day", 0}, {"in the wet", 16 * time.Hour}} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.nights(4, nil)
			b.run(6*24*time.Hour + 12*time.Hour)
			b.nights(4, map[string]float64{"hazel": 1.0 / 450})
			b.atNoon()
			b.atNoon()
			b.only()
			b.run(tt.after)
			weather, fell := b.while, b.now
			b.while = func(now time.Time) {
				weather(now)
				short("hazel", 50, 0.4)(b)
			}
			b.run(time.Hour)
			all := b.alarms()
			a := all[len(all)-1]
			if e := a.last(); len(all) != 2 || e.Source != "zone/hazel" || e.Cause != alerts.Short || strings.Contains(e.Text, "wet") || a.raised.Sub(fell) > 5*time.Minute {
				b.show()
				t.Errorf("%d alarms, the newest of %s after %s: %q", len(all), e.Source, a.raised.Sub(fell), e.Text)
			}
		})
	}
}

// Something takes the fence far down at a stroke, and every zone is over its minimum yet. No shower does that, and nobody waits
// to see whether it is one.
func TestFarDownIsToldAtOnce(t *testing.T) {
	f := paddocks()
	for i := range f.Zones {
		f.Zones[i].MinimumVolts = 1500
	}
	b := newBench(t, f)
	b.run(30 * time.Hour)
	fell := b.now
	short("brook", 220, 0.1)(b)
	b.run(time.Hour)
	if a := b.only(); a.first().Condition != alerts.Dropping || a.first().Cause != alerts.Short || a.raised.Sub(fell) > 6*time.Minute {
		b.show()
		t.Errorf("told %s by %s after %s", a.first().Condition, a.first().Cause, a.raised.Sub(fell))
	}
}
