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
	more := map[string]float64{}
	for _, z := range f.Zones {
		more[z.Name] = (times - 1) * math.Exp(0.25*b.rng.NormFloat64())
	}
	b.wetten(more, 12*time.Hour, func(h float64) float64 {
		if h > 3 {
			return math.Exp(-(h - 3) / 2)
		}
		return 1 - math.Exp(-h*6)
	})
	b.run(12 * time.Hour)
}

// wetten has each zone leak more by its share of what it leaks dry, as wet as wet says by the hour. Then it is dry.
func (b *bench) wetten(more map[string]float64, lasts time.Duration, wet func(h float64) float64) {
	b.t.Helper()
	began := b.now
	dry := map[string]float64{}
	for name := range more {
		dry[name] = b.zone(name).leak
	}
	b.while = func(now time.Time) {
		w := wet(now.Sub(began).Hours())
		for name, g := range dry {
			b.zone(name).leak = g * (1 + more[name]*w)
		}
	}
	b.run(lasts)
	b.while = nil
	for name, g := range dry {
		b.zone(name).leak = g
	}
}

// A shower that passes over one zone more than over the rest, and leaves every zone over its minimum, looks like a wire on
// the ground for some minutes. Nobody is sent to look for it.
func TestShowerOnOneZone(t *testing.T) {
	for _, every := range []time.Duration{time.Minute, 2 * time.Minute, 5 * time.Minute} {
		t.Run(every.String(), func(t *testing.T) {
			f := paddocks()
			reportEvery(f, every)
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
	more := map[string]float64{}
	for _, z := range f.Zones {
		more[z.Name] = 4
	}
	more[wettest] = 12
	b.wetten(more, 6*time.Hour, func(h float64) float64 {
		if m := 60 * h; m > 14 {
			return math.Exp(-(m - 14) / 40)
		}
		return math.Min(1, 15*h)
	})
	b.run(12 * time.Hour)
}
