package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// flapped plays a fence on which something touches hazel now and then for half a day, and then no more, and is told so.
func flapped(t *testing.T) *bench {
	t.Helper()
	b := newBench(t, paddocks())
	b.settleAt("lane", 2900)
	b.run(30 * time.Hour)
	b.quiet()
	b.touch("hazel", 800, time.Minute, 3*time.Minute)
	b.run(12 * time.Hour)
	b.while = nil
	b.zone("hazel").short = 0
	if b.standing("zone/hazel", alerts.Intermittent) == nil {
		b.show()
		t.Fatal("what touches hazel is not told as coming and going")
	}
	return b
}

// What came and went is over when it has long been calm, though growth holds a zone close to its minimum meanwhile.
func TestCalmBesideGrowth(t *testing.T) {
	b := flapped(t)
	a := b.standing("zone/hazel", alerts.Intermittent)
	for _, v := range []float64{2740, 2590} {
		b.settleAt("lane", v)
		b.run(time.Hour)
	}
	b.run(6 * time.Hour)
	if b.overAt(a.id).IsZero() {
		b.show()
		t.Error("the alarm stands eight hours after the last touch")
	}
}

// While it may yet come again, a fault that stays is told all the same: it does not come and go.
func TestFaultThatStaysBesideOneThatFlaps(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name   string
		do     func(*bench)
		source farm.Source
		cause  alerts.Cause
		own    bool // not by the alarm that stands
	}{
		{"on another branch", short("orchard", 300, 0.5), "zone/orchard", alerts.Short, true},
		{"the energizer's", power(0.55), "energizer/cartshed", alerts.EnergizerWeak, true},
		{"in the same zone", short("hazel", 300, 0.5), "zone/hazel", alerts.Short, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := flapped(t)
			b.run(30 * time.Minute)
			flaps, at := b.standing("zone/hazel", alerts.Intermittent), b.now
			tt.do(b)
			b.run(50 * time.Minute)
			for _, a := range b.alarms() {
				if e := a.last(); e.Source == tt.source && e.Cause == tt.cause && e.Priority == alerts.High && e.Time.After(at) {
					if own := a.id != flaps.id; own != tt.own {
						t.Errorf("told by %s; an alarm of its own: %t, want %t", a.id, own, tt.own)
					}
					return
				}
			}
			b.show()
			t.Errorf("no %s of %s was told as urgent within 50 minutes", tt.cause, tt.source)
		})
	}
}

// A zone that creeps under its minimum long after the last touch has its own alarm, as urgent as that is.
func TestLowBesideOneThatFlapped(t *testing.T) {
	b := flapped(t)
	b.run(time.Hour)
	for v := 2850.0; v >= 2400; v -= 50 {
		b.settleAt("lane", v)
		b.run(10 * time.Minute)
	}
	if a := b.standing("zone/lane", alerts.Low); a == nil || a.last().Priority != alerts.High {
		b.show()
		t.Error("lane is under its minimum, and nobody is told so")
	}
}

// A contact in a zone that has no sensor is seen by the others: its alarm stands as long as they see touches, and then ends.
func TestFlapWhereNoSensorIs(t *testing.T) {
	for i, name := range []string{"brook", "hazel"} {
		t.Run(name, func(t *testing.T) {
			f := paddocks()
			f.Zones[i].Sensor = farm.Sensor{}
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.quiet()
			b.touch(name, 300, 20*time.Second, 4*time.Minute)
			b.run(8 * time.Hour)
			a := b.about(farm.Source("zone/"+name), alerts.Intermittent)
			if !a.over.IsZero() {
				b.show()
				t.Fatalf("returned %s; it still touches at %s", a.over, b.now)
			}
			b.while = nil
			b.zone(name).short = 0
			b.run(6 * time.Hour)
			if b.overAt(a.id).IsZero() {
				b.show()
				t.Error("still up six hours after the last touch")
			}
		})
	}
}

// Two touches of minutes that were each told, and an animal that leans elsewhere, do not make something that comes and goes:
// each touch counts once.
func TestTouchesThenLean(t *testing.T) {
	for _, gap := range []time.Duration{25 * time.Minute, 50 * time.Minute, 80 * time.Minute} {
		t.Run(gap.String(), func(t *testing.T) {
			b := newBench(t, paddocks())
			b.run(50 * time.Hour)
			b.quiet()
			for range 2 {
				short("hazel", 300, 0.5)(b)
				b.run(150 * time.Second)
				b.zone("hazel").short = 0
				b.run(gap - 150*time.Second)
			}
			short("orchard", 900, 0.7)(b)
			b.run(45 * time.Second)
			b.zone("orchard").short = 0
			b.run(time.Hour)
			if all := b.alarms(); len(all) != 2 || all[0].last().Cause != alerts.Short || all[1].last().Cause != alerts.Short {
				b.show()
				t.Errorf("%d alarms, want a short for each of the two touches", len(all))
			}
		})
	}
}

// An energizer that gives too little goes on doing so while something touches a zone now and then: who reads of it must
// look at the energizer, and not for what comes and goes.
func TestTouchWhileEnergizerIsWeak(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	power(0.55)(b)
	b.run(time.Hour)
	weak := b.only()
	b.touch("hazel", 800, 20*time.Second, 5*time.Minute)
	b.run(12 * time.Hour)
	for _, e := range b.known(weak.id).events {
		if e.Cause != alerts.EnergizerWeak {
			b.show()
			t.Fatalf("the weak energizer is told as %s: %s", e.Cause, e.Text)
		}
	}
	if b.standing("zone/hazel", alerts.Intermittent) == nil && b.standing("zone/brook", alerts.Intermittent) == nil {
		b.show()
		t.Error("nothing is told of what touches hazel, near brook's end")
	}
}
