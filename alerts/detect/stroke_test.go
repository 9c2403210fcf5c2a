package detect_test

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// grownAll plays a fence on which growth along brook takes every zone under its minimum within days, each of which is told.
func grownAll(t *testing.T, every time.Duration) *bench {
	t.Helper()
	f := paddocks()
	reportEvery(f, every)
	b := newBench(t, f)
	b.run(36 * time.Hour)
	b.growUntilLow("brook", f.Zones...)
	return b
}

// strokes are what takes a fence down at a stroke, and never so far that no rain could.
var strokes = []struct {
	name   string
	do     func(*bench)
	source farm.Source
	cause  alerts.Cause
}{
	{"a path to earth far out", short("lane", 1500, 0.8), "zone/lane", alerts.Short},
	{"a path to earth on the way", short("hazel", 700, 0.5), "zone/hazel", alerts.Short},
	{"a path to earth in a branch", short("orchard", 1000, 0.5), "zone/orchard", alerts.Short},
	{"an energizer that gives less", func(b *bench) { b.wires["cartshed"].open *= 0.62 }, "energizer/cartshed", alerts.EnergizerWeak},
}

// Where growth has every zone under its minimum already, nobody gets up any sooner for a first guess that it is wet: what
// comes at a stroke is told for what it is, whichever sensors are the first to show it.
func TestStrokeWhereGrowthHasWonAll(t *testing.T) {
	t.Parallel()
	for _, tt := range strokes {
		t.Run(tt.name, func(t *testing.T) {
			b := grownAll(t, 5*time.Minute)
			brook := b.zone("brook").leak
			for i := range 10 {
				at := b.now
				tt.do(b)
				b.run(30 * time.Minute)
				told := false
				for _, a := range b.alarms() {
					told = told || a.over.IsZero() && a.raised.After(at) && a.last().Source == tt.source && a.last().Cause == tt.cause
				}
				if !told {
					b.show()
					t.Fatalf("what came at %s is not told as %s of %s", at.Format("01-02 15:04:05"), tt.cause, tt.source)
				}
				b.wires["cartshed"].mend()
				b.wires["cartshed"].open, b.zone("brook").leak = 8200, brook
				b.run(20*time.Hour + time.Duration(25*i)*time.Second)
			}
		})
	}
}

// The wet goes while the energizer gives less, and gives some back to zones far out. A path to earth in the first
// metres explains that no better: what is told stays what it was.
func TestWeakAtAStrokeWhileGrowthDries(t *testing.T) {
	b := grownAll(t, 5*time.Minute)
	brook := b.zone("brook")
	wet := brook.leak
	for i := range 8 {
		at := b.now
		b.wires["cartshed"].open *= 0.7
		b.while = func(now time.Time) { brook.leak = wet * (1 - 0.4*math.Min(1, now.Sub(at).Hours())) }
		b.run(40 * time.Minute)
		b.while = nil
		told := 0
		for _, a := range b.alarms() {
			if a.over.IsZero() && a.raised.After(at) && a.last().Cause == alerts.EnergizerWeak {
				told++
			}
		}
		if told != 1 {
			b.show()
			t.Fatalf("%d alarms say that the energizer gives less since %s, want one", told, at.Format("01-02 15:04:05"))
		}
		b.wires["cartshed"].open, brook.leak = 8200, wet
		b.run(20*time.Hour + time.Duration(25*i)*time.Second)
	}
}

// Sensors that report every ten minutes, each in its own minute, show together that a fence fell within two: no
// downpour is as quick, though each by itself saw no more than any of them does in a downpour.
func TestStrokeSeenBySlowSensorsTogether(t *testing.T) {
	b := grownAll(t, 10*time.Minute)
	grown := b.zone("brook").leak
	for i := range 8 {
		at := b.now
		short("brook", 1200, 0.9)(b)
		b.run(40 * time.Minute)
		if a := b.standing("zone/brook", alerts.Low); a == nil || a.raised.Before(at) || a.last().Cause != alerts.Short {
			b.show()
			t.Fatalf("the path to earth of %s is not told", at.Format("01-02 15:04:05"))
		}
		b.wires["cartshed"].mend()
		b.zone("brook").leak = grown
		b.run(20*time.Hour + time.Duration(25*i)*time.Second)
	}
}

// Rain that comes on after a wire fell takes the zone further down by and by. It makes no rain of what took it to under
// half at a stroke.
func TestRainAfterAStroke(t *testing.T) {
	for _, tt := range []struct {
		zone string
		ohms float64
	}{{"hazel", 400}, {"lane", 150}, {"lane", 400}, {"orchard", 400}} {
		f := paddocks()
		reportEvery(f, 2*time.Minute)
		b := newBench(t, f)
		b.run(36 * time.Hour)
		b.grow(10, 24*time.Hour)
		b.run(6 * time.Hour)
		dry, at := map[string]float64{}, b.now
		for _, z := range f.Zones {
			dry[z.Name] = b.zone(z.Name).leak
		}
		short(tt.zone, tt.ohms, 0.8)(b)
		b.while = func(now time.Time) {
			for z, g := range dry {
				b.zone(z).leak = g * (1 + 1.5*math.Min(1, now.Sub(at).Hours()))
			}
		}
		b.run(90 * time.Minute)
		for _, a := range b.alarms() {
			if a.first().Source == farm.ZoneSource(tt.zone) && a.raised.After(at) && (a.last().Cause != alerts.Short || !a.over.IsZero()) {
				b.show()
				t.Errorf("the path to earth of %g ohms in %s is told at last as %s", tt.ohms, tt.zone, a.last().Cause)
			}
		}
	}
}
