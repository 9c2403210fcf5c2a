package line

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightwire/ingest/farm"
)

// The nodal matrix is symmetric, its diagonal is positive and outweighs its row, whatever the fault: what lets it be
// solved without choosing pivots.
func TestMatrixIsSymmetricAndDominant(t *testing.T) {
	f := &farm.Farm{Energizers: []farm.Energizer{{Name: "shed", OpenVolts: 8200, SourceOhms: 410}}}
	for _, z := range []farm.Zone{{Name: "a", FedBy: "shed"}, {Name: "b", FedBy: "a"}, {Name: "c", FedBy: "a", JoinedTo: "b"}, {Name: "d", FedBy: "c"}} {
		z.LengthM, z.OhmsPerKM = 200, 4000
		f.Zones = append(f.Zones, z)
	}
	n, err := New(f, "shed")
	if err != nil {
		t.Fatal(err)
	}
	s, rng := NewSolver(n), rand.New(rand.NewPCG(1, 2))
	for trial := range 200 {
		st := n.Clean()
		for i := range st.Leak {
			st.Leak[i] *= math.Exp(8 * rng.Float64())
		}
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
	n := &Network{Zones: nil, nodes: 2}
	s := NewSolver(n)
	s.size = 2
	read := func(leak float64) (between, toEarth float64) {
		clear(s.a)
		s.run(0, 1, 1000, leak)
		return -s.a[1], s.a[0] + s.a[1]
	}
	const at = 1e-4 / 1000
	b0, e0 := read(at * (1 - 1e-6))
	b1, e1 := read(at * (1 + 1e-6))
	if math.Abs(b1/b0-1) > 1e-8 || math.Abs(e1/e0/(1+2e-6)-1) > 1e-8 {
		t.Errorf("just below the change %g and %g S, just above %g and %g", b0, e0, b1, e1)
	}
}
