package detect_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// grownUnder plays a fence on which growth takes lane under its minimum within days, and leaves it there.
func grownUnder(t *testing.T) *bench {
	t.Helper()
	b := newBench(t, paddocks())
	b.run(36 * time.Hour)
	b.growUntilLow("lane", b.farm.Zones[2])
	if a := b.standing("zone/lane", alerts.Low); a == nil || a.last().Cause != alerts.Vegetation {
		b.show()
		t.Fatal("lane is not told as low with growth")
	}
	return b
}

// growUntilLow has growth come on along one zone within days until each of the zones is told as low, and leaves it there.
func (b *bench) growUntilLow(along string, zones ...farm.Zone) {
	b.t.Helper()
	s, from := b.zone(along), b.now
	bare := s.leak
	won := func() bool {
		return !slices.ContainsFunc(zones, func(z farm.Zone) bool { return b.standing(z.Source(), alerts.Low) == nil })
	}
	b.while = func(now time.Time) { s.leak = bare * math.Exp(1.4*now.Sub(from).Hours()/24) }
	for i := 0; i < 8*24 && !won(); i++ {
		b.run(time.Hour)
	}
	b.while = nil
	s.leak *= 1.1
	b.run(6 * time.Hour)
	if !won() {
		b.show()
		b.t.Fatalf("growth along %s has not won on all of %d zones", along, len(zones))
	}
}

// standing returns the newest alarm of source as c that has not returned, nil for none.
func (b *bench) standing(source farm.Source, c alerts.Condition) (found *told) {
	for _, a := range b.alarms() {
		if e := a.last(); a.over.IsZero() && e.Source == source && e.Condition == c {
			found = a
		}
	}
	return found
}

// Who knows that growth has a zone under its minimum, and has answered to it, is told anew when a wire falls there: an alarm
// is known by its source and condition, and both are the same. When the wire is freed, what growth does is told again.
func TestFaultWhereGrowthHasWon(t *testing.T) {
	for _, tt := range []struct {
		name  string
		cause alerts.Cause
		do    func(*bench)
	}{{"a wire on the ground", alerts.Short, short("lane", 900, 0.6)}, {"a bad joint", alerts.Joint, joint("lane", 3000)}} {
		t.Run(tt.name, func(t *testing.T) {
			b := grownUnder(t)
			growth, at := b.standing("zone/lane", alerts.Low), b.now
			tt.do(b)
			b.run(time.Hour)
			fault := b.standing("zone/lane", alerts.Low)
			if fault == nil || fault.raised.Before(at) || fault.last().Cause != tt.cause {
				b.show()
				t.Fatalf("the %s in a grown zone has no alarm of its own", tt.cause)
			}
			if over := b.overAt(growth.id); over.Before(at) || over.After(fault.raised) {
				t.Errorf("growth's alarm returned %s; it must give way to the one raised %s", over, fault.raised)
			} else if !b.known(growth.id).last().Withdrawn {
				t.Error("growth's alarm is told to be over: nobody may read that lane is back while a wire is down there")
			}
			s := b.zone("lane")
			s.short, s.inLine = 0, 0
			b.run(3 * time.Hour)
			if b.overAt(fault.id).IsZero() {
				t.Error("the fault's alarm stands after it was mended")
			}
			if a := b.standing("zone/lane", alerts.Low); a == nil || a.id == fault.id || a.last().Cause != alerts.Vegetation {
				b.show()
				t.Error("what growth does to the zone is not told again")
			}
		})
	}
}

// overAt returns when the alarm returned, zero when it stands.
func (b *bench) overAt(id string) time.Time { return b.known(id).over }

// known returns the alarm of that identifier.
func (b *bench) known(id string) *told {
	all := b.alarms()
	return all[slices.IndexFunc(all, func(a *told) bool { return a.id == id })]
}

// A wire that is freed is back at a stroke, though growth has come on meanwhile and keeps the zone half way: the fault
// is over, and was never growth. What growth does is told by another alarm.
func TestFreedWhenGrowthHasComeOn(t *testing.T) {
	f := paddocks()
	f.Zones[2].MinimumVolts = 3500
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	lane, from := b.zone("lane"), b.now
	bare := lane.leak
	short("lane", 250, 0.5)(b)
	b.while = func(now time.Time) { lane.leak = bare * (1 + 40*now.Sub(from).Hours()/48) }
	b.run(48 * time.Hour)
	b.while = nil
	fault := b.only()
	freed := b.now
	lane.short = 0
	b.run(90 * time.Minute)
	over := b.overAt(fault.id)
	if over.IsZero() || over.Sub(freed) > 30*time.Minute {
		b.show()
		t.Fatalf("returned %s, want within half an hour after the wire was freed at %s", over, freed)
	}
	for _, a := range b.alarms() {
		if e := a.last(); a.id == fault.id && e.Cause != alerts.Short {
			t.Errorf("told last as %s", e.Cause)
		}
	}
	if a := b.standing("zone/lane", alerts.Low); a == nil || a.first().Cause != alerts.Vegetation {
		b.show()
		t.Error("what growth does to lane is not told")
	}
}

// freed are wires that are freed while the whole fence has come to leak so much that the zone behind them is half way
// back and those before it hardly.
var freed = []struct {
	name, zone string
	volts      float64 // of lane when the wire is freed
	silent     string  // a source that is not heard from two hours before
}{
	{"the zone before it is a third back", "lane", 3600, ""},
	{"the zone behind it is a third back too", "lane", 3000, ""},
	{"the zone before it is nearly half back", "lane", 4200, ""},
	{"both zones behind it are half back", "hazel", 4200, ""},
	{"one of the two behind it is silent", "hazel", 4200, "zone/lane"},
}

// What a fault took furthest down says whether it is gone: the fault's alarm ends as one, and what the fence leaks is no
// matter of those zones that lost less.
func TestFreedOnAFenceThatLeaks(t *testing.T) {
	for _, tt := range freed {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.run(36 * time.Hour)
			b.quiet()
			short(tt.zone, 200, 0.5)(b)
			b.run(10 * time.Hour)
			b.alter = func(d *device, _ *pulse.Reading) bool { return string(d.source) != tt.silent }
			b.run(2 * time.Hour)
			fault, at := b.about(farm.Source("zone/"+tt.zone), alerts.Low), b.now
			b.zone(tt.zone).short = 0
			b.settleAt("lane", tt.volts)
			b.run(time.Hour)
			if over := b.overAt(fault.id); over.IsZero() || over.Sub(at) > 30*time.Minute {
				b.show()
				t.Fatalf("returned %s, want within half an hour after the wire was freed at %s", over, at)
			}
			for _, a := range b.alarms() {
				if e := a.last(); a.id == fault.id && e.Cause != alerts.Short {
					t.Errorf("told last as %s", e.Cause)
				}
			}
		})
	}
}

// Showers come and go on a fence with a bad joint: what it takes goes by the wet, and it stands all the same while the wire
// before it stays up.
func TestJointInShowers(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	dry := map[string]float64{}
	for _, z := range b.farm.Zones {
		dry[z.Name] = b.zone(z.Name).leak
	}
	b.zone("brook").inLine, b.zone("brook").part = 6000, 0.3
	from := b.now
	b.while = func(now time.Time) {
		h := now.Sub(from).Hours()
		for z, g := range dry {
			b.zone(z).leak = g * (2.5 + 1.5*math.Cos(math.Pi*h))
		}
	}
	b.run(5 * time.Hour)
	for _, a := range b.alarms() {
		if e := a.first(); e.Source != "zone/brook" || a.last().Cause != alerts.Joint || !a.over.IsZero() {
			b.show()
			t.Fatalf("%s of %s was told last as %s; the joint stands", e.Condition, e.Source, a.last().Cause)
		}
	}
	b.only()
}

// No rain takes a wire down to a quarter between two reports. So a dead short is told, whenever it comes between the
// reports of the sensors, though growth has every zone behind it under its minimum and nothing that is odd is newly so.
func TestDeadShortWhereGrowthHasWonAll(t *testing.T) {
	f := paddocks()
	reportEvery(f, 3*time.Minute)
	b := newBench(t, f)
	b.run(36 * time.Hour)
	b.growUntilLow("brook", f.Zones[:3]...)
	for i := range 12 {
		at := b.now
		short("brook", 300, 0.9)(b)
		b.run(15 * time.Minute)
		a := b.standing("zone/brook", alerts.Low)
		if a == nil || a.raised.Before(at) || a.last().Cause != alerts.Short {
			b.show()
			t.Fatalf("the short of %s is not told", at.Format("01-02 15:04:05"))
		}
		b.zone("brook").short = 0
		b.run(5*time.Hour + time.Duration(15*i)*time.Second)
	}
}

// What touches the wire now and then of a zone that growth has under its minimum is told, and that the zone is low stays
// urgent all along: between two touches it is no better.
func TestFlapWhereGrowthHasWon(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name    string
		on, off time.Duration
	}{{"minutes at a time", time.Minute, 6 * time.Minute}, {"too short to be told as a fault", 10 * time.Second, 4 * time.Minute}} {
		t.Run(tt.name, func(t *testing.T) {
			b := grownUnder(t)
			b.touch("lane", 500, tt.on, tt.off)
			told := false
			for range 12 * 60 {
				b.run(time.Minute)
				low, flaps := b.standing("zone/lane", alerts.Low), b.standing("zone/lane", alerts.Intermittent)
				if (low == nil || low.last().Priority != alerts.High) && (flaps == nil || flaps.last().Priority != alerts.High) {
					b.show()
					t.Fatalf("at %s nobody is told that lane is low", b.now)
				}
				if flaps != nil && strings.Contains(flaps.last().Text, "too low") != (flaps.last().Priority == alerts.High) {
					t.Fatalf("told as %s: %s", flaps.last().Priority, flaps.last().Text)
				}
				told = told || flaps != nil
			}
			if n := len(b.alarms()); !told || n > 3 {
				b.show()
				t.Errorf("%d alarms, want growth's, what touches there, and growth's again; told as coming and going: %t", n, told)
			}
		})
	}
}
