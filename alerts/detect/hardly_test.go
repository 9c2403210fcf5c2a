package detect_test

import (
	"fmt"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/pulse"
)

// creepTo takes the zone called name from where it stands down to volts within half a day and keeps it there.
func (b *bench) creepTo(name string, from, volts float64) {
	b.t.Helper()
	began := b.now
	b.while = func(now time.Time) {
		b.settleAt(name, volts+(from-volts)*max(0, 1-now.Sub(began).Hours()/12))
	}
	b.run(12 * time.Hour)
}

// toldLow returns when the zone called name was told as low since from, the zero time when it was not.
func (b *bench) toldLow(name string, from time.Time) time.Time {
	b.t.Helper()
	for _, a := range b.alarms() {
		for _, e := range a.events {
			if string(e.Source) == "zone/"+name && e.Condition == alerts.Low && !e.Time.Before(from) {
				return e.Time
			}
		}
	}
	return time.Time{}
}

// What a sensor was found to show too little when the fence was strung is not held against its zone, whether or not the farm
// file has the open voltage right; a zone that is truly under is told, and no less fast for a sensor that shows too much.
func TestLowByTheSensorAlone(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		common float64 // of every sensor: the energizer gives so much of what the farm file says
		lane   float64 // and this of lane's alone
		stands float64 // volts that lane truly has
		told   bool
	}{
		{"a sensor that shows too little", 1, 0.96, 2550, false},
		{"and an energizer that gives less than is written", 0.95, 0.96, 2550, false},
		{"truly under", 1, 0.96, 2440, true},
		{"all sensors alike", 0.95, 1, 2440, true},
		{"a sensor that shows too much", 1, 1.03, 2380, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			for _, d := range b.devices {
				d.gain = 1
			}
			for _, w := range b.wires {
				w.open *= c.common
			}
			b.devices[3].gain = c.lane // of cartshed, brook, hazel and lane the last
			b.settleAt("lane", 7500)
			b.run(36 * time.Hour)
			b.quiet()
			b.creepTo("lane", 7500, c.stands)
			there := b.now
			b.run(15 * time.Minute)
			if c.told && b.toldLow("lane", start).IsZero() {
				b.show()
				t.Errorf("not told a quarter of an hour after %s", there)
			}
			b.run(36 * time.Hour)
			if at := b.toldLow("lane", start); !c.told && !at.IsZero() {
				b.show()
				t.Errorf("told at %s, and lane truly stands at %.0f V", at, c.stands)
			}
		})
	}
}

// A zone that noise takes under its minimum and back is not told; one that stands under it by next to nothing is, an
// hour later, and one that sinks on at once.
func TestHardlyLow(t *testing.T) {
	for _, c := range []struct {
		name        string
		noise       float64
		stands      float64
		first, last time.Duration // after it stands so, when it is told; 0 for never
	}{
		{"noise about the minimum", 0.015, 2512, 0, 0},
		{"under by next to nothing", 0.004, 2492, 30 * time.Minute, 2 * time.Hour},
		{"well under", 0.004, 2440, 0, 10 * time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, lonely(time.Minute))
			b.devices[1].gain = 1
			b.noise = c.noise
			b.settleAt("brook", 5500)
			b.run(36 * time.Hour)
			b.quiet()
			b.creepTo("brook", 5500, 2512)
			b.while = nil
			b.settleAt("brook", c.stands)
			there := b.now
			b.run(12 * time.Hour)
			at := b.toldLow("brook", start)
			switch late := at.Sub(there); {
			case c.last == 0 && !at.IsZero():
				b.show()
				t.Errorf("told %s after it stood so, want never", late)
			case c.last > 0 && (at.IsZero() || late < c.first || late > c.last):
				b.show()
				t.Errorf("told at %s, want between %s and %s after %s", at, c.first, c.last, there)
			}
		})
	}
}

// Nothing is known yet of a sensor, and its first readings are a hot wire and then a dead one: as when it is tried out.
// That is told.
func TestDeadFromTheThirdReading(t *testing.T) {
	for _, apart := range []time.Duration{20 * time.Millisecond, time.Second, time.Minute} {
		f := paddocks()
		f.Zones = f.Zones[:1]
		f.Zones[0].MinimumVolts = 2000
		w := newWatch(t, f)
		var events []alerts.Event
		for i, volts := range []float64{7400, 0, 0} {
			r := pulse.Reading{Sensor: detect.SensorID(f, f.Zones[0].Source()), At: start.Add(time.Duration(i) * apart)}
			r.Arrived = r.At
			r.Set(pulse.Volts, volts)
			events = append(events, w.Observe(r)...)
		}
		events = append(events, w.Tick(start.Add(2*apart+time.Second))...)
		if len(events) != 1 || events[0].Condition != alerts.Dead || events[0].Source != "zone/brook" {
			t.Errorf("%s apart: told %v, want brook dead", apart, events)
		}
	}
}

// A long fence of which a zone hangs just under its minimum costs no memory per reading either.
func TestAZoneAtItsMinimumDoesNotAllocate(t *testing.T) {
	f := paddocks()
	f.Zones = f.Zones[:1]
	for i := 1; i < 33; i++ {
		z := f.Zones[0]
		z.Name, z.FedBy, z.LengthM = fmt.Sprintf("strip%d", i), f.Zones[i-1].Name, 30
		z.Sensor.Topic = "croft/" + z.Name
		f.Zones = append(f.Zones, z)
	}
	f.Zones[32].MinimumVolts = 4000
	reportEvery(f, 15*time.Minute)
	b := newBench(t, f)
	b.noise = 0.004
	b.run(36 * time.Hour)
	b.creepTo("strip32", 7000, 4020)
	r := pulse.Reading{Sensor: detect.SensorID(f, f.Zones[32].Source())}
	n := 0
	low := func() {
		n++
		r.At = b.now.Add(time.Duration(n) * 100 * time.Millisecond)
		r.Arrived = r.At
		r.Set(pulse.Volts, 3985+float64(n%3))
		b.watch.Observe(r)
	}
	for range 10 {
		low()
	}
	if got := testing.AllocsPerRun(1000, low); got > 0 {
		t.Errorf("%v allocations a reading, want none", got)
	}
}
