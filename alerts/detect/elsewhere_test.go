package detect_test

import (
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

// On good wire a path to earth at the end of one zone shows the same as one in the first metres of those behind it, and
// who walks is told of both. Where the wire's ohms tell one zone from the next, one is named and no more.
func TestPathAtTheEndOfAZone(t *testing.T) {
	for _, tt := range []struct {
		name string
		ohms float64 // of the wire, a kilometre
		zone string
		part float64
		also bool
	}{
		{"steel, at the end of brook", 20, "brook", 0.99, true},
		{"steel, at the start of orchard", 20, "orchard", 0.01, true},
		{"polywire, amid hazel", 4000, "hazel", 0.5, false},
		{"polywire, amid orchard", 4000, "orchard", 0.5, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			strung(tt.ohms)(f)
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.quiet()
			short(tt.zone, 100, tt.part)(b)
			b.run(time.Hour)
			a := b.only()
			text := a.last().Text
			if also := len(a.last().OrZones) > 0; also != tt.also {
				t.Errorf("may be in %v besides", a.last().OrZones)
			}
			if !strings.Contains(text, tt.zone) || a.last().Cause != alerts.Short || strings.Contains(text, ", or in ") != tt.also {
				b.show()
				t.Errorf("says %q", text)
			}
		})
	}
}

// So it is with what comes and goes.
func TestContactAtTheEndOfAZone(t *testing.T) {
	for _, tt := range []struct {
		name string
		ohms float64 // of the wire, a kilometre
		zone string
		part float64
		also bool
	}{
		{"steel, at the end of brook", 20, "brook", 0.99, true},
		{"steel, at the start of orchard", 20, "orchard", 0.01, true},
		{"polywire, at the end of orchard", 4000, "orchard", 0.9, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			strung(tt.ohms)(f)
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.quiet()
			b.touch(tt.zone, 200, time.Minute, 3*time.Minute)
			b.zone(tt.zone).part = tt.part
			b.run(6 * time.Hour)
			text := b.lastOf(alerts.CauseIntermittent).Text
			if !strings.Contains(text, tt.zone) || strings.Contains(text, ", or in ") != tt.also {
				b.show()
				t.Errorf("says %q", text)
			}
		})
	}
}
