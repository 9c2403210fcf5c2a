package line

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightwire/ingest/farm"
)

// looped returns a network of four zones, two of which close a loop.
func looped(t *testing.T) *Network {
	t.Helper()
	f := &farm.Farm{Energizers: []farm.Energizer{{Name: "shed", OpenVolts: 8200, SourceOhms: 410}}}
	for _, z := range []farm.Zone{{Name: "a", FedBy: "shed"}, {Name: "b", FedBy: "a"}, {Name: "c", FedBy: "a", JoinedTo: "b"}, {Name: "d", FedBy: "c"}} {
		z.LengthM, z.OhmsPerKM = 200, 4000
		f.Zones = append(f.Zones, z)
	}
	n, err := New(f, "shed")
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// anyLeak returns a state of n from clean to thickly grown.
func anyLeak(n *Network, rng *rand.Rand) State {
	st := n.Clean()
	for i := range st.Leak {
		st.Leak[i] *= math.Exp(8 * rng.Float64())
	}
	return st
}

// The nodal matrix is symmetric, its diagonal is positive and outweighs its row, whatever the fault: what lets it be
// solved without choosing pivots.
func TestMatrixIsSymmetricAndDominant(t *testing.T) {
	n, rng := looped(t), rand.New(rand.NewPCG(1, 2))
	s := NewSolver(n)
	for trial := range 200 {
		st := anyLeak(n, rng)
		s.build(st, Fault{Kind: FaultKind(trial % 5), Zone: rng.IntN(4), AtM: 200 * rng.Float64(), Ohms: 1 + 5000*rng.Float64()})
		for i := range s.size {
			sum := 0.0
			for j := range s.size {
				if a, b := s.a[i*s.wide+j], s.a[j*s.wide+i]; a != b {
					t.Fatalf("trial %d: row %d column %d is %g, and mirrored %g", trial, i, j, a, b)
				}
				if j != i {
					sum += math.Abs(s.a[i*s.wide+j])
				}
			}
			if d := s.a[i*s.wide+i]; d < sum*(1-1e-9) || d < 0 {
				t.Fatalf("trial %d: diagonal %g under its row's %g", trial, d, sum)
			}
		}
	}
}

// The two forms of an evenly leaking line, closed and series, meet where the one takes over from the other.
func TestSeriesMeetsClosedForm(t *testing.T) {
	read := func(leak float64) (along, toEarth, alongSlope, toEarthSlope float64) {
		w := newSpan(1000, leak)
		alongSlope, toEarthSlope = w.slopes()
		return w.along, w.toEarth, alongSlope, toEarthSlope
	}
	const at = 1e-4 / 1000
	b0, e0, bs0, es0 := read(at * (1 - 1e-6))
	b1, e1, bs1, es1 := read(at * (1 + 1e-6))
	if math.Abs(b1/b0-1) > 1e-8 || math.Abs(e1/e0/(1+2e-6)-1) > 1e-8 {
		t.Errorf("just below the change %g and %g S, just above %g and %g", b0, e0, b1, e1)
	}
	if math.Abs(bs1/bs0/(1+2e-6)-1) > 1e-4 || math.Abs(es1/es0/(1+2e-6)-1) > 1e-4 {
		t.Errorf("just below the change they go by %g and %g S, just above by %g and %g", bs0, es0, bs1, es1)
	}
}

// How the voltages go with each leakage, against a difference of two solutions, with every fault.
func TestSlopesAgainstDifferences(t *testing.T) {
	n, rng := looped(t), rand.New(rand.NewPCG(3, 4))
	for trial := range 200 {
		st := anyLeak(n, rng)
		f := Fault{Kind: FaultKind(trial % 5), Zone: rng.IntN(len(n.Zones)), Ohms: 50 + 2000*rng.Float64()}
		f.AtM, f.Nearer = n.Zones[f.Zone].LengthM*rng.Float64(), trial%2 == 0
		st.Joints = make([]float64, len(n.Zones))
		st.Joints[f.Zone], st.Joints[rng.IntN(len(n.Zones))] = 1000*rng.Float64(), 1000*rng.Float64()
		s, wide := NewSolver(n), len(n.Zones)+1
		low, high, slope := make([]float64, wide), make([]float64, wide), make([]float64, wide)
		for z := range n.Zones {
			const step = 1e-4
			keep := st.Leak[z]
			st.Leak[z] = keep * math.Exp(-step)
			s.Volts(low, st, f)
			st.Leak[z] = keep * math.Exp(step)
			s.Volts(high, st, f)
			st.Leak[z] = keep
			top := s.Volts(make([]float64, wide), st, f)[0]
			s.Slopes(slope, z)
			for i := range slope {
				if want := (high[i] - low[i]) / (2 * step); math.Abs(slope[i]-want) > 1e-5*math.Abs(want)+1e-7*top {
					t.Fatalf("trial %d: node %d goes by %g V with the leakage of zone %d, want %g", trial, i, slope[i], z, want)
				}
			}
		}
	}
}
