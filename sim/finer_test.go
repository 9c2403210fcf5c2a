package sim

import (
	"math"
	"slices"
	"testing"
	"time"

	"nightwire/ingest/farm"
)

// The sun stands highest at noon by the place's own meridian: four minutes a degree, later in the west.
func TestNoonFollowsLongitude(t *testing.T) {
	for longitude, want := range map[float64]time.Duration{0: 12 * time.Hour, -7: 12*time.Hour + 28*time.Minute, 30: 10 * time.Hour} {
		c := Climate{LatitudeDeg: 53, LongitudeDeg: longitude}
		best, noon := 0.0, time.Duration(0)
		for m := range 24 * 60 {
			at := time.Duration(m) * time.Minute
			if h := sunHeight(c, may(1).Add(at)); h > best {
				best, noon = h, at
			}
		}
		if off := (noon - want).Abs(); off > 2*time.Minute {
			t.Errorf("at %g degrees noon is at %v, want %v", longitude, noon, want)
		}
	}
}

// The year is warmest in late July in the north and in late January in the south, by what the climate says.
func TestSeasonsOfTheYear(t *testing.T) {
	for _, tt := range []struct {
		latitude float64
		warm     time.Month
		cold     time.Month
	}{{53, time.July, time.January}, {-40, time.January, time.July}} {
		c := Climate{LatitudeDeg: tt.latitude, MeanC: 10, SeasonC: 6}
		if warm, cold := seasonC(c, on(tt.warm, 22)), seasonC(c, on(tt.cold, 22)); math.Abs(warm-16) > 0.05 || math.Abs(cold-4) > 0.05 {
			t.Errorf("at %g degrees it is %.2f and %.2f °C in %s and %s, want 16 and 4", tt.latitude, warm, cold, tt.warm, tt.cold)
		}
	}
}

// What a meter on the battery reads: under the draw a little less than at rest, in the sun by up to 0.9 V more, as the panel
// gives; and what a lithium cell gives over its life. Common practice, no source.
func TestVoltsUnderWay(t *testing.T) {
	p := Power{SolarMA: 500}
	near(t, "by night", supplyVolts(&p, 1, &Hour{}), 12.48, 1e-9)
	near(t, "at a clear noon", supplyVolts(&p, 1, &Hour{Sun: 1}), 13.38, 1e-9)
	near(t, "with half a panel", supplyVolts(&Power{SolarMA: 250}, 0.5, &Hour{Sun: 1}), 12.53, 1e-9)
	s := sensor{Sensor: Sensor{BatteryDays: 100}, started: may(1)}
	for days, want := range map[float64]float64{0: 3.6, 40: 3.56, 80: 3.52, 100: 2.7} {
		near(t, "cell", s.cellVolts(&truth{at: may(1).Add(time.Duration(days * 24 * float64(time.Hour))), tempC: 15}), want, 1e-9)
	}
}

// Stock lean on the wire for a second to a minute, through 500 to 5,000 ohms, mostly by day; what is left of a reading is
// what so many ohms leave at the worst.
func TestPushes(t *testing.T) {
	o := bank()
	g := o.Grounds["lane"]
	g.PushesDay = 200
	o.Grounds["lane"] = g
	w, night := newWorld(o), 0
	for _, p := range w.pushes {
		if d := p.to.Sub(p.from); d < time.Second || d > time.Minute || p.siemens < 1.0/5000 || p.siemens > 1.0/500 || p.atM < 0 || p.atM > 150 {
			t.Fatalf("a push of %v with %g S at %g m", d, p.siemens, p.atM)
		}
		if h := p.from.Hour(); h <= 6 || h >= 20 {
			night++
		}
	}
	if n := len(w.pushes); n < 600 || n > 1400 || night > n/4 {
		t.Errorf("%d pushes in a week of 200 a day by day, %d of them by night", n, night)
	}
	vs := volts(reports(t, o, "alder-bank/lane/kv"))
	usual := slices.Sorted(slices.Values(vs))[len(vs)/2]
	// 8.2 kV behind 410 ohms and 550 m of wire of 4,000 ohms a km leave 717 V where two lean through 500 ohms.
	if low, high := slices.Min(vs), slices.Max(vs); low < 717 || low > 0.5*usual || high > 1.1*usual {
		t.Errorf("readings from %.0f to %.0f V where %.0f is usual", low, high, usual)
	}
}

// A place for a fault changes nothing of a sound fence, at either end of a zone or within.
func TestPlacesChangeNothing(t *testing.T) {
	for _, atM := range []float64{0, 77, 180} {
		with, sound := bank(Fault{Kind: BadJoint, On: farm.ZoneSource("brook"), AtM: atM, Ohms: 300}), bank()
		a, b := newWorld(with), newWorld(sound)
		a.solve(may(2), state{})
		b.solve(may(2), state{})
		for i := range a.zones {
			near(t, a.opts.Farm.Zones[i].Name, a.net.volts[a.net.zones[i].end], b.net.volts[b.net.zones[i].end], 1e-4) // cut into other lumps
		}
	}
}

// A label shows when something can be seen of its fault: never, for one that is too small; when it has grown, for one that
// comes on slowly; and it ends with the season where its fault does not.
func TestWhenALabelShows(t *testing.T) {
	hazel := farm.ZoneSource("hazel")
	o := bank(
		Fault{Kind: Short, On: hazel, AtM: 100, Ohms: 1e6},
		Fault{Kind: SensorGain, On: hazel, Level: 0.5, Over: 10 * time.Hour},
		Fault{Kind: Break, On: hazel, AtM: 20})
	o.Faults[2].To = time.Time{}
	truth, err := NewTruth(o)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range truth.Labels {
		want := map[Kind]time.Time{SensorGain: may(4).Add(time.Hour), Break: may(4)}[l.Kind]
		if !l.Shows.Equal(want) {
			t.Errorf("%s shows at %v, want %v", l.Kind, l.Shows, want)
		}
		if l.Kind == Break && !l.To.Equal(may(8)) {
			t.Errorf("a break without an end ends at %v", l.To)
		}
	}
}

// A flapping contact touches for three tenths of the time unless told otherwise, half a minute to a minute at a go.
func TestFlapDuty(t *testing.T) {
	for level, want := range map[float64]float64{0: 0.3, 0.1: 0.1, 0.6: 0.6, 1: 0.3} {
		f := Fault{Kind: Flapping, Level: level, From: may(1)}
		fl := newFlap(&f, 1, 0)
		touching, changes, was := 0, 0, false
		const seconds = 7 * 24 * 3600
		for s := range seconds {
			now := fl.at(may(1).Add(time.Duration(s)*time.Second), 1)
			if now {
				touching++
			}
			if now && !was {
				changes++
			}
			was = now
		}
		near(t, "share of the time", float64(touching)/seconds, want, 0.06)
		near(t, "seconds at a go", float64(touching)/float64(changes), flapSeconds, 0.06)
	}
}

// A clear summer day takes about 4 mm out of the ground, as said at evapMMPerHour; dry ground gives less.
func TestEvaporation(t *testing.T) {
	gone := func(soil float64) float64 {
		c, h := Climate{LatitudeDeg: 53}, Hour{Soil: soil, TempC: 20}
		for hour := range 24 {
			h.Sun = sunHeight(c, time.Date(2026, time.June, 21, hour, 0, 0, 0, time.UTC))
			watering(&h)
		}
		return (soil - h.Soil) * soilMM
	}
	if mm := gone(0.9); mm < 3.5 || mm > 5 {
		t.Errorf("%.1f mm on a clear summer day, want about 4", mm)
	}
	if wet, dry := gone(0.9), gone(0.1); dry > 0.25*wet {
		t.Errorf("dry ground gives %.1f mm, wet ground %.1f", dry, wet)
	}
}

// Rain is off leaves and wires as soon as is said at the rates.
func TestRainDries(t *testing.T) {
	for _, tt := range []struct {
		name      string
		h         Hour
		low, high int
	}{{"sun and wind", Hour{Sun: 0.8, WindMS: 5}, 2, 3}, {"a still night", Hour{}, 18, 26}, {"a windy night", Hour{WindMS: 8}, 8, 13}} {
		hours := 0
		for h := tt.h; ; hours++ {
			if hours == 0 {
				h.RainWet = 1
			}
			if h.RainWet < 0.1 || hours > 100 {
				break
			}
			wetting(&h, 1)
		}
		if hours < tt.low || hours > tt.high {
			t.Errorf("%s: dry after %d hours, want %d to %d", tt.name, hours, tt.low, tt.high)
		}
	}
}

// Gains lie about one as far as they are said to, none further than twice that.
func TestGainsSpread(t *testing.T) {
	var gains []float64
	for seed := range uint64(400) {
		o := oneZone()
		o.Seed = seed
		s := newSensor("zone/z", sensorOn("z"), Sensor{GainSpread: 0.04}, &o)
		gains = append(gains, s.Gain)
	}
	mean, sd := meanAndSD(gains)
	near(t, "mean gain", mean, 1, 0.01)
	near(t, "its spread", sd, 0.04, 0.12)
	if low, high := slices.Min(gains), slices.Max(gains); low < 0.92 || high > 1.08 {
		t.Errorf("gains from %.3f to %.3f", low, high)
	}
}

// A sensor that reads low sees the level go under days before it does, one that reads high days later or never.
func TestSeenFrom(t *testing.T) {
	w := &world{opts: Options{Start: may(1)}}
	z := &farm.Zone{MinimumVolts: 2500}
	level := []float64{3000, 2900, 2800, 2700, 2600, 2400, 2300, 2200} // under from the sixth day on
	for gain, want := range map[float64]time.Time{1: may(6), 0.9: may(4), 1.1: may(8), 1.2: {}, 0: {}} {
		if got := w.seenFrom(z, level, gain, 5); !got.Equal(want) {
			t.Errorf("a sensor of gain %g sees it from %v, want %v", gain, got, want)
		}
	}
}
