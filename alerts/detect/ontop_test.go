package detect_test

import (
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// An insulator is known to track when wet, and a wire comes down in its zone: that leaves next to nothing, be it wet or
// dry. Who knows of the one is told of the other, and is not sent to look for a cracked insulator at dusk.
func TestShortWhereAnInsulatorTracks(t *testing.T) {
	for _, tt := range []struct {
		name  string
		after time.Duration // since noon
	}{{"by day", 0}, {"in the wet", 16 * time.Hour}} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.nights(4, nil)
			b.run(6*24*time.Hour + 12*time.Hour)
			b.nights(4, map[string]float64{"hazel": 1.0 / 450})
			b.atNoon()
			b.atNoon()
			b.only()
			b.run(tt.after)
			weather, fell := b.while, b.now
			b.while = func(now time.Time) {
				weather(now)
				short("hazel", 50, 0.4)(b)
			}
			b.run(time.Hour)
			all := b.alarms()
			a := all[len(all)-1]
			if e := a.last(); len(all) != 2 || e.Source != "zone/hazel" || e.Cause != alerts.Short || strings.Contains(e.Text, "wet") || a.raised.Sub(fell) > 5*time.Minute {
				b.show()
				t.Errorf("%d alarms, the newest of %s after %s: %q", len(all), e.Source, a.raised.Sub(fell), e.Text)
			}
		})
	}
}

// Something takes the fence far down at a stroke, and every zone is over its minimum yet. No shower does that, and
// nobody waits to see whether it is one.
func TestFarDownIsToldAtOnce(t *testing.T) {
	f := paddocks()
	needing(f, 1500)
	b := newBench(t, f)
	b.run(30 * time.Hour)
	fell := b.now
	short("brook", 220, 0.1)(b)
	b.run(time.Hour)
	if a := b.only(); a.first().Condition != alerts.Dropping || a.first().Cause != alerts.Short || a.raised.Sub(fell) > 6*time.Minute {
		b.show()
		t.Errorf("told %s by %s after %s", a.first().Condition, a.first().Cause, a.raised.Sub(fell))
	}
}

// Growth has lane under its minimum and that is told. While the energizer is off something else comes to pass there: when it
// pulses again and lane alone stays dead, that is no growth.
func TestDeadAfterTheEnergizerWasOff(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name   string
		zone   string
		cause  alerts.Cause
		happen func(*bench)
	}{
		{"the wire parts", "zone/lane", alerts.Open, part("lane", 0.3)},
		{"the sensor before it sticks", "zone/hazel", alerts.CauseSensorFaulty, func(b *bench) {
			b.alter = func(d *device, r *pulse.Reading) bool {
				if d.source == "zone/hazel" {
					r.Set(pulse.Volts, 0)
				}
				return true
			}
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.run(36 * time.Hour)
			b.growUntilLow("lane", b.farm.Zones[1], b.farm.Zones[2])
			power(0)(b)
			b.run(time.Hour)
			tt.happen(b)
			b.run(6 * time.Hour)
			power(1)(b)
			on, known := b.now, len(b.alarms())
			b.run(time.Hour)
			all := b.alarms()
			if len(all) != known+1 {
				b.show()
				t.Fatalf("%d alarms more, want one", len(all)-known)
			}
			if a := all[known]; string(a.last().Source) != tt.zone || a.last().Cause != tt.cause || a.raised.Sub(on) > 15*time.Minute {
				b.show()
				t.Errorf("told of %s as %s after %s", a.last().Source, a.last().Cause, a.raised.Sub(on))
			}
		})
	}
}

// What sensors show of a dead wire comes and goes by many times itself. When the energizer has been off for days and
// pulses again, a wire that comes to lie on the ground is told of as soon as ever, and in its place.
func TestFallSoonAfterDaysOff(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(36 * time.Hour)
	b.quiet()
	b.flickers()
	power(0)(b)
	b.run(48 * time.Hour)
	power(1)(b)
	b.run(30 * time.Minute)
	known, fell := len(b.alarms()), b.now
	short("lane", 700, 0.5)(b)
	b.run(30 * time.Minute)
	all := b.alarms()
	if len(all) != known+1 {
		b.show()
		t.Fatalf("%d alarms more, want one", len(all)-known)
	}
	if a := all[known]; a.last().Cause != alerts.Short || a.last().Source != "zone/lane" || a.raised.Sub(fell) > 5*time.Minute {
		b.show()
		t.Errorf("told of %s as %s after %s", a.last().Source, a.last().Cause, a.raised.Sub(fell))
	}
}

// A strand breaks while the energizer is off, or a wire comes to lie on the ground, and nobody can see that. When it
// pulses again zones show a third of what they did: that is one fault and no growth, be it that the battery gave less
// and less before it failed.
func TestFaultThatCameWhileTheEnergizerWasOff(t *testing.T) {
	for _, tt := range []struct {
		name   string
		gives  float64 // what the battery gave in the end, as a share
		happen func(*bench)
		zone   farm.Source
		cause  alerts.Cause
	}{
		{"all until it stopped", 1, joint("hazel", 20_000), "zone/hazel", alerts.Joint},
		{"less and less", 0.6, joint("hazel", 20_000), "zone/hazel", alerts.Joint},
		{"a wire on the ground", 1, short("lane", 700, 0.5), "zone/lane", alerts.Short},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.draws(4e-4)
			supply, interval := 12.8, 1300.0
			b.supplied(&supply, &interval)
			b.run(36 * time.Hour)
			b.quiet()
			supply = 11.4
			w, full, from := b.wires["cartshed"], b.wires["cartshed"].open, b.now
			b.while = func(now time.Time) { w.open = full * (1 - (1-tt.gives)*min(1, now.Sub(from).Hours()/24)) }
			b.run(25 * time.Hour)
			b.while, w.open, supply = nil, 0, 9
			b.run(2 * time.Hour)
			tt.happen(b)
			b.run(10 * time.Hour)
			known := len(b.alarms())
			w.open, supply = full, 13
			b.run(3 * time.Hour)
			all := b.alarms()
			if len(all) != known+1 {
				b.show()
				t.Fatalf("%d alarms more, want one", len(all)-known)
			}
			for _, e := range all[known].events {
				if e.Source != tt.zone || e.Cause != tt.cause {
					b.show()
					t.Errorf("told of %s as %s", e.Source, e.Cause)
				}
			}
		})
	}
}

// A wire has parted on one branch and nobody joins it. A sensor on another that comes to show less than the one behind
// it is at fault, whatever else is wrong with the fence.
func TestSensorDriftsBesideABreak(t *testing.T) {
	b := newBench(t, paddocks())
	b.draws(4e-4)
	b.run(30 * time.Hour)
	part("orchard", 0.3)(b)
	b.run(3 * time.Hour)
	if a := b.only(); a.last().Cause != alerts.Open {
		t.Fatalf("the break is told as %s", a.last().Cause)
	}
	from := b.now
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); d.source == "zone/brook" {
			r.Set(pulse.Volts, v*(1-0.2*min(1, b.now.Sub(from).Hours()/12)))
		}
		return true
	}
	b.run(18 * time.Hour)
	if a := b.about("zone/brook", alerts.FaultySensor); len(b.alarms()) != 2 || !a.over.IsZero() {
		b.show()
		t.Errorf("%d alarms", len(b.alarms()))
	}
}
