package sim

import (
	"math"
	"testing"
	"time"

	"nightwire/ingest/farm"
)

// near fails unless got is within tolerance of want, as a share of want.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
		t.Errorf("%s = %.7g, want %.7g within %g %%", what, got, want, tolerance*100)
	}
}

// chain is a run of n equal sections between two nodes: half the series resistance, a resistor to earth, and the other
// half. It returns the circuit with its first and last node and those over the resistors to earth.
func chain(n int, series, shunt float64) (c *circuit, first, last int, taps []int) {
	c = &circuit{}
	first = c.node()
	last = first
	for range n {
		tap, next := c.node(), c.node()
		c.connect(last, tap, 2/series)
		c.connect(tap, next, 2/series)
		c.leak[tap] += 1 / shunt
		taps, last = append(taps, tap), next
	}
	return c, first, last, taps
}

// inputOhms is what one ampere meets at a chain with its far end open, or tied to earth through a load.
func inputOhms(n int, series, shunt, load float64) float64 {
	c, first, last, _ := chain(n, series, shunt)
	c.leak[last] += 1 / load
	c.in[first] = 1
	c.compile()
	c.solve()
	return c.volts[first]
}

// The attenuator chain of a physics textbook, problem 26.93 (solution at coursehero 140924; Young & Freedman, from
// memory): R1 in both wires of a section and R2 across. RT is what an endless chain has at its start; β is the loss
// over a section, V(n) = V(n−1)/(1+β). Printed there: 3.2e6, 4.0e-3 and 3.4e-4; 2.1e8, 6.2e-5 and 0.88; 2.73 and 0.005.
func TestAttenuatorChain(t *testing.T) {
	tests := []struct {
		name                       string
		r1, r2                     float64
		sections                   int
		wantTotal, wantBeta, ratio float64
	}{
		{"axon", 6.4e3, 8.0e8, 2000, 3.206e6, 4.008e-3, 3.355e-4},
		{"myelinated", 6.4e3, 3.3e12, 2000, 2.055e8, 6.228e-5, 0.8829},
		{"equal resistors", 1, 1, 4, 2.7321, 2.7321, 0.005155},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			// The picosieman that keeps cut-off wires solvable is not small here: work in kilo-ohms a million times less.
			r1, r2 := tt.r1/1e6, tt.r2/1e6
			if tt.r1 == 1 {
				r1, r2 = 1, 1
			}
			scale := tt.r1 / r1
			open, short := inputOhms(tt.sections, 2*r1, r2, math.Inf(1)), inputOhms(tt.sections, 2*r1, r2, 1e-12)
			own := math.Sqrt(open * short) // a symmetric section's own resistance
			near(t, "total", (own+r1)*scale, tt.wantTotal, 5e-4)

			c, first, last, taps := chain(tt.sections, 2*r1, r2)
			c.leak[last] += 1 / own
			before := c.node() // the endless chain starts with a whole series resistance
			c.connect(before, first, 1/r1)
			c.in[before] = 1
			c.compile()
			c.solve()
			near(t, "beta", c.volts[before]/c.volts[taps[0]]-1, tt.wantBeta, 5e-4)
			near(t, "ratio", c.volts[taps[tt.sections-1]]/c.volts[before], tt.ratio, 1e-3)
		})
	}
}

// A passive cable of 1 mm, 1 µm thick, with 1 Ω·m inside and 4 Ω·m² of membrane (Rallpack 1, Bhalla 1992): r is
// 1.27324e12 Ω/m and g 7.85398e-7 S/m, so λ is 1 mm. Resistances are taken a billion times smaller.
func TestCable(t *testing.T) {
	const r, g, scale = 1.27324e12 * 1e-3, 7.85398e-7 * 1e-3, 1e9
	near(t, "λ, mm", 1/math.Sqrt(r*g), 1, 1e-5)
	const n = 400
	c, first, last, _ := chain(n, r/n/scale, n/g/scale)
	c.in[first] = 1e-10 * scale // 0.1 nA
	c.compile()
	c.solve()
	near(t, "input ohms", c.volts[first]/1e-10, 1.67181e9, 1e-5)
	near(t, "near end, volts", c.volts[first], 0.167181, 1e-5)
	near(t, "far end, volts", c.volts[last], 0.108342, 1e-5)
	near(t, "far/near", c.volts[last]/c.volts[first], 0.648054, 1e-5)
}

// Track circuits: a feed, a relay at the far end, and ballast between the rails. IRSE exam 2013 Q4 (irseexam.co.uk
// 2312) and IRSE forum tid 276, with what follows from their inputs.
func TestTrackCircuits(t *testing.T) {
	rail := func(volts, feedOhms float64, loads ...float64) float64 {
		var c circuit
		n := c.node()
		c.leak[n] = 1 / feedOhms
		c.in[n] = volts / feedOhms
		for _, ohms := range loads {
			c.leak[n] += 1 / ohms
		}
		c.compile()
		c.solve()
		return c.volts[n]
	}
	v := rail(50, 50, 25, 75/3.0) // relay 25 Ω, 3.0 km of 75 Ω·km
	near(t, "rail volts", v, 10, 1e-9)
	near(t, "amperes in", (50-v)/50, 0.8, 1e-9)
	near(t, "relay amperes", v/25, 0.4, 1e-9)
	v = rail(50, 50, 25, 25, 21.25)
	near(t, "relay share with the drop shunt", v/25/0.4, 0.68, 1e-9)
	near(t, "drop shunt amperes", v/21.25, 0.32, 1e-9)
	v = rail(10, 7, 20, 20, 2/0.695) // two relays of 0.121 A at 2.42 V, 695 m of 2 Ω·km
	near(t, "rail volts with two relays", v, 2.42, 1e-3)
	near(t, "feed amperes", (10-v)/7, 1.083, 1e-3)
}

// Row by row: a ladder of n lumps with half the leak at either end, 30 Ω/km, 1e-3 S/km, 5 km.
func TestLumpedLine(t *testing.T) {
	tests := []struct {
		n          int
		ohms, rate float64
	}{{1, 231.58, 0.72727}, {5, 246.94, 0.71532}, {50, 247.66, 0.71479}}
	for _, tt := range tests {
		var c circuit
		node := c.node()
		for range tt.n {
			next := c.node()
			c.connect(node, next, float64(tt.n)/150)
			c.leak[node] += 5e-3 / float64(tt.n) / 2
			c.leak[next] += 5e-3 / float64(tt.n) / 2
			node = next
		}
		c.in[0] = 1
		c.compile()
		c.solve()
		near(t, "input ohms", c.volts[0], tt.ohms, 3e-5)
		near(t, "far/near", c.volts[node]/c.volts[0], tt.rate, 3e-5)
	}
}

// line is a fence of many short zones in a row behind one energizer of 8 kV and 300 Ω, with a fault or two.
// It also returns the volts just past the first fault.
func line(t *testing.T, ohmsPerKM, leak, km float64, faults ...Fault) (volts func(km float64) float64, past float64) {
	t.Helper()
	const zones = 100
	first := 0 // the zone of the first fault
	f := &farm.Farm{Energizers: []farm.Energizer{{Name: "e", Supply: farm.Mains, OpenVolts: 8000, SourceOhms: 300}}}
	grounds := map[string]Ground{}
	prev := "e"
	for i := range zones {
		name := string(rune('A'+i/26)) + string(rune('a'+i%26))
		f.Zones = append(f.Zones, farm.Zone{Name: name, FedBy: prev, LengthM: km * 1000 / zones, OhmsPerKM: ohmsPerKM})
		grounds[name] = Ground{OhmsRatio: 1}
		prev = name
	}
	for i := range faults {
		z := min(int(faults[i].AtM/f.Zones[0].LengthM), zones-1)
		if i == 0 {
			first = z
		}
		faults[i].On, faults[i].From = f.Zones[z].Source(), may(1)
		faults[i].AtM -= float64(z) * f.Zones[0].LengthM
	}
	o := Options{Farm: f, Start: may(1), Length: 24 * time.Hour, Grounds: grounds, Faults: faults,
		Powers: map[string]Power{"e": {OpenRatio: 1}}}
	w := newWorld(o)
	for i := range w.zones { // a bare line: no weather, no growth, only the leak that is asked for
		for h := range w.zones[i].even {
			w.zones[i].even[h], w.zones[i].growth[0][h] = leak, 0
		}
	}
	var active []*Fault
	for i := range faults {
		active = append(active, &o.Faults[i])
	}
	w.solve(may(1), state{faults: active})
	if len(faults) > 0 {
		past = w.net.volts[w.net.zones[first].strands[0].at(faults[0].AtM).after]
	}
	return func(at float64) float64 {
		if at == 0 {
			return w.net.volts[w.net.energizers[0].node]
		}
		return w.net.volts[w.net.zones[int(math.Round(at/km*zones))-1].end]
	}, past
}

// The worked cases of a leaky line, 8 kV behind 300 Ω, by λ = 1/√(rg), Zc = √(r/g) (Ermentrout, passive cable) and
// their combinations with a fault; and a lumped fault on a line without leak.
func TestLeakyLine(t *testing.T) {
	at5 := func(k Kind, ohms float64) Fault { return Fault{Kind: k, AtM: 5000, Ohms: ohms} }
	tests := []struct {
		name            string
		ohmsPerKM, leak float64
		km              float64
		faults          []Fault
		ohms            float64             // that the energizer meets
		want            map[float64]float64 // volts by kilometre
		tolerance       float64
		past            float64 // volts just behind the fault, where a figure is given
	}{
		{"steel 5 km", 30, 1e-4, 5, nil, 2049.75, map[float64]float64{0: 6979, 5: 6725}, 1e-4, 0},
		{"steel 5 km in growth", 30, 1e-3, 5, nil, 247.666, map[float64]float64{0: 3618, 5: 2586}, 2e-4, 0},
		{"steel 5 km in heavy growth", 30, 5e-3, 5, nil, 80.75, map[float64]float64{0: 1697, 5: 479}, 1e-3, 0},
		{"10 km", 30, 1e-4, 10, nil, 1098.1, map[float64]float64{0: 6283.3, 5: 5651, 10: 5446}, 1e-4, 0},
		{"broken at 5 km", 30, 1e-4, 10, []Fault{at5(Break, 0)}, 2049.75, map[float64]float64{0: 6978.6, 5.1: 0, 10: 0}, 1e-4, 0},
		{"joint of 100 ohms", 30, 1e-4, 10, []Fault{at5(BadJoint, 100)}, 1120.7, map[float64]float64{0: 6311, 5: 5694, 10: 5231}, 1e-4, 5429},
		{"joint of 1,000 ohms", 30, 1e-4, 10, []Fault{at5(BadJoint, 1000)}, 1284.7, map[float64]float64{0: 6486, 5: 5963.5, 10: 3862}, 1e-4, 4008.1},
		{"short of 50 ohms", 30, 1e-4, 10, []Fault{at5(Short, 50)}, 190.6, map[float64]float64{0: 3108, 5: 749, 10: 722}, 1e-3, 0},
		{"fault of 500 ohms", 30, 1e-4, 10, []Fault{at5(Short, 500)}, 458.4, map[float64]float64{0: 4836, 5: 3416, 10: 3292}, 2e-4, 0},
		{"fault of 5,000 ohms", 30, 1e-4, 10, []Fault{at5(Short, 5000)}, 936.2, map[float64]float64{0: 6059, 5: 5304, 10: 5111}, 1e-4, 0},
		{"touch at the far end", 30, 1e-4, 5, []Fault{at5(Short, 500)}, 519.61, map[float64]float64{0: 5071.8, 5: 3780.7}, 1e-4, 0},
		{"shorted far end", 30, 1e-4, 5, []Fault{at5(Short, 0)}, 146.359, map[float64]float64{0: 2623.2}, 1e-3, 0},
		{"polywire 1 km", 3660, 1e-4, 1, nil, 11191, map[float64]float64{0: 7791, 1: 6555}, 1e-4, 0},
		{"lumped fault", 30, 0, 4, []Fault{{Kind: Short, AtM: 2000, Ohms: 100}}, 160, map[float64]float64{0: 2782.6, 1: 2260.9, 2: 1739.1, 4: 1739.1}, 1e-4, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			volts, past := line(t, tt.ohmsPerKM, tt.leak, tt.km, tt.faults...)
			near(t, "ohms that the energizer meets", 300*volts(0)/(8000-volts(0)), tt.ohms, 4*tt.tolerance)
			if tt.past > 0 {
				near(t, "volts past the fault", past, tt.past, tt.tolerance)
			}
			for km, want := range tt.want {
				if want == 0 && math.Abs(volts(km)) > 0.01 {
					t.Errorf("%g V at %g km, want 0", volts(km), km)
				}
				if want != 0 {
					near(t, "volts at km "+time.Duration(km*float64(time.Second)).String(), volts(km), want, tt.tolerance)
				}
			}
		})
	}
}

// 8 kV behind 300 Ω into plain resistors: 500, 100 and 50 Ω.
func TestSourceDivider(t *testing.T) {
	for ohms, want := range map[float64]float64{500: 5000, 100: 2000, 50: 1142.9} {
		n := &network{}
		n.energizers = []source{{node: n.node()}}
		n.feed(0, 8000, 300)
		n.leak[0] += 1 / ohms
		n.compile()
		n.solve()
		near(t, "volts", n.volts[0], want, 1e-4)
	}
}

// A ring of equal wires fed at one node: by symmetry the far side sees both ways in parallel.
func TestRing(t *testing.T) {
	var c circuit
	n := [4]int{c.node(), c.node(), c.node(), c.node()}
	for i := range n {
		c.connect(n[i], n[(i+1)%4], 1/100.0)
	}
	c.in[n[0]] = 1
	c.leak[n[2]] = 1 / 50.0
	c.compile()
	c.solve()
	near(t, "volts at the feed", c.volts[n[0]], 150, 1e-9) // 100 Ω of ring and 50 Ω of earth
	near(t, "volts half way", c.volts[n[1]], 100, 1e-9)
	near(t, "volts opposite", c.volts[n[2]], 50, 1e-9)
}
