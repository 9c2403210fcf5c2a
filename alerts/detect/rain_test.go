package detect_test

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// downpours wet a fence over some ten minutes, each zone in its own way, and take no zone under its minimum.
var downpours = []struct {
	name  string
	every []time.Duration // of the energizer's sensor, then the zones'
	ohms  float64         // a kilometre; 0 leaves the wire as it is
	times float64         // more leakage when wet
}{
	{"every minute", []time.Duration{time.Minute}, 0, 5},
	{"every five minutes", []time.Duration{5 * time.Minute}, 0, 5},
	{"each at a pace of its own", []time.Duration{30 * time.Second, 10 * time.Minute, time.Minute, 5 * time.Minute, 8 * time.Minute}, 0, 5},
	{"steel, each at a pace of its own", []time.Duration{30 * time.Second, 10 * time.Minute, time.Minute, 5 * time.Minute, 8 * time.Minute}, 30, 5},
}

// Rain takes the whole fence down within minutes, and nobody is to walk it for that.
func TestDownpour(t *testing.T) {
	for _, tt := range downpours {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			f.Energizers[0].Sensor.Every = tt.every[0]
			for i := range f.Zones {
				f.Zones[i].Sensor.Every = tt.every[(i+1)%len(tt.every)]
				if tt.ohms > 0 {
					f.Zones[i].OhmsPerKM = tt.ohms
				}
			}
			b := newBench(t, f)
			b.noise = 0.012
			b.run(36 * time.Hour)
			for range 5 {
				b.rain(f, tt.times)
			}
			for _, a := range b.alarms() {
				if a.first().Condition != alerts.Low {
					b.show()
					t.Fatalf("told %s as %s: %s", a.first().Source, a.first().Cause, a.first().Text)
				}
			}
		})
	}
}

// rain falls for three hours and dries off in nine; zones differ in how wet they get by a half.
func (b *bench) rain(f *farm.Farm, times float64) {
	b.t.Helper()
	began := b.now
	dry := map[*span]float64{}
	unlike := map[*span]float64{}
	for _, z := range f.Zones {
		s := b.zone(z.Name)
		dry[s], unlike[s] = s.leak, math.Exp(0.25*b.rng.NormFloat64())
	}
	b.while = func(now time.Time) {
		h := now.Sub(began).Hours()
		wet := 1 - math.Exp(-h*6)
		if h > 3 {
			wet = math.Exp(-(h - 3) / 2)
		}
		for s, g := range dry {
			s.leak = g * (1 + (times-1)*wet*unlike[s])
		}
	}
	b.run(12 * time.Hour)
	b.while = nil
	for s, g := range dry {
		s.leak = g
	}
	b.run(12 * time.Hour)
}

// A shower that passes over one zone more than over the rest, and leaves every zone over its minimum, looks like a wire on
// the ground for some minutes. Nobody is sent to look for it.
func TestShowerOnOneZone(t *testing.T) {
	for _, every := range []time.Duration{time.Minute, 2 * time.Minute, 5 * time.Minute} {
		t.Run(every.String(), func(t *testing.T) {
			f := paddocks()
			f.Energizers[0].Sensor.Every = every
			for i := range f.Zones {
				f.Zones[i].Sensor.Every = every
			}
			b := newBench(t, f)
			b.noise = 0.012
			b.run(36 * time.Hour)
			for range 6 {
				b.shower(f, "hazel")
			}
			for _, a := range b.alarms() {
				if a.first().Condition == alerts.Dropping && a.first().Cause == alerts.Short {
					b.show()
					t.Fatalf("told %s as %s: %s", a.first().Source, a.first().Cause, a.first().Text)
				}
			}
		})
	}
}

// shower wets one zone within minutes and the others a third as much, stops after a quarter of an hour, and dries.
func (b *bench) shower(f *farm.Farm, wettest string) {
	b.t.Helper()
	began := b.now
	dry := map[*span]float64{}
	more := map[*span]float64{}
	for _, z := range f.Zones {
		s := b.zone(z.Name)
		dry[s], more[s] = s.leak, 4
		if z.Name == wettest {
			more[s] = 12
		}
	}
	b.while = func(now time.Time) {
		m := now.Sub(began).Minutes()
		wet := math.Min(1, m/4)
		if m > 14 {
			wet = math.Exp(-(m - 14) / 40)
		}
		for s, g := range dry {
			s.leak = g * (1 + more[s]*wet)
		}
	}
	b.run(6 * time.Hour)
	b.while = nil
	for s, g := range dry {
		s.leak = g
	}
	b.run(12 * time.Hour)
}
