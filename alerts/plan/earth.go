package plan

import "math"

// Soil is a kind of soil with its resistivity, from US Bureau of Standards Technologic Paper 108 as quoted in "Getting
// Down to Earth".
type Soil struct {
	Name                    string // for the command line
	Text                    string
	OhmM, LeastOhm, MostOhm float64 // average and range, ohm metres
}

// Soils returns the soils known by name, from the best earth to the worst.
func Soils() []Soil {
	return []Soil{
		{"fill", "ash, fill, brine", 23.7, 5.9, 70},
		{"clay", "clay, loam, shale", 40.6, 3.4, 163},
		{"mixed", "the same with sand, gravel", 158, 10.2, 1350},
		{"gravel", "gravel, sand, stones", 940, 590, 4580},
	}
}

// FrozenFactor is by how much freezing raises the resistivity of moist soil: 13,800 to 30,000 Ω·cm at 0 °C, for sandy
// loam of 15.2 % moisture ("Getting Down to Earth"). Harder frost raises it further.
const FrozenFactor = 30_000.0 / 13_800

// Stake is an earth stake, by what is in the ground.
type Stake struct{ LengthM, DiameterMM float64 }

// DefaultStake is the stake of the job sheets: 6 ft by ⅝ in (NRCS RI-382(c) and VA-382(c)).
func DefaultStake() Stake { return Stake{LengthM: 1.8288, DiameterMM: 15.875} }

// Ohms returns the resistance of one stake in soil of so many ohm metres: Dwight 1936, as in IEEE 142 and
// MIL-HDBK-419A.
func (s Stake) Ohms(soilOhmM float64) float64 {
	radius := s.DiameterMM / 2000
	return soilOhmM / (2 * math.Pi * s.LengthM) * (math.Log(4*s.LengthM/radius) - 1)
}

// MostStakes is how many the published factors reach to.
const MostStakes = 24

// stakeFactor returns by how much n stakes one length apart are worse than n that do not feel each other: IEEE 142,
// table 14. Between its rows it is interpolated by the logarithm of n.
func stakeFactor(n int) float64 {
	rows := []struct{ n, f float64 }{{1, 1}, {2, 1.16}, {3, 1.29}, {4, 1.36}, {8, 1.68}, {12, 1.80}, {16, 1.92}, {20, 2.00}, {24, 2.16}}
	at := float64(max(n, 1))
	for i := 1; i < len(rows); i++ {
		if a, b := rows[i-1], rows[i]; at <= b.n {
			return a.f + (b.f-a.f)*math.Log(at/a.n)/math.Log(b.n/a.n)
		}
	}
	return rows[len(rows)-1].f
}

// StakesOhms returns the resistance of n equal stakes one length apart, from that of one.
func StakesOhms(one float64, n int) float64 { return one * stakeFactor(n) / float64(max(n, 1)) }

// OneMoreStake returns the resistance of n+1 stakes, from that of n.
func OneMoreStake(ohms float64, n int) float64 {
	return ohms * StakesOhms(1, n+1) / StakesOhms(1, n)
}

// StakesFor returns how many stakes bring the resistance of one down to ohms; false when that takes more than the
// published factors reach to.
func StakesFor(one, ohms float64) (n int, ok bool) {
	for n := range MostStakes {
		if StakesOhms(one, n+1) <= ohms*(1+1e-9) { // 2.5 Ω × 1.36 / 4 is 0.85 Ω, whatever float64 makes of it
			return n + 1, true
		}
	}
	return 0, false
}

const (
	// testVolts is what the fence is pulled down to for the earth test: BC Ministry of Agriculture, Factsheet 382.600-1.
	testVolts = 1000
	// mostEarthVolts is what the stakes may carry then: 300 V, widely printed, no primary source.
	mostEarthVolts = 300
)

// EarthWanted returns the most ohms that the earth of an energizer may have, so that its stakes carry no more than
// 300 V while the fence is pulled down to 1 kV: 300 V over the current that leaves 1 kV on the fence.
func EarthWanted(openVolts, sourceOhms float64) float64 {
	return mostEarthVolts * sourceOhms / (openVolts - testVolts - mostEarthVolts)
}

// EarthVolts returns what the stakes carry while the fence is pulled down to 1 kV.
func EarthVolts(openVolts, sourceOhms, earthOhms float64) float64 {
	return (openVolts - testVolts) * earthOhms / (sourceOhms + earthOhms)
}
