package detect_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// slowPaddocks returns a bench on paddocks whose sensors all report every ten minutes, a day and some hours on.
func slowPaddocks(t *testing.T) *bench {
	t.Helper()
	f := paddocks()
	reportEvery(f, 10*time.Minute)
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	return b
}

// The gate in the first metres is left open and every zone is dead. Until the energizer's sensor speaks it may as well
// be off; once that shows volts it is the wire, and the alarm says so at once and stays one.
func TestGateAtTheEnergizerIsNotOff(t *testing.T) {
	b := slowPaddocks(t)
	b.run(2 * time.Minute) // the energizer has just spoken
	b.zone("brook").parted, b.zone("brook").part = true, 0.05
	b.run(10 * time.Minute)
	if a := b.only(); a.last().Source != "zone/brook" || a.last().Cause != alerts.Open {
		b.show()
		t.Errorf("within ten minutes told last %s of %s", a.last().Cause, a.last().Source)
	}
	b.run(3 * time.Hour)
	if a := b.only(); a.last().Source != "zone/brook" || a.last().Cause != alerts.Open || !a.over.IsZero() {
		b.show()
		t.Errorf("told last %s of %s, over %s", a.last().Cause, a.last().Source, a.over)
	}
}

// While a wire is parted the zones behind it are dead already, and their silence says nothing of an energizer that is
// switched off and on beside that.
func TestOffBesideABreak(t *testing.T) {
	b := slowPaddocks(t)
	part("brook", 0.5)(b)
	b.run(3 * time.Hour)
	power(0)(b)
	b.run(6 * time.Hour)
	off := b.standing("energizer/cartshed", alerts.Off)
	if n := len(b.alarms()); off == nil || n != 2 || len(off.last().Zones) > 0 {
		b.show()
		t.Fatalf("%d alarms, want the break's and one of the energizer, with no zone that was dead before", n)
	}
	power(1)(b)
	b.run(time.Hour)
	if b.known(off.id).over.IsZero() {
		b.show()
		t.Error("stands though the energizer is on")
	}
	if a := b.standing("zone/brook", alerts.Dead); a == nil || a.last().Cause != alerts.Open {
		b.show()
		t.Error("the break is no longer told")
	}
}

// A sensor on a dead wire that shows a little of nothing is no witness that the energizer pulses: that it showed as
// much before says nothing either way.
func TestOffBesideADeadZoneThatFlickers(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	b.flickers()
	part("orchard", 0.2)(b)
	b.run(3 * time.Hour)
	power(0)(b)
	b.run(10 * time.Minute)
	if off := b.standing("energizer/cartshed", alerts.Off); off == nil || len(b.alarms()) != 2 {
		b.show()
		t.Error("want the break's alarm and that the energizer is off")
	}
}

// A zone behind a parted wire that was not heard when that was told, and is heard dead hours later, is no second break.
func TestHeardDeadLater(t *testing.T) {
	b := slowPaddocks(t)
	part("hazel", 0.5)(b)
	mute("zone/lane")(b)
	b.run(100 * time.Minute)
	unmute(b)
	b.run(2 * time.Hour)
	for _, a := range b.alarms() {
		if a.first().Condition == alerts.Dead && a.first().Source != "zone/hazel" {
			b.show()
			t.Errorf("%s is told as dead by itself", a.first().Source)
		}
	}
}

// Growth draws so much that the fence before a wire that parts comes up when it does. Whatever an end may do that lies in the
// grass, it takes less than that: the wire has parted, and that is told.
func TestBreakOnAGrownFenceIsABreak(t *testing.T) {
	for _, tt := range []struct {
		name string
		ohms float64 // of the end to earth; 0 when it hangs clear
	}{{"it hangs clear", 0}, {"it lies in the grass", 700}} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			steel(f)
			for i := range f.Zones {
				f.Zones[i].OhmsPerKM, f.Zones[i].MinimumVolts = 300, 500
			}
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.draws(6e-3)
			b.run(20 * time.Hour)
			at := b.now
			s := b.zone("brook")
			s.parted, s.part = true, 0.3
			if tt.ohms > 0 {
				s.short = 1 / tt.ohms
			}
			b.run(2 * time.Hour)
			a := b.standing("zone/brook", alerts.Dead)
			if a == nil || slices.ContainsFunc(a.events, func(e alerts.Event) bool { return !e.Time.Before(at) && e.Cause != alerts.Open }) {
				b.show()
				t.Error("want brook told as parted, and as nothing else")
			}
		})
	}
}

// Where an energizer that is failing leaves zones dead its alarm is called off, and so is that of one that is off. When
// it goes off as well the two stand beside each other under two names, for an alarm is known by its source and
// condition.
func TestFailingThenOff(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	b := newBench(t, f)
	b.run(4 * 24 * time.Hour)
	b.quiet()
	w, lane, began := b.wires["cartshed"], b.zone("lane"), b.now
	bare := lane.leak
	b.while = func(now time.Time) {
		days := now.Sub(began).Hours() / 24
		w.open, lane.leak = 8200*(1-0.4*min(1, days)), bare*math.Exp(max(0, 3*(days-1.5)))
	}
	b.run(5 * 24 * time.Hour)
	b.while = nil
	failing := b.standing("energizer/cartshed", alerts.Off)
	if failing == nil {
		b.show()
		t.Fatal("the failing energizer has left no zone dead")
	}
	w.open = 0
	b.run(2 * time.Hour)
	if a := b.standing("energizer/cartshed", alerts.Off); a == nil || a.id == failing.id || a.last().Cause != alerts.EnergizerOff {
		b.show()
		t.Error("that it is off has no alarm of its own")
	}
	w.open = 0.6 * 8200
	b.run(2 * time.Hour)
	if a := b.known(failing.id); !a.over.IsZero() || a.last().Cause != alerts.EnergizerWeak {
		b.show()
		t.Errorf("told last as %s, over %s; it fails as before", a.last().Cause, a.over)
	}
	for _, a := range b.alarms() {
		if a.last().Cause == alerts.EnergizerOff && (a.over.IsZero() || !strings.Contains(a.last().Text, "is on")) {
			t.Errorf("says at %s: %s", a.over, a.last().Text)
		}
	}
}

// Where an insulator that tracks when wet has left a zone dead, a wire that parts there leaves it dead too: the one
// alarm gives way to the other, for the end of either would be taken for that of both.
func TestNoTwoAlarmsOfOneName(t *testing.T) {
	b := newBench(t, paddocks())
	b.nights(4, nil)
	b.run(6*24*time.Hour + 12*time.Hour)
	b.quiet()
	b.nights(4, map[string]float64{"orchard": 1.0 / 40})
	b.atNoon()
	b.atNoon()
	tracks := b.standing("zone/orchard", alerts.Dead)
	if tracks == nil || tracks.last().Cause != alerts.Short {
		b.show()
		t.Fatal("orchard is not told as dead by what tracks")
	}
	part("orchard", 0.9)(b)
	b.run(time.Hour)
	if a := b.standing("zone/orchard", alerts.Dead); a == nil || a.id == tracks.id || a.last().Cause != alerts.Open {
		b.show()
		t.Error("want the parted wire told by an alarm of its own")
	}
	if a := b.known(tracks.id); a.over.IsZero() || !a.last().Withdrawn {
		b.show()
		t.Error("what tracks is still told by the same name, or told to be over")
	}
}

// Where the energizer's own sensor has fallen silent nobody can tell that it is off from a wire that has parted before
// the first zone's sensor, and the alarm says so.
func TestOffOrPartedWhereItsSensorIsSilent(t *testing.T) {
	b := slowPaddocks(t)
	mute("energizer/cartshed")(b)
	b.run(6 * time.Hour)
	part("brook", 0.5)(b)
	b.run(2 * time.Hour)
	told := 0
	for _, a := range b.alarms() {
		if e := a.last(); e.Condition != alerts.Silent {
			told++
			if e.Or != map[alerts.Cause]alerts.Cause{alerts.Open: alerts.EnergizerOff, alerts.EnergizerOff: alerts.Open}[e.Cause] {
				t.Errorf("told as %s, or %q", e.Cause, e.Or)
			}
			if !strings.Contains(e.Text, "artshed is off, or the wire is broken before brook's sensor") {
				t.Errorf("says %q", e.Text)
			}
		}
	}
	if told != 1 {
		b.show()
		t.Errorf("%d alarms, want one", told)
	}
}

// Where the ground is good the stakes carry one digit of their sensor or two, and as many when the
// energizer is off. That is no sign of a wire on the ground, which would have them carry ten times what they did.
func TestOffWhereTheStakesShowADigit(t *testing.T) {
	for _, tt := range []struct {
		name   string
		fail   func(b *bench)
		stakes float64 // what they carry then, volts
		want   alerts.Cause
	}{
		{"off", power(0), 20, alerts.EnergizerOff},
		{"a wire on the ground by the energizer", func(b *bench) { b.zone("brook").short, b.zone("brook").part = 1.0/20, 0.02 }, 150, alerts.Short},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			steel(f)
			f.Zones = f.Zones[:1]
			reportEvery(f, 15*time.Minute)
			b := newBench(t, f)
			b.draws(3e-4)
			carry, failed, n := []float64{10, 10, 20}, false, 0
			b.alter = func(d *device, r *pulse.Reading) bool {
				if d.node == 0 {
					n++
					r.Set(pulse.EarthVolts, carry[n%len(carry)])
					if failed {
						r.Set(pulse.EarthVolts, tt.stakes)
					}
				}
				return true
			}
			b.run(3 * 24 * time.Hour)
			b.quiet()
			tt.fail(b)
			failed = true
			b.run(90 * time.Minute)
			if a := b.only(); a.first().Cause != tt.want || a.last().Cause != tt.want {
				b.show()
				t.Errorf("told first as %s and last as %s, want %s", a.first().Cause, a.last().Cause, tt.want)
			}
		})
	}
}

// A wire on the ground leaves some volts where an energizer that is off leaves none. Two zones that show a pulse of a
// third of a kilovolt are no sign that it is off, even while nobody else has been heard.
func TestPulsesAreNoSignOfOff(t *testing.T) {
	f := paddocks()
	steel(f)
	reportEvery(f, 15*time.Minute)
	f.Zones[2].Sensor.Every, f.Zones[3].Sensor.Every = time.Minute, time.Minute
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	b.run(3 * time.Minute) // the slow ones have just spoken
	b.zone("brook").short, b.zone("brook").part = 1.0/20, 0.9
	b.run(2 * time.Hour)
	a := b.only()
	if slices.ContainsFunc(a.events, func(e alerts.Event) bool { return e.Cause == alerts.EnergizerOff }) || a.last().Cause != alerts.Short {
		b.show()
		t.Errorf("told last as %s; want a short, and the energizer never off", a.last().Cause)
	}
}
