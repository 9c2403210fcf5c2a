package sim

import (
	"math"
	"testing"
	"time"

	"nightwire/ingest/farm"
)

func on(month time.Month, day int) time.Time {
	return time.Date(2026, month, day, 12, 0, 0, 0, time.UTC)
}

// Height a sward gains in a day, from the published kilograms of dry matter (sources at swardKG) at 125 kg a
// centimetre: March 0.8 mm, the June dip 3.6, summer 4.8, May 6.0, late May 7.4 to 8.0; 75 kg a day is 6.0 mm.
func TestSwardGrowth(t *testing.T) {
	tests := []struct {
		name     string
		at       time.Time
		low, top float64
	}{
		{"midwinter", on(time.January, 15), 0.25, 0.4},
		{"March", on(time.March, 16), 0.75, 0.9},
		{"end of March", on(time.March, 31), 1.2, 1.84},
		{"mid May", on(time.May, 10), 5.5, 6.5},
		{"late May", on(time.May, 26), 7.4, 8.0},
		{"June dip", on(time.June, 15), 3.5, 3.7},
		{"August", on(time.August, 10), 4.7, 4.9},
		{"mid September", on(time.September, 14), 4.7, 4.9},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := swardMMPerDay(Climate{}, tt.at); got < tt.low || got > tt.top {
				t.Errorf("%.2f mm a day, want %.2f to %.2f", got, tt.low, tt.top)
			}
		})
	}
	if north, south := swardMMPerDay(Climate{}, on(time.May, 26)), swardMMPerDay(Climate{LatitudeDeg: -40}, on(time.November, 24)); math.Abs(north-south) > 0.3 {
		t.Errorf("late November in the south grows %.2f mm a day, late May in the north %.2f", south, north)
	}
}

// From 5 cm to a wire at 15 cm takes 13 to 14 days at the peak; 21 days at 60 kg a day, the rate of high summer.
func TestGrowthReachesWire(t *testing.T) {
	tests := []struct {
		name      string
		from      time.Time
		low, high int
	}{{"at the peak", on(time.May, 18), 13, 16}, {"in summer", on(time.July, 20), 21, 27}}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			g := Ground{Vigour: 1}
			c := Climate{}.withDefaults()
			mm, hours := 50.0, 0
			for at := tt.from; mm < 150; at = at.Add(time.Hour) {
				mm = grow(&g, c, at, &Hour{Soil: 0.8, MeanC: seasonC(c, at)}, mm)
				hours++
			}
			// A little over the published figures: growth here slows as the strip fills up.
			if days := hours / 24; days < tt.low || days > tt.high {
				t.Errorf("%d days from 50 to 150 mm, want %d to %d", days, tt.low, tt.high)
			}
		})
	}
}

// Growth stops under 5 °C (AHDB) to a trickle, and in parched soil.
func TestGrowthWaitsForWarmthAndWater(t *testing.T) {
	g := Ground{Vigour: 1}
	c := Climate{}.withDefaults()
	at := on(time.May, 20)
	gain := func(h Hour) float64 { return grow(&g, c, at, &h, 100) - 100 }
	good := gain(Hour{Soil: 0.8, MeanC: seasonC(c, at)})
	if cold := gain(Hour{Soil: 0.8, MeanC: 2}); cold > good*0.2 {
		t.Errorf("at 2 °C growth is %.0f %% of ordinary", cold/good*100)
	}
	if dry := gain(Hour{Soil: 0.05, MeanC: seasonC(c, at)}); dry > good*0.1 {
		t.Errorf("in parched soil growth is %.0f %% of ordinary", dry/good*100)
	}
}

func TestGrowthLeak(t *testing.T) {
	g := Ground{Contact: 1, DewShare: 1}
	dry, wet := Hour{Soil: 0.8}, Hour{Soil: 0.8, RainWet: 1}
	if leak := growthLeak(&g, &wet, 100, 300); leak > 1e-7 {
		t.Errorf("growth 200 mm under the wire leaks %g S/km", leak)
	}
	last := 0.0
	for mm := 250.0; mm < 450; mm += 10 {
		leak := growthLeak(&g, &dry, mm, 300)
		if leak <= last {
			t.Errorf("growth of %g mm leaks %g S/km, less than shorter growth", mm, leak)
		}
		last = leak
	}
	// Heavy wet growth is taken as 1e-3 to 5e-3 S/km, light growth as 1e-4 to 1e-3: start values bracketed from a
	// blade's resistance and one farm's 3 kΩ (EDN, 2013), no measurement.
	if leak := growthLeak(&g, &wet, 360, 300); leak < 1e-3 || leak > 5e-3 {
		t.Errorf("wet growth 60 mm past the wire leaks %g S/km, want 1e-3 to 5e-3", leak)
	}
	if leak := growthLeak(&g, &dry, 310, 300); leak < 1e-4 || leak > 1e-3 {
		t.Errorf("dry growth at the wire leaks %g S/km, want 1e-4 to 1e-3", leak)
	}
}

// One in a year of hours, for what the weather must hold whatever the seed.
func TestWeather(t *testing.T) {
	const days = 365
	c := Climate{Dry: []Spell{{100, 130}}}
	for seed := range uint64(3) {
		hours := drawWeather(c, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), days*24, rngFor(seed, "weather"))
		wet, dewyNights, dewyNoons := 0, 0, 0
		for i, h := range hours {
			if h.RainMM > 0 {
				wet++
			}
			if day := i / 24; h.RainMM > 0 && day >= 100 && day < 130 {
				t.Fatalf("rain in a dry spell, hour %d", i)
			}
			if i%24 == 4 && h.Dew > 0.1 {
				dewyNights++
			}
			if i%24 == 13 && h.Dew > 0.05 && i/24 > 60 && i/24 < 300 {
				dewyNoons++
			}
			if !within(0, 1, h.Dew, h.RainWet, h.Soil, h.DeepSoil, h.Sun) {
				t.Fatalf("hour %d is out of range: %+v", i, h)
			}
		}
		if share := float64(wet) / (days * 24); share < 0.05 || share > 0.11 {
			t.Errorf("seed %d: rain in %.3f of the hours, want about 0.08 less the dry spell", seed, share)
		}
		if dewyNights < 100 || dewyNights > 330 {
			t.Errorf("seed %d: dew on %d nights of %d", seed, dewyNights, days)
		}
		if dewyNoons > 15 {
			t.Errorf("seed %d: dew at noon on %d days", seed, dewyNoons)
		}
	}
}

// Length of the day by geometry: 12 hours at the equinox, and arccos(−tan φ · tan 23.44°) half-days at the solstices.
func TestDaylight(t *testing.T) {
	c := Climate{LatitudeDeg: 53}
	long := 24 / math.Pi * math.Acos(-math.Tan(53*math.Pi/180)*math.Tan(23.44*math.Pi/180))
	for _, tt := range []struct {
		name string
		day  time.Time
		want float64
	}{{"March equinox", on(time.March, 21), 12}, {"June solstice", on(time.June, 21), long}, {"December solstice", on(time.December, 21), 24 - long}} {
		light := 0
		for m := range 24 * 60 {
			if sunHeight(c, tt.day.Add(time.Duration(m-12*60)*time.Minute)) > 0 {
				light++
			}
		}
		if got := float64(light) / 60; math.Abs(got-tt.want) > 0.2 {
			t.Errorf("%s has %.2f hours of light, want %.2f", tt.name, got, tt.want)
		}
	}
}

// Days a 60 Ah battery lasts to half, by energizer draw: an energy balance at 1.3 s, 0.7 and 12.4 V.
func TestBatteryLife(t *testing.T) {
	for milliamps, days := range map[float64]float64{22: 56, 44: 28, 89: 14, 177: 7, 266: 4.7, 443: 2.8, 886: 1.4} {
		p := Power{BatteryAH: 60, DrawMA: milliamps, NoSwap: true}
		part, hours := 1.0, 0.0
		for ; part > 0.5; hours++ {
			part = drain(&p, part, &Hour{})
		}
		near(t, "days", hours/24, days, 0.03)
	}
}

// A lead-acid battery at rest by quarters (ettus.com mailing list), and the peak of half and a quarter of the energy:
// 0.707 and 0.5.
func TestBatteryVolts(t *testing.T) {
	for part, want := range map[float64]float64{1: 12.6, 0.75: 12.4, 0.5: 12.2, 0.25: 12.0, 0: 11.6} {
		near(t, "rest volts", batteryRestVolts(part), want, 1e-9)
	}
	if v, slow := pulse(1); v != 1 || slow != 1 {
		t.Errorf("a full battery gives %g of the peak at %g of the interval", v, slow)
	}
	half := deadPart + (fullPulsePart-deadPart)/3 // a quarter and a third of three quarters: half the energy
	if v, slow := pulse(half); math.Abs(v-math.Sqrt(0.5)) > 1e-9 || slow <= 1.2 {
		t.Errorf("a low battery gives %g of the peak at %g of the interval", v, slow)
	}
	_, slow := pulse(half)
	near(t, "its interval", slow, 1+0.8*2/3, 1e-9) // slower the emptier it is, up to 1.8 times
	if v, _ := pulse(0); v != 0 {
		t.Errorf("an empty battery gives %g of the peak", v)
	}
}

// Soil from 15.2 % moisture as it freezes: 13,800 to 30,000 Ω·cm is ×2.17 ("Getting Down to Earth", p. 12).
func TestSoilOhms(t *testing.T) {
	near(t, "frozen against thawed", soilOhms(0.6, -0.5)/soilOhms(0.6, 0.5), 30000.0/13800, 1e-9)
	near(t, "20 against 10 °C", soilOhms(0.6, 20)/soilOhms(0.6, 10), 7200.0/9900, 1e-9)
	near(t, "5 against 20 %", soilOhms(0, 10)/soilOhms(0.6, 10), 43000.0/6300, 1e-9)
	near(t, "ordinary", soilOhms(0.6, 10), 1, 1e-9)
	e := farm.Energizer{EarthOhms: 50}
	if dry := earthOhms(&e, &Hour{DeepSoil: 0.1, MeanC: 15}); dry < 100 {
		t.Errorf("50 ohms of stakes are %.0f in parched soil", dry)
	}
}

// Wet snow over a low wire shorts it; dry snow insulates.
func TestSnow(t *testing.T) {
	if snowLeak(&Hour{SnowMM: 50, TempC: -3}, 200) != 0 {
		t.Error("dry snow leaks")
	}
	if snowLeak(&Hour{SnowMM: 50, TempC: 1}, 200) == 0 {
		t.Error("wet snow over the wire does not leak")
	}
	if snowLeak(&Hour{SnowMM: 5, TempC: 1}, 200) != 0 {
		t.Error("snow under the wire leaks")
	}
}
