package detect_test

import (
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// poorlyEarthed returns a bench on f whose stakes have failed at a stroke some hours ago, and their ohms.
func poorlyEarthed(t *testing.T, f *farm.Farm) (*bench, *float64) {
	t.Helper()
	needing(f, 4500)
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

// Whoever works on the stakes switches the energizer off first. Stakes that carry nothing then are no earth that is
// back, even where the zones are slow to show that it is off.
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

// An energizer that is well again leaves a fence hot only where nothing else keeps its zones low.
func TestHotIsSaidOfAHotFence(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(b *bench) // while the earth is poor
		says  string
	}{
		{"nothing else", func(*bench) {}, "and the fence is hot"},
		{"growth as well", func(b *bench) { b.draws(7e-4) }, "under the minimum when last heard: hazel, lane, orchard"},
		{"a wire parts as well", func(b *bench) { part("lane", 0.5)(b) }, "still dead when last heard: lane"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b, ohms := poorlyEarthed(t, paddocks())
			tt.spoil(b)
			b.run(time.Hour)
			*ohms = 60
			b.run(2 * time.Hour)
			if a := b.about("energizer/cartshed", alerts.Earth); a.over.IsZero() || !strings.Contains(a.last().Text, tt.says) {
				b.show()
				t.Errorf("said at %s: %s; want it to say %s", a.over, a.last().Text, tt.says)
			}
		})
	}
}

// A weak energizer is not well because nobody can look at it for a day and more: a fault of the wire that stands so
// long keeps its alarm, and once that is mended the looks go on.
func TestWeakEnergizerStandsBesideAFault(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	b := newBench(t, f)
	b.run(4 * 24 * time.Hour)
	b.quiet()
	w, began := b.wires["cartshed"], b.now
	open := w.open
	b.while = func(now time.Time) { w.open = open * (1 - 0.4*min(1, now.Sub(began).Hours()/24)) }
	b.run(2 * 24 * time.Hour)
	if a := b.only(); a.last().Cause != alerts.EnergizerWeak || !a.over.IsZero() {
		b.show()
		t.Fatal("want a weak energizer alone")
	}
	short("orchard", 300, 0.6)(b)
	b.run(36 * time.Hour)
	if a := b.about("energizer/cartshed", alerts.Weak); !a.over.IsZero() {
		b.show()
		t.Errorf("over at %s though it is as weak as ever", a.over)
	}
	w.mend()
	b.run(4 * time.Hour)
	b.while = nil
	w.open = open
	b.run(4 * time.Hour)
	if a := b.about("energizer/cartshed", alerts.Weak); a.over.IsZero() {
		b.show()
		t.Error("stands though it is well")
	}
}
