package detect_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// A wire that hangs behind a break picks up a little of what is pulsed beside it, now and then. It is dead all the same,
// and dead once.
func TestDeadWireThatFlickersIsOneBreak(t *testing.T) {
	f := paddocks()
	slowBut(f, "lane")
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	part("lane", 0.3)(b)
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); v == 0 {
			r.Set(pulse.Volts, 100*math.Round(b.rng.Float64()))
		}
		return true
	}
	b.run(12 * time.Hour)
	a := b.only()
	if e := a.last(); e.Cause != alerts.Open || e.Source != "zone/lane" || e.Condition != alerts.Dead {
		b.show()
		t.Errorf("told last %s of %s as %s", e.Condition, e.Source, e.Cause)
	}
}

// When only the quick sensor at the far end has spoken, what lies before it is unknown; once those zones are heard hot, they
// are no part of the break.
func TestBreakDropsZonesHeardHot(t *testing.T) {
	f := paddocks()
	slowBut(f, "lane")
	b := newBench(t, f)
	b.run(30*time.Hour + 3*time.Minute) // orchard is the next of the others to speak, in three minutes
	part("lane", 0.3)(b)
	b.run(time.Hour)
	a := b.only()
	if e := a.first(); e.Source != "zone/lane" {
		t.Errorf("told first of %s, though nobody had seen another zone dead", e.Source)
	}
	if e := a.last(); slices.Contains(e.Zones, "hazel") || slices.Contains(e.Zones, "brook") {
		t.Errorf("%v are told to be down with lane, and are hot", e.Zones)
	}
}

// A wire lies on the ground in the first metres of a zone, and next to nothing is left of the fence: what the zone shows less
// than the one that feeds it still tells which of them it is.
func TestWhichOfNearlyDeadZones(t *testing.T) {
	for _, tt := range []struct {
		zone       string
		part, ohms float64
		wireOhms   float64 // by the kilometre
		leak       float64 // of all zones together, siemens
	}{
		{"hazel", 0.12, 60, 4000, 2e-5},
		{"hazel", 0.12, 60, 4000, 2e-4},
		{"lane", 0.2, 80, 4000, 1e-4},
		{"orchard", 0.1, 70, 4000, 5e-5},
		{"hazel", 0.15, 30, 1000, 1e-4},
		{"brook", 0.9, 90, 4000, 1e-4},
		{"hazel", 0.6, 90, 4000, 1e-4},
	} {
		f := paddocks()
		strung(tt.wireOhms)(f)
		b := newBench(t, f)
		b.draws(tt.leak)
		w := b.wires["cartshed"]
		w.source *= 1.25 // as nobody knows it
		for i := range w.spans {
			w.spans[i].ohms *= [4]float64{0.85, 1.15, 1, 0.9}[i]
		}
		b.run(30 * time.Hour)
		b.quiet()
		b.zone(tt.zone).short, b.zone(tt.zone).part = 1/tt.ohms, tt.part
		b.run(15 * time.Minute)
		if e := b.only().last(); e.Cause != alerts.Short || string(e.Source) != "zone/"+tt.zone {
			b.show()
			t.Errorf("%+v: told as %s of %s", tt, e.Cause, e.Source)
		}
	}
}

// Next to nothing is left of the fence, and one sensor, for which that is just the weakest pulse that it sees, shows it
// and shows nothing by turns. That is no lower than what the others show, and nothing leads to earth there.
func TestSensorAtItsFloor(t *testing.T) {
	f := paddocks()
	strung(100)(f)
	needing(f, 1200)
	b := newBench(t, f)
	b.draws(1.0 / 100)
	b.run(30 * time.Hour)
	b.quiet()
	seen := true
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.source == "zone/orchard" {
			if seen = !seen; !seen {
				r.Set(pulse.Volts, 0)
			}
		}
		return true
	}
	short("brook", 16, 0.9)(b)
	b.run(time.Hour)
	if a := b.only(); a.last().Source != "zone/brook" || len(a.events) > 2 {
		b.show()
		t.Errorf("told last of %s, after %d events; want brook, and not one zone and the other by turns", a.last().Source, len(a.events))
	}
}

// A wire parts before what leads to earth, and what stands before it comes up: with that the fault is not over, and what
// the slow sensors say of where the wire has parted counts as soon as they have all spoken.
func TestWirePartsBeforeAShort(t *testing.T) {
	f := paddocks()
	f.Zones[3].FedBy = "lane"
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM = 1000
		if n := f.Zones[i].Name; n == "hazel" || n == "lane" {
			f.Zones[i].Sensor.Every = 10 * time.Minute
		}
	}
	b := newBench(t, f)
	b.draws(1e-5)
	b.run(30 * time.Hour)
	b.quiet()
	short("lane", 200, 0.5)(b)
	b.run(2 * time.Hour)
	part("hazel", 0.5)(b)
	b.run(11 * time.Minute)
	if e := b.only().last(); e.Cause != alerts.Open || e.Source != "zone/hazel" {
		b.show()
		t.Errorf("told last as %s of %s", e.Cause, e.Source)
	}
}
