package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
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

// What touches a wire takes the zones before it down; where those come up and the zone dies, the wire has parted, be it where
// something came and went. That is told within minutes, and not when it has stood for as long as no touch does; and it is told
// once, whichever sensor speaks first.
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
