package plan

import (
	"math"
	"testing"
)

const (
	feet   = 0.3048
	inches = 25.4 // mm
)

// TestStakes holds the resistance of one stake to published examples.
func TestStakes(t *testing.T) {
	for _, tt := range []struct {
		name         string
		ohmM         float64
		length, dia  float64 // m, mm
		want, within float64
		source       string
	}{
		{"100 Ω·m, 10 ft by ¾ in", 100, 10 * feet, 0.75 * inches, 32.14, 0.01, "MIL-HDBK-419A vol. 2, 1.2.2.2 prints 32"},
		{"20 Ω·m, 10 ft by ⅝ in", 20, 10 * feet, 0.625 * inches, 6.618, 0.003, "Getting Down to Earth, app. I, prints 6.6"},
		{"100 Ω·m, 20 ft by ⅝ in", 100, 20 * feet, 0.625 * inches, 18.35, 0.01, "a ground tester's nomograph prints 20"},
		{"20 Ω·m, 18.09 ft by ⅝ in", 20, 18.09 * feet, 0.625 * inches, 4, 0.01, "Getting Down to Earth, app. I, its inputs"},
		{"loam, 10 ft by ⅝ in", 40.6, 10 * feet, 0.625 * inches, 13.43, 0.01, "resistivity of NBS Technologic Paper 108; IEEE 142 prints 13 (from memory)"},
		{"gravel, 10 ft by ⅝ in", 940, 10 * feet, 0.625 * inches, 311.0, 0.1, "the same; IEEE 142 prints 311 (from memory)"},
		{"fill, 10 ft by ⅝ in", 23.7, 10 * feet, 0.625 * inches, 7.84, 0.01, "the same"},
		{"sandy clay, 10 ft by ⅝ in", 158, 10 * feet, 0.625 * inches, 52.28, 0.02, "the same"},
		{"loam, 6 ft by ⅝ in", 40.6, 6 * feet, 0.625 * inches, 20.6, 0.05, "the project's reference, computed"},
		{"gravel, 6 ft by ⅝ in", 940, 6 * feet, 0.625 * inches, 477, 0.5, "the project's reference, computed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			near(t, "one stake, Ω ("+tt.source+")", Stake{tt.length, tt.dia}.Ohms(tt.ohmM), tt.want, tt.within)
		})
	}
	near(t, "the default stake, m (NRCS job sheets: 6 ft)", DefaultStake().LengthM, 6*feet, 1e-9)
	near(t, "the default stake, mm (NRCS job sheets: ⅝ in)", DefaultStake().DiameterMM, 0.625*inches, 1e-9)
}

// TestManyStakes holds several stakes to IEEE 142, table 14, and its printed examples.
func TestManyStakes(t *testing.T) {
	// E&S Grounding: one stake of 2.5 Ω.
	for n, want := range map[int]float64{2: 1.45, 3: 1.075, 4: 0.85} {
		near(t, "stakes of 2.5 Ω", StakesOhms(2.5, n), want, 1e-9)
	}
	for n, f := range map[int]float64{8: 1.68, 12: 1.80, 16: 1.92, 20: 2.00, 24: 2.16} {
		near(t, "table 14", StakesOhms(100, n), 100*f/float64(n), 1e-9)
	}
	// MIL-HDBK-419A: 26 stakes of 32 Ω come to 5.5 % of it; the table ends at 24, of which it makes 9 %.
	if got := StakesOhms(32, 24); got < 1.76 {
		t.Errorf("24 stakes of 32 Ω: %g Ω, less than the handbook's 1.76 Ω of 26", got)
	}
	// Two stakes by Dwight's own formula, 10 ft by ¾ in, 10 ft apart in 100 Ω·m: 18.85 Ω; the table's factor is rounded.
	near(t, "two stakes, Ω", StakesOhms(Stake{10 * feet, 0.75 * inches}.Ohms(100), 2), 18.85, 0.25)
	for n := 2; n <= MostStakes; n++ {
		if StakesOhms(1, n) >= StakesOhms(1, n-1) {
			t.Errorf("%d stakes are no better than %d", n, n-1)
		}
	}
	near(t, "one more stake", OneMoreStake(60, 1), 34.8, 1e-9)
}

func TestStakesFor(t *testing.T) {
	for _, tt := range []struct {
		one, want float64
		n         int
		ok        bool
	}{
		{12, 15, 1, true}, {20.6, 15, 2, true}, {2.5, 0.85, 4, true}, {2.5, 0.86, 4, true}, {477, 15, 0, false},
		{100, 100 * 2.16 / 24, 24, true},
	} {
		if n, ok := StakesFor(tt.one, tt.want); n != tt.n || ok != tt.ok {
			t.Errorf("stakes of %g Ω for %g Ω: %d, %t; want %d, %t", tt.one, tt.want, n, ok, tt.n, tt.ok)
		}
	}
}

// TestSoils holds the soils to US Bureau of Standards Technologic Paper 108, in Ω·cm, by way of "Getting Down to Earth".
func TestSoils(t *testing.T) {
	published := map[string][3]float64{
		"fill":   {2370, 590, 7000},
		"clay":   {4060, 340, 16_300},
		"mixed":  {15_800, 1020, 135_000},
		"gravel": {94_000, 59_000, 458_000},
	}
	for _, s := range Soils() {
		want := published[s.Name]
		for i, got := range []float64{s.OhmM, s.LeastOhm, s.MostOhm} {
			near(t, s.Text, got*100, want[i], 1e-6)
		}
	}
	if len(Soils()) != len(published) {
		t.Errorf("%d soils, want %d", len(Soils()), len(published))
	}
	near(t, "frozen over not (Getting Down to Earth: 13,800 to 30,000 Ω·cm)", FrozenFactor, 2.174, 0.001)
}

// TestEarthWanted works the circuit out by hand: 8 kV behind 300 Ω, pulled down to 1 kV.
func TestEarthWanted(t *testing.T) {
	want := EarthWanted(8000, 300)
	amps := (8000 - 1000) / (300 + want) // what leaves 1 kV on the fence
	near(t, "volts on the stakes", amps*want, 300, 1e-9)
	near(t, "the same", EarthVolts(8000, 300, want), 300, 1e-9)
	// 300 V at 15 A are 20 Ω (the project's reference): an energizer of 6.6 kV behind 353.33 Ω gives 15 A then.
	near(t, "earth for 15 A, Ω", EarthWanted(6600, 353.333), 20, 0.01)
	if v := EarthVolts(8000, 300, 0); v != 0 || math.IsNaN(v) {
		t.Errorf("perfect earth carries %g V", v)
	}
}
