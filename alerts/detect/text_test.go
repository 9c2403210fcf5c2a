package detect_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

// shortInBrook has a path to earth of so many ohms stand in brook for an hour, before a lane that needs 5 kV.
func shortInBrook(t *testing.T, ohms float64) *bench {
	f := paddocks()
	f.Zones[2].MinimumVolts = 5000
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	b.zone("brook").part, b.zone("brook").short = 0.8, 1/ohms
	b.run(time.Hour)
	return b
}

// A fault in brook leaves lane under its minimum and brook over its own. Nobody is told that brook is low: lane is
// named, with what it has.
func TestNamesTheZoneThatIsLow(t *testing.T) {
	b := shortInBrook(t, 1500)
	a := b.only()
	e := a.last()
	if e.Source != "zone/brook" || e.Condition != alerts.Low || e.KV == nil || *e.KV < 2.5 {
		b.show()
		t.Fatalf("brook is %s: the test shows nothing", e.Condition)
	}
	if e.Worst != "lane" || e.WorstKV == nil || *e.WorstKV >= 5 || !strings.HasPrefix(e.Text, fmt.Sprintf("Brook pulls lane down to %.1f kV", *e.WorstKV)) {
		t.Errorf("%q at %v: %s", e.Worst, e.WorstKV, e.Text)
	}
	b.zone("brook").short = 0
	b.run(3 * time.Hour)
	if e := b.only().last(); b.only().over.IsZero() || e.Worst != "" || e.WorstKV != nil {
		t.Errorf("over at %s, and still %q at %v", b.only().over, e.Worst, e.WorstKV)
	}
}

// A zone that is under its own minimum is told for itself, however low others are.
func TestNamesItsOwnZoneWhereThatIsLow(t *testing.T) {
	b := shortInBrook(t, 100)
	if e := b.only().last(); e.Source != "zone/brook" || e.Worst != "" || !strings.HasPrefix(e.Text, "Brook is low at") {
		b.show()
		t.Errorf("%q: %s", e.Worst, e.Text)
	}
}

// A place that is known to some tens of metres is told to five or ten, with bounds within the zone and from where its
// metres count.
func TestPlacesAreNoFinerThanKnown(t *testing.T) {
	for _, part := range []float64{0.2, 0.4, 0.7, 0.97} {
		f := paddocks()
		b := newBench(t, f)
		b.noise = 0.01
		b.run(30 * time.Hour)
		b.quiet()
		b.zone("lane").part, b.zone("lane").short = part, 1.0/400
		b.run(time.Hour)
		e := b.only().last()
		if e.Source != "zone/lane" || e.DistanceM == nil {
			b.show()
			t.Fatalf("at %.2f told of %s without a place", part, e.Source)
		}
		at, low, high, length := *e.DistanceM, *e.DistanceLowM, *e.DistanceHighM, f.Zones[2].LengthM
		step := 1.0
		if high-low >= 60 {
			step = 10
		} else if high-low >= 30 {
			step = 5
		}
		for _, m := range []float64{at, low, high} {
			if math.Mod(m, step) != 0 && m != length {
				t.Errorf("at %.2f: %g m (%g to %g m), known to %g m only", part, at, low, high, high-low)
			}
		}
		if at < low || at > high || low < 0 || high > length || !strings.Contains(e.Text, ", counted from hazel's sensor (") && !strings.Contains(e.Text, "at the start of lane, by hazel's sensor (") {
			t.Errorf("at %.2f of %g m: %s", part, length, e.Text)
		}
	}
}

// What may as well be a joint leaves stock unheld as a joint does, and wakes as one once the sensor shows less than the
// minimum; by itself a sensor that is off wakes nobody.
func TestAJointOrASensorUnderTheMinimumWakes(t *testing.T) {
	for _, tt := range []struct {
		name    string
		minimum float64
		stock   string
		want    alerts.Priority
		deeper  alerts.Priority // when it then shows half of that
	}{
		{"under it", 4800, "pigs", alerts.High, alerts.High},
		{"over it", 3500, "pigs", alerts.Medium, alerts.High},
		{"no stock", 4800, "", alerts.Medium, alerts.Medium},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			f.Zones[2].MinimumVolts, f.Zones[2].Stock = tt.minimum, tt.stock
			b := newBench(t, f)
			b.draws(1.2e-4)
			b.run(36 * time.Hour)
			b.devices[3].gain *= 0.65
			b.run(30 * time.Minute)
			e := b.only().last()
			if e.Cause != alerts.CauseSensorFaulty || e.Or != alerts.Joint || e.Priority != tt.want {
				b.show()
				t.Errorf("%s or %q, priority %s, want %s", e.Cause, e.Or, e.Priority, tt.want)
			}
			if under := strings.Contains(e.Text, ", under its "); under != (tt.minimum > 4000) {
				t.Errorf("told to be under its minimum: %t: %s", under, e.Text)
			}
			b.devices[3].gain *= 0.5
			b.run(time.Hour)
			if a := b.only(); a.last().Priority != tt.deeper || len(a.events) > 2 {
				b.show()
				t.Errorf("priority %s after %d events, want %s", a.last().Priority, len(a.events), tt.deeper)
			}
		})
	}
}

// That growth has won in dry hours too is said only where it is so.
func TestGrowthThatHasWonSaysWhereItHas(t *testing.T) {
	for _, tt := range []struct {
		name string
		dry  float64 // volts in the driest hours of the day
		want string
	}{
		{"all day", 2300, "is under its 2.5 kV even in dry hours"},
		{"but for the driest hours", 2800, "was under its 2.5 kV for most of the last two days"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, lonely(5*time.Minute))
			b.devices[1].gain = 1
			b.settleAt("brook", 5000)
			b.run(36 * time.Hour)
			b.creepTo("brook", 5000, 2300)
			b.while = func(now time.Time) {
				aim := 2300.0
				if h := now.Hour(); h >= 12 && h < 17 {
					aim = tt.dry
				}
				b.settleAt("brook", aim)
			}
			b.run(4 * 24 * time.Hour)
			if text := b.about("zone/brook", alerts.Growth).last().Text; !strings.Contains(text, tt.want) {
				b.show()
				t.Errorf("want that it %s: %s", tt.want, text)
			}
		})
	}
}

// No day is named as the first on which growth may win that is past already, or is today.
func TestGrowthNamesNoDayThatIsPast(t *testing.T) {
	g := newGrower(t, shapes[4].load) // wet every night: the first day is uncertain
	g.run(34 * 24 * time.Hour)
	named, soon := 0, 0
	for _, a := range g.growthsOf("lane") {
		for _, e := range a.events {
			if e.Kind == alerts.Returned || e.BelowMinimumOn == nil || strings.Contains(e.Text, "has won") {
				continue
			}
			now := strings.Contains(e.Text, "(any day now, ")
			if now != !e.BelowMinimumEarliest.After(e.Time) {
				t.Errorf("at %s: %s", e.Time, e.Text)
			}
			if named++; now {
				soon++
			}
		}
	}
	if soon == 0 || soon == named {
		t.Errorf("of %d days named %d are any day now: the test shows nothing", named, soon)
	}
}

// A wire that has parted in a zone whose own sensor has not spoken since pulls nothing down: what is told is what it
// leaves dead.
func TestBreakInAZoneThatHasNotSpoken(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	mute("zone/brook")(b)
	part("brook", 0.5)(b)
	b.run(4 * time.Minute)
	e := b.only().first()
	if e.Source != "zone/brook" || e.Cause != alerts.Open || e.Worst == "" {
		b.show()
		t.Fatalf("%s of %s, %q down: the test shows nothing", e.Cause, e.Source, e.Worst)
	}
	if !strings.HasPrefix(e.Text, "Brook leaves "+e.Worst+" at 0.") || !strings.Contains(e.Text, "and brook's sensor") {
		t.Errorf("says %q", e.Text)
	}
}
