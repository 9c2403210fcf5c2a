package detect_test

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// steps has the bench's sensors report in steps of so many volts.
func steps(volts float64) func(*device, *pulse.Reading) bool {
	return func(_ *device, r *pulse.Reading) bool {
		v, _ := r.Get(pulse.Volts)
		r.Set(pulse.Volts, math.Round(v/volts)*volts)
		return true
	}
}

// row is one zone behind the other, of thin polywire, each sensor reporting that often.
func row(every time.Duration) *farm.Farm {
	f := paddocks()
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM = 7000
		if i > 0 {
			f.Zones[i].FedBy = f.Zones[i-1].Name
		}
	}
	reportEvery(f, every)
	return f
}

// doubted returns the alarms of sensors that are said to be stuck or wrong.
func (b *bench) doubted() []*told {
	b.t.Helper()
	var out []*told
	for _, a := range b.alarms() {
		if a.first().Condition == alerts.FaultySensor {
			out = append(out, a)
		}
	}
	return out
}

// noDoubt fails the test when a sensor was accused.
func (b *bench) noDoubt() {
	b.t.Helper()
	for _, a := range b.doubted() {
		b.t.Errorf("%s is accused at %s: %s %v", a.first().Source, a.raised, a.first().Text, a.first().Evidence)
	}
}

// An energizer's output hardly moves while a joint far out comes and goes: a coarse sensor there rests, and is not stuck.
func TestCoarseSensorAtRest(t *testing.T) {
	for _, noise := range []float64{0.002, 0.004, 0.008} {
		f := row(15 * time.Second)
		b := newBench(t, f)
		b.noise, b.alter = noise, steps(100)
		b.run(30 * time.Hour)
		for range 8 {
			b.zone("lane").inLine, b.zone("lane").part = 12_000, 0.5
			b.run(90 * time.Minute)
			b.zone("lane").inLine = 0
			b.run(90 * time.Minute)
		}
		b.noDoubt()
	}
}

// A sensor whose noise lies on a slow swell shows one value twenty times, then jumps about: its repeats come in bunches.
func TestRepeatsInBunches(t *testing.T) {
	b := newBench(t, row(time.Minute))
	b.noise = 0.001
	fine := steps(50)
	b.alter = func(d *device, r *pulse.Reading) bool {
		hours := b.now.Sub(start).Hours()
		v, _ := r.Get(pulse.Volts)
		r.Set(pulse.Volts, v*(1+0.004*math.Sin(2*math.Pi*hours*float64(2+d.node)/3)+0.012*b.rng.NormFloat64()*math.Max(0, math.Sin(hours))))
		return fine(d, r)
	}
	b.run(15 * 24 * time.Hour)
	b.noDoubt()
}

// A coarse sensor that is stuck cannot be told by its repeats: dew that takes the others down must, within a night.
func TestCoarseSensorStuck(t *testing.T) {
	for _, zone := range []farm.Source{"zone/brook", "zone/hazel", "zone/lane"} {
		b := newBench(t, row(time.Minute))
		b.noise, b.alter = 0.002, steps(100)
		b.run(30 * time.Hour)
		b.quiet()
		coarse, held := b.alter, 0.0
		b.alter = func(d *device, r *pulse.Reading) bool {
			coarse(d, r)
			if v, _ := r.Get(pulse.Volts); d.source == zone && held == 0 {
				held = v
			} else if d.source == zone {
				r.Set(pulse.Volts, held)
			}
			return true
		}
		b.run(2 * time.Hour)
		b.quiet()
		b.grow(8, 6*time.Hour)
		b.run(2 * time.Hour)
		if a := b.doubted(); len(a) != 1 || a[0].first().Source != zone {
			b.show()
			t.Errorf("%d sensors accused while %s is stuck", len(a), zone)
		}
	}
}

// grow multiplies every leakage by times, evenly over so long.
func (b *bench) grow(times float64, over time.Duration) {
	b.t.Helper()
	const steps = 60
	for range steps {
		for _, w := range b.wires {
			for i := range w.spans {
				w.spans[i].leak *= math.Pow(times, 1.0/steps)
			}
		}
		b.run(over / steps)
	}
}
