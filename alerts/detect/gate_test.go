package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
)

// gates are how long somebody holds a gate of the fence open, and how often the sensors speak.
var gates = []struct{ open, every time.Duration }{
	{45 * time.Second, 15 * time.Second},
	{100 * time.Second, 30 * time.Second},
	{130 * time.Second, time.Minute},
	{11 * time.Minute, 5 * time.Minute},
}

// A gate that is shut again while the fence is still being looked at was open, and nothing else: what the sensors say then is
// half of a dead wire and half of a hot one, and fits a bad joint best.
func TestGateShutAgain(t *testing.T) {
	for _, tt := range gates {
		t.Run(tt.every.String(), func(t *testing.T) {
			f := paddocks()
			reportEvery(f, tt.every)
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.quiet()
			for range 12 {
				s := b.zone("hazel")
				s.parted, s.part = true, 0.1
				b.run(tt.open)
				s.parted = false
				b.run(5 * time.Hour)
			}
			for _, a := range b.alarms() {
				if a.over.IsZero() {
					t.Errorf("%s is still up", a.id)
				}
				for _, e := range a.events {
					if e.Cause != alerts.Open || e.Source != "zone/hazel" {
						b.show()
						t.Fatalf("told %s of %s: %s", e.Cause, e.Source, e.Text)
					}
				}
			}
		})
	}
}

// Where growth is thick, what is left of it before a parted wire draws as much as a wire on the ground. The energizer
// tells: it is relieved by as much as lies behind the break.
func TestBreakInThickGrowth(t *testing.T) {
	for _, part := range []float64{0.02, 0.08, 0.2, 0.5} {
		f := paddocks()
		f.Zones = f.Zones[:1]
		f.Zones[0].LengthM, f.Zones[0].OhmsPerKM = 2000, 120
		b := newBench(t, f)
		b.wires["cartshed"].spans[0].leak = 1.0 / 450
		b.run(30 * time.Hour)
		s := b.zone("brook")
		s.parted, s.part = true, part
		for _, e := range b.run(time.Hour) {
			if e.Condition == alerts.Dead && e.Cause != alerts.Open {
				b.show()
				t.Errorf("parted after %.0f %% of the zone: told as %s", 100*part, e.Cause)
				break
			}
		}
		if len(b.events) == 0 {
			t.Errorf("parted after %.0f %% of the zone: nothing told", 100*part)
		}
	}
}

// A wire that growth has pulled under its minimum can part too, and then that is what is told of every zone behind.
func TestBreakInAGrownFence(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	w, grown := b.wires["cartshed"], b.now
	b.while = func(now time.Time) {
		for i := range w.spans {
			w.spans[i].leak = 2e-5 + 4e-4*min(1, now.Sub(grown).Hours()/48)
		}
	}
	b.run(60 * time.Hour)
	if n := len(b.alarms()); n == 0 {
		t.Fatal("the growth took no zone under its minimum")
	}
	s := b.zone("hazel")
	s.parted, s.part = true, 0.1
	said := b.run(3 * time.Hour)
	found := false
	for _, e := range said {
		if e.Condition != alerts.Dead {
			continue
		}
		found = true
		if e.Cause != alerts.Open || e.Source != "zone/hazel" {
			b.show()
			t.Fatalf("told %s of %s: %s", e.Cause, e.Source, e.Text)
		}
	}
	if !found {
		b.show()
		t.Error("nothing was told of a dead wire")
	}
}

// A gate that is opened before thick growth, and shut again before the zone's slow sensor has spoken twice, is told all
// the same: the zones before it rise at once, and bear the one dead reading out. One dead reading alone wakes nobody.
func TestGateBeforeGrowthWhereTheSensorIsSlow(t *testing.T) {
	for _, tt := range []struct {
		name string
		leak float64 // of the last zone, siemens
		told bool
	}{
		{"growth behind the gate", 4e-4, true},
		{"nothing behind the gate", 1e-8, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := row(time.Minute)
			last := len(f.Zones) - 1
			f.Zones[last].Sensor.Every = 15 * time.Minute
			b := newBench(t, f)
			s := &b.wires["cartshed"].spans[last]
			s.leak, s.part = tt.leak, 0.02
			b.run(30 * time.Hour)
			before := len(b.events)
			s.parted = true
			b.run(16 * time.Minute)
			s.parted = false
			b.run(time.Hour)
			told := false
			for _, e := range b.events[before:] {
				told = told || e.Kind == alerts.Raised && e.Cause == alerts.Open && e.Source == f.Zones[last].Source()
			}
			if told != tt.told {
				b.show()
				t.Errorf("told: %v, want %v", told, tt.told)
			}
		})
	}
}
