package detect_test

import (
	"math"
	"math/rand/v2"
	"slices"
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
		stick(zone)(b)
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

// And so must a trim, which takes the others up.
func TestCoarseSensorStuckAtATrim(t *testing.T) {
	for _, zone := range []string{"hazel", "lane", "orchard"} {
		f := paddocks()
		needing(f, 500)
		b := newBench(t, f)
		b.noise, b.alter = 0.001, steps(100)
		all := func(times float64) {
			for _, z := range f.Zones {
				b.zone(z.Name).leak *= times
			}
		}
		all(10)
		b.run(50 * time.Hour)
		b.quiet()
		stick(farm.ZoneSource(zone))(b)
		b.run(40 * time.Minute)
		all(0.4)
		b.run(2 * time.Hour)
		if e := b.only().first(); e.Source != farm.ZoneSource(zone) || e.Condition != alerts.FaultySensor {
			b.show()
			t.Errorf("told %s of %s while %s's sensor is stuck", e.Condition, e.Source, zone)
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

// In growth so deep that a zone has some hundreds of volts left, steps and a zero that is off make the sensor behind read
// more than the one before it: that is no liar, and the zones are told as low.
func TestPairsInDeepGrowth(t *testing.T) {
	for _, tt := range []struct{ step, zero float64 }{{100, 0}, {20, 40}} {
		f := row(time.Minute)
		f.Zones[2].OhmsPerKM, f.Zones[3].OhmsPerKM = 300, 300
		b := newBench(t, f)
		b.noise = 0.002
		coarse := steps(tt.step)
		b.alter = func(d *device, r *pulse.Reading) bool {
			if v, _ := r.Get(pulse.Volts); v > 0 {
				r.Set(pulse.Volts, v+tt.zero*float64(1-2*(d.node%2)))
			}
			return coarse(d, r)
		}
		b.run(30 * time.Hour)
		b.grow(150, 48*time.Hour)
		b.run(24 * time.Hour)
		b.noDoubt()
		low := 0
		for _, a := range b.alarms() {
			if a.first().Condition == alerts.Low || a.first().Condition == alerts.Dead {
				low++
			}
		}
		if low == 0 {
			t.Error("nothing was told of zones under their minimum")
		}
	}
}

// Rain takes a zone under its minimum that a quick sensor watches; the slow ones behind it have not spoken since. That
// makes no liar of the quick one, and the low is told.
func TestLowBeforeTheSensorsBehindHaveSpoken(t *testing.T) {
	f := row(15 * time.Minute)
	f.Zones[0].Sensor.Every = 15 * time.Second
	for i := range f.Zones[1:] {
		f.Zones[1+i].OhmsPerKM = 100
	}
	b := newBench(t, f)
	b.run(30 * time.Hour)
	for b.brook() > 2650 {
		b.grow(1.1, 4*time.Hour)
	}
	b.noDoubt()
	b.grow(1.6, 14*time.Minute)
	b.run(time.Hour)
	b.noDoubt()
	b.about("zone/brook", alerts.Low)
}

// brook returns what is truly at the end of the first zone.
func (b *bench) brook() float64 {
	b.wires["cartshed"].volts(b.volts)
	return b.volts[1]
}

// A sensor that drifts low within the hour, while those behind it stay hot, is told as what it is and not as a low.
func TestSensorThatDriftsLow(t *testing.T) {
	b := newBench(t, row(time.Minute))
	b.run(30 * time.Hour)
	b.alter = drifts(b, "zone/brook")
	b.run(3 * time.Hour)
	if e := b.only().first(); e.Source != "zone/brook" || e.Condition != alerts.FaultySensor {
		b.show()
		t.Errorf("%s told as %s, want the sensor of brook", e.Source, e.Condition)
	}
}

// drifts has the sensor of s fall to a third of the truth within the hour from now on.
func drifts(b *bench, s farm.Source) func(*device, *pulse.Reading) bool {
	from := b.now
	return func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); d.source == s {
			r.Set(pulse.Volts, v*math.Pow(0.3, min(1, b.now.Sub(from).Hours())))
		}
		return true
	}
}

// Those behind are stuck at what they showed before growth took the fence down: the low is told all the same.
func TestLowBeforeStuckSensors(t *testing.T) {
	b := newBench(t, row(time.Minute))
	coarse := steps(100)
	b.noise, b.alter = 0.001, coarse
	b.run(30 * time.Hour)
	held, told := map[farm.Source]float64{}, false
	b.alter = func(d *device, r *pulse.Reading) bool {
		coarse(d, r)
		v, _ := r.Get(pulse.Volts)
		if was, ok := held[d.source]; ok && d.node > 1 {
			v = was
		}
		held[d.source] = v
		r.Set(pulse.Volts, v)
		return true
	}
	b.run(time.Hour)
	b.grow(60, 80*time.Minute)
	b.run(time.Hour)
	for _, a := range b.alarms() {
		for _, e := range a.events {
			if e.Source == "zone/brook" && e.Condition == alerts.FaultySensor {
				t.Errorf("brook's sensor is accused: %s", e.Text)
			}
			told = told || e.Priority == alerts.High && (e.Source == "zone/brook" || slices.Contains(e.Zones, "brook"))
		}
	}
	if !told {
		b.show()
		t.Error("brook is under its minimum and nobody is told")
	}
}

// A sensor speaks again after hours. What the fence did meanwhile is no lie of it, and a fault that came is one.
func TestSensorThatWasSilentForHours(t *testing.T) {
	play := func(after func(b *bench)) *bench {
		b := newBench(t, row(time.Minute))
		b.run(30 * time.Hour)
		b.alter = func(d *device, _ *pulse.Reading) bool { return d.source != "zone/lane" }
		b.run(time.Hour)
		after(b)
		b.run(3 * time.Hour)
		b.alter = nil
		b.run(6 * time.Hour)
		b.noDoubt()
		return b
	}
	t.Run("rain came", func(t *testing.T) {
		b := play(func(b *bench) { b.grow(5, time.Hour) })
		for _, a := range b.alarms() {
			if c := a.first().Cause; c != alerts.SensorSilent && c != alerts.Vegetation {
				t.Errorf("%s told as %s", a.first().Source, c)
			}
		}
	})
	t.Run("a wire touches", func(t *testing.T) {
		b := play(func(b *bench) { short("lane", 400, 0.9)(b) })
		b.about("zone/lane", alerts.Low)
	})
}

// A sensor that sticks while the energizer gives too little is told as stuck when the rest of the fence is well again, and
// does not keep the energizer's alarm standing.
func TestStuckSinceAFaultThatIsOver(t *testing.T) {
	b := newBench(t, paddocks())
	b.noise = 0.012
	b.run(30 * time.Hour)
	w := b.wires["cartshed"]
	open := w.open
	w.open *= 0.6
	b.run(2 * time.Hour)
	stuck := math.NaN()
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); d.source == "zone/lane" {
			if math.IsNaN(stuck) {
				stuck = v
			}
			r.Set(pulse.Volts, stuck)
		}
		return true
	}
	b.run(9 * time.Hour)
	w.open = open
	well := b.now
	b.run(time.Hour)
	if a := b.about("zone/lane", alerts.FaultySensor); a.raised.Before(well) || a.raised.Sub(well) > 10*time.Minute {
		b.show()
		t.Errorf("told as stuck %s after the others were well", a.raised.Sub(well))
	}
	if a := b.about("energizer/cartshed", alerts.Weak); a.over.IsZero() || a.over.Sub(well) > 15*time.Minute {
		b.show()
		t.Errorf("the energizer's alarm is over at %s, it was well at %s", a.over, well)
	}
}

// Of two sensors at the end of a line that contradict each other the one is told that shows another share of the rest
// than on the days before: by itself the fence can do without either. Of 80 such fences this is one where the other was
// told.
func TestWhichOfTwoAtTheEnd(t *testing.T) {
	rng := rand.New(rand.NewPCG(43, 5))
	f := row(5 * time.Minute)
	f.Zones[2].LengthM, f.Zones[3].LengthM = 250, 170
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM, f.Zones[i].MinimumVolts = 3000, 1000
	}
	f.Zones[3].OhmsPerKM = 1300
	b := newBench(t, f)
	w := b.wires["cartshed"]
	for i := range w.spans {
		w.spans[i].leak = 2e-5 * math.Exp(0.7*rng.NormFloat64())
		w.spans[i].ohms *= math.Exp(0.2 * rng.NormFloat64()) // not quite as in the farm file
	}
	w.source *= math.Exp(0.2 * rng.NormFloat64())
	b.run(54 * time.Hour)
	b.grow(10, 4*time.Hour)
	b.run(5 * time.Hour)
	from := b.now
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); d.source == "zone/orchard" {
			r.Set(pulse.Volts, v*math.Pow(1/0.76, min(1, b.now.Sub(from).Hours()/4)))
		}
		return true
	}
	b.grow(0.2, 8*time.Hour)
	b.run(12 * time.Hour)
	if a := b.doubted(); len(a) != 1 || a[0].first().Source != "zone/orchard" {
		b.show()
		t.Errorf("%d sensors accused, want that of orchard alone", len(a))
	}
}
