package detect_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// dewed multiplies the leakages that the wires have now by up to times every night, most at five in the morning, and lets
// the energizer give the share that left tells of.
func (b *bench) dewed(times float64, left func(hours float64) float64) {
	b.t.Helper()
	w, began := b.wires["cartshed"], b.now
	dry, open := make([]float64, len(w.spans)), w.open
	for i, s := range w.spans {
		dry[i] = s.leak
	}
	b.while = func(now time.Time) {
		night := math.Max(0, math.Cos(2*math.Pi*(float64(now.Hour())+float64(now.Minute())/60-5)/24))
		for i := range w.spans {
			w.spans[i].leak = dry[i] * (1 + (times-1)*night)
		}
		w.open = open * left(now.Sub(began).Hours())
	}
}

// fading are fences whose energizer comes to give less over hours and days.
var fading = []struct {
	name  string
	ohms  float64 // per kilometre
	long  float64 // times the length of the paddocks
	dew   float64 // times the leakage at night
	over  float64 // hours until it gives no more than left
	left  float64
	least float64 // kilovolts, of every zone
}{
	{"polywire in dry nights", 4000, 1, 1.1, 30, 0.65, 2.5},
	{"steel", 40, 20, 3, 36, 0.5, 1},
	{"the zones fall under one by one", 4000, 1, 3, 40, 0.55, 5.5},
}

// An energizer that comes to give less is one alarm that names it, however many zones it takes under their minimum and
// however the first of them was told, and returns once it gives its usual.
func TestFadingEnergizerIsOneAlarm(t *testing.T) {
	t.Parallel()
	for _, tt := range fading {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			reportEvery(f, 5*time.Minute)
			for i := range f.Zones {
				f.Zones[i].OhmsPerKM, f.Zones[i].LengthM, f.Zones[i].MinimumVolts = tt.ohms, tt.long*f.Zones[i].LengthM, 1000*tt.least
			}
			b := newBench(t, f)
			b.dewed(tt.dew, func(h float64) float64 {
				return 1 - (1-tt.left)*min(max(h-5*24, 0)/tt.over, 1)
			})
			b.run(5 * 24 * time.Hour)
			if tt.least < 5 {
				b.quiet()
			}
			b.run(4 * 24 * time.Hour)
			var weak []*told
			for _, a := range b.alarms() {
				if a.over.IsZero() {
					weak = append(weak, a)
				}
			}
			if len(weak) != 1 || weak[0].last().Source != "energizer/cartshed" || weak[0].last().Cause != alerts.EnergizerWeak {
				b.show()
				t.Fatalf("%d alarms stand, want one of the energizer", len(weak))
			}
			b.while = nil
			b.wires["cartshed"] = newWire(f, "cartshed", 1e-4)
			for _, d := range b.devices {
				d.wire = b.wires["cartshed"]
			}
			b.run(6 * time.Hour)
			for _, a := range b.alarms() {
				if a.over.IsZero() {
					b.show()
					t.Errorf("%s stands though the energizer is well", a.last().Source)
				}
			}
		})
	}
}

// An alarm of a poor earth that shows in the wire stands through the dry hours of the day, in which the fence draws too
// little to show it.
func TestPoorEarthStandsByDay(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	b := newBench(t, f)
	b.dewed(12, func(float64) float64 { return 1 })
	b.run(5 * 24 * time.Hour)
	told := len(b.events)
	b.wires["cartshed"].source += 700
	b.run(6 * 24 * time.Hour)
	b.events = b.events[told:]
	n := 0
	for _, e := range b.events {
		if e.Source == "energizer/cartshed" && e.Kind == alerts.Raised {
			n++
		}
	}
	if n != 1 {
		b.show()
		t.Errorf("told %d times, want once", n)
	}
}

// Growth and dew, in some zones more than in others, are no weak energizer.
func TestPatchyDewIsNoWeakEnergizer(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	b := newBench(t, f)
	b.wires["cartshed"].source *= 1.3
	w := b.wires["cartshed"]
	b.while = func(now time.Time) {
		d := now.Sub(start).Hours() / 24
		for i := range w.spans {
			s := &w.spans[i]
			night := math.Max(0, math.Cos(2*math.Pi*(d-0.2)))
			s.leak = 2e-5 * math.Exp(0.12*d) * (1 + float64(4+3*i)*night*(1+0.5*math.Sin(d*float64(i+1))))
		}
	}
	b.run(16 * 24 * time.Hour)
	for _, a := range b.alarms() {
		if a.last().Cause == alerts.EnergizerWeak {
			b.show()
			t.Fatalf("told of the energizer: %s", a.last().Text)
		}
	}
}

// While the battery is low, a zone that comes to stand under its minimum rides on the battery's alarm.
func TestZonesRideOnALowBattery(t *testing.T) {
	f := paddocks()
	needing(f, 6200)
	b := newBench(t, f)
	supply, interval := 12.6, 1300.0
	b.supplied(&supply, &interval)
	b.run(60 * time.Hour)
	b.quiet()
	w, open, began := b.wires["cartshed"], b.wires["cartshed"].open, b.now
	b.while = func(now time.Time) {
		h := now.Sub(began).Hours()
		supply, w.open = 12.6-0.2*h, open*(1-0.025*h)
	}
	b.run(8 * time.Hour)
	a := b.only()
	if e := a.last(); e.Source != "energizer/cartshed" || e.Cause != alerts.SupplyLow || len(e.Zones) == 0 {
		b.show()
		t.Errorf("told of %s, cause %s, with zones %v", e.Source, e.Cause, e.Zones)
	}
}

// While most sensors of a fence are silent nobody can tell that a weak energizer is well, and its alarm stands.
func TestWeakEnergizerStandsWhileFewAreHeard(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM, f.Zones[i].LengthM, f.Zones[i].MinimumVolts = 40, 20*f.Zones[i].LengthM, 1000
	}
	b := newBench(t, f)
	b.dewed(3, func(h float64) float64 { return 1 - 0.5*min(max(h-5*24, 0)/36, 1) })
	b.run(9 * 24 * time.Hour)
	stands := func() bool {
		return slices.ContainsFunc(b.alarms(), func(a *told) bool {
			return a.over.IsZero() && a.last().Source == "energizer/cartshed" && a.last().Cause == alerts.EnergizerWeak
		})
	}
	if !stands() {
		b.show()
		t.Fatal("no alarm of the energizer stands before the sensors fall silent")
	}
	b.alter = func(d *device, _ *pulse.Reading) bool { return d.source == "zone/brook" || d.source == "zone/orchard" }
	b.run(12 * time.Hour)
	if !stands() {
		b.show()
		t.Error("the energizer's alarm is over though most sensors are silent")
	}
}

// A clean fence leaks so little that nobody knows where, so that what grows on the wire next to the energizer may be a
// hundred times that and takes every zone down alike. It is no weak energizer.
func TestGrowthNextToTheEnergizerIsNoWeakEnergizer(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	for i := range f.Zones {
		if f.Zones[i].FedBy == "cartshed" {
			f.Zones[i].OhmsPerKM = 100
		}
	}
	b := newBench(t, f)
	b.run(3 * 24 * time.Hour)
	b.quiet()
	w, began := b.wires["cartshed"], b.now
	own := w.spans[0].leak
	b.while = func(now time.Time) { w.spans[0].leak = own + 1e-3*min(1, now.Sub(began).Hours()/30) }
	b.run(3 * 24 * time.Hour)
	v := make([]float64, len(w.spans)+1)
	if w.volts(v); v[0] > 0.8*w.open {
		t.Fatalf("the energizer's output is %.0f V: the test shows nothing", v[0])
	}
	for _, a := range b.alarms() {
		if a.last().Cause == alerts.EnergizerWeak {
			b.show()
			t.Fatalf("told of the energizer: %s", a.last().Text)
		}
	}
}
