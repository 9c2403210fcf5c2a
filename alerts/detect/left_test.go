package detect_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// A wire parts behind another that lies on the ground, which nobody can see. When the latter is freed the zone behind is left
// dead, and that is told as what it is, and is over when the wire is joined.
func TestPartedBehindAShort(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	short("hazel", 60, 0.3)(b)
	b.run(2 * time.Hour)
	fault := b.only()
	part("lane", 0.2)(b)
	b.run(2 * time.Hour)
	if e := b.only().last(); e.Source != "zone/hazel" || e.Cause != alerts.Short {
		b.show()
		t.Fatalf("told %s as %s while the wire lies on the ground", e.Source, e.Cause)
	}
	b.zone("hazel").short = 0
	b.run(time.Hour)
	if a := b.standing("zone/lane", alerts.Dead); a == nil || a.last().Cause != alerts.Open || len(a.last().Zones) > 0 {
		b.show()
		t.Fatal("lane is not told as parted, alone")
	}
	b.wires["cartshed"].mend()
	b.run(time.Hour)
	if b.overAt(fault.id).IsZero() || b.standing("zone/lane", alerts.Dead) != nil {
		b.show()
		t.Error("stands though the wire is whole")
	}
}

// What touches a wire takes the zones before it down; where those come up and the zone dies, the wire has parted, be it
// where something came and went. That is told within minutes, and not when it has stood for as long as no touch does;
// and it is told once, whichever sensor speaks first.
func TestPartedWhereSomethingTouched(t *testing.T) {
	for _, every := range []time.Duration{time.Minute, 10 * time.Minute} {
		t.Run("hazel speaks each "+every.String(), func(t *testing.T) {
			f := paddocks()
			f.Zones[1].Sensor.Every = every
			b := newBench(t, f)
			b.settleAt("lane", 2900)
			b.run(30 * time.Hour)
			b.quiet()
			b.touch("hazel", 800, time.Minute, 3*time.Minute)
			b.run(12 * time.Hour)
			b.while = nil
			b.zone("hazel").short = 0
			b.run(5 * time.Minute)
			part("hazel", 0.2)(b)
			b.run(8*time.Minute + every)
			if a := b.standing("zone/hazel", alerts.Dead); a == nil || a.last().Cause != alerts.Open {
				b.show()
				t.Error("hazel is not told as parted within minutes")
			}
			b.run(3 * time.Hour)
			open := 0
			for _, a := range b.alarms() {
				if a.over.IsZero() && a.last().Cause == alerts.Open {
					open++
				}
			}
			if open != 1 {
				b.show()
				t.Errorf("%d alarms of one parted wire", open)
			}
		})
	}
}

// flickers has every sensor on a wire that carries nothing show some tens of volts, each time others.
func (b *bench) flickers() {
	b.alter = func(_ *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); v == 0 {
			r.Set(pulse.Volts, 10*math.Round(5*b.rng.Float64()))
		}
		return true
	}
}

// The other way about: while a wire is parted another comes to lie on the ground behind it, which nobody can see. When
// the gate is shut the zones behind are live again and none is what it was: the break is over, and what is left is told
// as what it is and where, within minutes, and is over when the wire is freed.
func TestShortBehindAPartedWire(t *testing.T) {
	for _, tt := range []struct {
		name  string
		ohms  float64 // of a kilometre before lane, which is polywire
		stood time.Duration
		touch float64 // ohms
	}{
		{"polywire, soon", 4000, 40 * time.Minute, 60},
		{"polywire, later", 4000, 90 * time.Minute, 60},
		{"steel, soon", 30, 20 * time.Minute, 400},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			for i := range f.Zones {
				if f.Zones[i].Name != "lane" {
					f.Zones[i].OhmsPerKM = tt.ohms
				}
			}
			f.Zones[2].MinimumVolts = 4000
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.quiet()
			b.flickers()
			part("brook", 0)(b)
			b.run(tt.stood)
			gate := b.only()
			short("lane", tt.touch, 0.3)(b)
			b.run(20 * time.Minute)
			mend("brook")(b)
			b.run(12 * time.Minute)
			if b.overAt(gate.id).IsZero() {
				b.show()
				t.Error("brook is told as parted though it carries")
			}
			a := b.faulty("lane")
			if a == nil || a.last().Cause != alerts.Short || len(b.alarms()) != 2 {
				b.show()
				t.Fatal("the wire that touches in lane is not told as that, alone")
			}
			if e := a.last(); tt.ohms < 100 && (e.DistanceM == nil || *e.DistanceLowM > 45 || *e.DistanceHighM < 45) {
				b.show()
				t.Error("want the place, 45 m from lane's start: it is known what every zone showed before")
			}
			b.wires["cartshed"].mend()
			b.run(2 * time.Hour)
			if b.overAt(a.id).IsZero() {
				b.show()
				t.Error("stands though the wire is whole")
			}
		})
	}
}

// faulty returns the newest alarm that stands of a fault in the zone, whatever it leaves of it.
func (b *bench) faulty(zone string) *told {
	b.t.Helper()
	for _, c := range []alerts.Condition{alerts.Dead, alerts.Low, alerts.Dropping} {
		if a := b.standing(farm.Source("zone/"+zone), c); a != nil {
			return a
		}
	}
	return nil
}

// A wire parts before a path to earth that is told already: each has its own alarm, in its own zone, until it is mended.
func TestShortStaysToldBehindAPartedWire(t *testing.T) {
	f := paddocks()
	slowBut(f, "lane")
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	short("hazel", 200, 0.5)(b)
	b.run(2 * time.Hour)
	part("brook", 0.5)(b)
	b.run(2 * time.Hour)
	all := b.alarms()
	if len(all) != 2 || all[0].last().Source != "zone/hazel" || all[0].last().Cause != alerts.Short || all[1].last().Source != "zone/brook" {
		b.show()
		t.Fatal("want an alarm of a path to earth in hazel, and one of a parted wire in brook")
	}
	b.zone("brook").parted = false
	b.run(2 * time.Hour)
	if all = b.alarms(); len(all) != 2 || !all[0].over.IsZero() || all[1].over.IsZero() {
		b.show()
		t.Error("want the path to earth still told, and the parted wire no more")
	}
	b.zone("hazel").short = 0
	b.run(2 * time.Hour)
	if all = b.alarms(); len(all) != 2 || all[0].over.IsZero() {
		b.show()
		t.Error("want no alarm")
	}
}

// With the wire behind it parted a zone stands higher, for hours, and dew falls meanwhile. Once the wire is joined it falls
// back to less than it showed before: that is no fault, and one that comes afterwards is one alarm of its own.
func TestJoinedWhereDewFellMeanwhile(t *testing.T) {
	for _, tt := range []struct {
		every time.Duration
		grown float64 // times what lane leaks elsewhere
		dew   float64 // times the leakage at night
		parts string
	}{
		{time.Minute, 12, 2.2, "lane"},
		{time.Minute, 25, 1.5, "lane"},
		{time.Minute, 40, 1.5, "lane"},
		{time.Minute, 40, 2.4, "lane"},
		{5 * time.Minute, 25, 2.4, "lane"},
		{5 * time.Minute, 40, 1.5, "lane"},
		{5 * time.Minute, 40, 2, "hazel"},
	} {
		t.Run(fmt.Sprint(tt.every, tt.grown, tt.dew, tt.parts), func(t *testing.T) {
			f := paddocks()
			reportEvery(f, tt.every)
			needing(f, 1000)
			b := newBench(t, f)
			b.zone("lane").leak *= tt.grown
			b.nights(tt.dew, nil)
			b.atNoon()
			b.run(30 * time.Hour)
			b.quiet()
			part(tt.parts, 0.3)(b)
			b.run(9 * time.Hour) // until three in the morning
			parted := b.only()
			mend(tt.parts)(b)
			b.run(2 * time.Hour)
			if b.only(); b.overAt(parted.id).IsZero() {
				b.show()
				t.Fatal("joined, and still told as parted")
			}
			b.while = nil
			short("orchard", 30, 0.5)(b)
			b.run(time.Hour)
			if a := b.standing("zone/orchard", alerts.Dead); a == nil || a.last().Cause != alerts.Short || len(b.alarms()) != 2 {
				b.show()
				t.Errorf("%d alarms, want one of the wire that touches in orchard", len(b.alarms()))
			}
		})
	}
}

// A wire is joined again while it rains: that the rain has taken the fence a part of the way down is no fault that came
// meanwhile, however soon it was joined.
func TestJoinedInTheRain(t *testing.T) {
	for _, tt := range []struct {
		every time.Duration
		zone  string
		grown float64 // times what a bare fence leaks
		rain  float64 // times the leakage
		stood time.Duration
	}{
		{time.Minute, "lane", 4, 2, time.Hour},
		{time.Minute, "orchard", 1, 3, 110 * time.Minute},
		{5 * time.Minute, "hazel", 4, 2, time.Hour},
		{5 * time.Minute, "orchard", 1, 3, time.Hour},
	} {
		t.Run(fmt.Sprint(tt.every, tt.zone, tt.grown, tt.rain, tt.stood), func(t *testing.T) {
			f := paddocks()
			reportEvery(f, tt.every)
			needing(f, 500)
			b := newBench(t, f)
			for i := range f.Zones {
				b.zone(f.Zones[i].Name).leak *= tt.grown
			}
			b.run(30 * time.Hour)
			b.quiet()
			part(tt.zone, 0.3)(b)
			b.run(10 * time.Minute)
			b.downpour(tt.rain, 20*time.Minute)
			b.run(tt.stood)
			mend(tt.zone)(b)
			b.run(4 * time.Hour)
			if a := b.only(); a.over.IsZero() {
				b.show()
				t.Error("joined, and still told as parted")
			}
		})
	}
}
