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
