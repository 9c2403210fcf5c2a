package detect_test

import (
	"slices"
	"testing"
	"time"

	"nightwire/alerts"
)

// touch lets a contact of ohms in the middle of a zone come and go: each time on and off for mean times drawn at
// random.
func (b *bench) touch(zone string, ohms float64, on, off time.Duration) {
	s := b.zone(zone)
	s.part = 0.5
	next := b.now
	b.while = func(now time.Time) {
		for !now.Before(next) {
			if s.short > 0 {
				s.short = 0
				next = next.Add(time.Duration(b.rng.ExpFloat64() * float64(off)))
			} else {
				s.short = 1 / ohms
				next = next.Add(time.Duration(b.rng.ExpFloat64() * float64(on)))
			}
		}
	}
}

// flaps are contacts that come and go, by sensor period.
var flaps = []struct {
	name    string
	every   time.Duration
	on, off time.Duration
	days    float64
	most    int // alarms
}{
	{"half a minute in five, each minute", time.Minute, 30 * time.Second, 4 * time.Minute, 0.5, 2},
	{"a minute in four, each minute", time.Minute, time.Minute, 3 * time.Minute, 0.5, 2},
	{"evenly, each minute", time.Minute, 4 * time.Minute, 4 * time.Minute, 0.5, 2},
	{"ten minutes of half an hour, each minute", time.Minute, 10 * time.Minute, 20 * time.Minute, 0.6, 3},
	{"mostly on, each minute", time.Minute, 20 * time.Minute, 5 * time.Minute, 0.5, 2},
	{"seconds, each minute", time.Minute, 5 * time.Second, 30 * time.Second, 0.5, 2},
	{"five minutes of twenty, each ten", 10 * time.Minute, 5 * time.Minute, 15 * time.Minute, 2, 3},
	{"evenly, each ten", 10 * time.Minute, 30 * time.Minute, 30 * time.Minute, 2, 3},
	{"seconds, each ten", 10 * time.Minute, 5 * time.Second, 20 * time.Second, 3, 3},
}

// A contact that comes and goes is a few alarms at most, comes to be called what it is, in its zone, and returns when
// it has long been calm.
func TestFlapping(t *testing.T) {
	t.Parallel()
	for _, tt := range flaps {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			reportEvery(f, tt.every)
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.quiet()
			b.touch("hazel", 200, tt.on, tt.off)
			b.run(time.Duration(tt.days * 24 * float64(time.Hour)))
			b.while = nil
			b.wires["cartshed"].mend()
			calm := b.now
			b.run(12 * time.Hour)
			all := b.alarms()
			if len(all) == 0 || len(all) > tt.most {
				b.show()
				t.Fatalf("%d alarms, want 1 to %d", len(all), tt.most)
			}
			i := slices.IndexFunc(b.events, func(e alerts.Event) bool { return e.Cause == alerts.CauseIntermittent })
			if i < 0 {
				b.show()
				t.Fatal("never called intermittent")
			}
			if e := b.events[i]; e.Condition != alerts.Intermittent || e.Priority != alerts.Medium {
				t.Errorf("told %s %s %s: %s; want intermittent, medium", e.Source, e.Condition, e.Priority, e.Text)
			}
			if e := b.events[i]; e.Source != "zone/hazel" {
				t.Logf("told of %s, truly hazel", e.Source)
			}
			for _, a := range all {
				if a.over.IsZero() {
					t.Errorf("%s is still up twelve hours after the last touch at %s", a.id, calm)
				}
			}
		})
	}
}

// weakTouches are contacts that leave every zone over its minimum, and which only a part of the reports catch.
var weakTouches = []struct {
	name    string
	ohms    float64 // of the wire, a kilometre
	contact float64
	every   time.Duration
	on, off time.Duration
	hours   float64
}{
	{"polywire, a few in an hour", 4000, 1400, time.Minute, 40 * time.Second, 10 * time.Minute, 10},
	{"polywire, minutes at a time", 4000, 1400, 2 * time.Minute, 4 * time.Minute, 40 * time.Minute, 10},
	{"steel, a few in an hour", 50, 700, time.Minute, 30 * time.Second, 8 * time.Minute, 10},
	{"steel, each five minutes", 50, 700, 5 * time.Minute, 40 * time.Second, 3 * time.Minute, 16},
}

// A contact that touches now and then over hours is told, as one alarm and in its zone where the wire's ohms tell, though
// it takes no zone under its minimum. When it is mended and told to be, what it did before is not held against the next
// animal that leans.
func TestWeakContactThatComesAndGoes(t *testing.T) {
	for _, tt := range weakTouches {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			strung(tt.ohms)(f)
			reportEvery(f, tt.every)
			b := newBench(t, f)
			b.run(50 * time.Hour)
			b.quiet()
			b.touch("hazel", tt.contact, tt.on, tt.off)
			b.run(time.Duration(tt.hours * float64(time.Hour)))
			a := b.only()
			if e := a.last(); e.Cause != alerts.CauseIntermittent || tt.ohms > 1000 && e.Source != "zone/hazel" {
				b.show()
				t.Errorf("told of %s as %s, %s", e.Source, e.Condition, e.Cause)
			}
			b.while = nil
			b.wires["cartshed"].mend()
			b.run(5 * time.Hour)
			if b.only().over.IsZero() {
				b.show()
				t.Error("still up five hours after the last touch")
			}
			b.zone("lane").short, b.zone("lane").part = 1.0/700, 0.5
			b.run(40 * time.Second)
			b.wires["cartshed"].mend()
			b.run(3 * time.Hour)
			b.only()
		})
	}
}

// leanings are how often a sensor reports, and how many alarms a fortnight of leaning stock may bring: where reports
// are ten minutes apart, two of them may each catch an animal.
var leanings = []struct {
	every time.Duration
	most  int
}{{20 * time.Second, 0}, {time.Minute, 0}, {10 * time.Minute, 1}}

// Stock that lean on the wire thirty times a day are nobody's alarm, as long as they do so for less than two reports.
func TestStockLeaning(t *testing.T) {
	for _, tt := range leanings {
		every := tt.every
		t.Run(every.String(), func(t *testing.T) {
			f := paddocks()
			for i := range f.Zones {
				f.Zones[i].Sensor.Every = every
			}
			b := newBench(t, f)
			b.run(24 * time.Hour)
			lane := b.zone("lane")
			next, up := b.now, time.Time{}
			b.while = func(now time.Time) {
				longest := min(28, 0.9*every.Seconds())
				if now.After(next) && now.Hour() >= 5 && now.Hour() < 21 { // 30 in sixteen hours
					up = now.Add(time.Duration((3 + (longest-3)*b.rng.Float64()) * float64(time.Second)))
					next = now.Add(3*time.Minute + time.Duration(b.rng.ExpFloat64()*float64(29*time.Minute)))
					lane.short, lane.part = 1/(300+900*b.rng.Float64()), b.rng.Float64()
				}
				if now.After(up) {
					lane.short = 0
				}
			}
			b.run(14 * 24 * time.Hour)
			if all := b.alarms(); len(all) > tt.most {
				b.show()
				t.Errorf("%d alarms of stock that lean, want at most %d", len(all), tt.most)
			}
		})
	}
}

// A wire that parts and joins is one that comes and goes, however often it is dead; when it stays parted it is told as dead.
func TestWireThatFlapsUntilItStaysParted(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	s, next := b.zone("lane"), b.now
	s.part = 0.5
	b.while = func(now time.Time) {
		for !now.Before(next) {
			s.parted = !s.parted
			next = next.Add(time.Duration((0.3 + b.rng.ExpFloat64()) * float64(4*time.Minute)))
		}
	}
	b.run(8 * time.Hour)
	if n := len(b.alarms()); n > 4 {
		b.show()
		t.Errorf("%d alarms of one wire that comes and goes", n)
	}
	b.while = nil
	s.parted = true
	b.run(2 * time.Hour)
	if e := b.events[len(b.events)-1]; e.Cause != alerts.Open || e.Condition != alerts.Dead || e.Kind == alerts.Returned {
		b.show()
		t.Errorf("a wire that stays parted was told last as %s, %s", e.Condition, e.Cause)
	}
}

// A single zone at a quick sensor whose wire parts and joins for two days is told dead three times, and then as one that
// comes and goes, however long the wind drops between.
func TestWirePartsAndJoinsForDays(t *testing.T) {
	f := paddocks()
	f.Zones = f.Zones[:1]
	reportEvery(f, 30*time.Second)
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	s, next := b.zone("brook"), b.now
	s.part = 0.5
	b.while = func(now time.Time) {
		for !now.Before(next) {
			mean := 2 * time.Minute
			if s.parted = !s.parted; !s.parted {
				mean = 30 * time.Minute
			}
			next = next.Add(time.Duration(b.rng.ExpFloat64() * float64(mean)))
		}
	}
	b.run(48 * time.Hour)
	if all := b.alarms(); len(all) > 8 {
		b.show()
		t.Errorf("%d alarms of one wire that parts and joins, want at most 8", len(all))
	}
}

// A sensor that catches some touches in a row, which those beside it catch and miss by turns, is no liar.
func TestCatchesTouchesInARow(t *testing.T) {
	f := paddocks()
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM, f.Zones[i].LengthM = 100, 450
	}
	b := newBench(t, f)
	b.run(36 * time.Hour)
	s := b.zone("lane")
	s.part = 0.3
	b.while = func(now time.Time) {
		minute, speaks := now.Minute(), slices.IndexFunc(b.devices, func(d *device) bool { return d.next.Add(-d.every).Equal(now) })
		s.short = 0
		if minute%3 == 0 || minute%20 < 8 && b.devices[speaks].source == "zone/brook" {
			s.short = 1.0 / 750
		}
	}
	b.run(12 * time.Hour)
	if a := b.only(); a.last().Cause != alerts.CauseIntermittent {
		b.show()
		t.Errorf("told of %s as %s", a.last().Source, a.last().Cause)
	}
}
