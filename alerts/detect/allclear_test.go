package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// poorlyEarthed returns a bench on f whose stakes have failed at a stroke some hours ago, and their ohms.
func poorlyEarthed(t *testing.T, f *farm.Farm) (*bench, *float64) {
	t.Helper()
	for i := range f.Zones {
		f.Zones[i].MinimumVolts = 4500
	}
	b, ohms := newBench(t, f), 60.0
	b.stakes(&ohms)
	b.draws(4e-4)
	b.run(30 * time.Hour)
	b.quiet()
	ohms = 900
	b.run(3 * time.Hour)
	if a := b.only(); a.last().Cause != alerts.PoorEarth || !a.over.IsZero() {
		b.show()
		t.Fatalf("told cause %s, over %s; want a poor earth that stands", a.last().Cause, a.over)
	}
	return b, &ohms
}

// Whoever works on the stakes switches the energizer off first. Stakes that carry nothing then are no earth that is back, even
// where the zones are slow to show that it is off.
func TestPoorEarthStandsWhileOff(t *testing.T) {
	f := paddocks()
	for i := range f.Zones {
		f.Zones[i].Sensor.Every = 10 * time.Minute
	}
	b, ohms := poorlyEarthed(t, f)
	w := b.wires["cartshed"]
	open := w.open
	w.open = 1
	b.run(time.Hour)
	if a := b.only(); !a.over.IsZero() {
		b.show()
		t.Fatalf("over at %s with the energizer off", a.over)
	}
	w.open, *ohms = open, 60
	b.run(3 * time.Hour)
	if a := b.only(); a.over.IsZero() {
		b.show()
		t.Error("stands though the stakes are mended and the energizer is on")
	}
}
