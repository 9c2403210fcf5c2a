package line_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// port is what stands at one end of a piece of line: volts, and amps going outward.
type port struct{ volts, amps float64 }

// back carries a port through an evenly leaking piece of line to its near end, by the telegrapher's equations with
// neither inductance nor capacity.
func (p port) back(ohms, leak float64) port {
	x := math.Sqrt(ohms * leak)
	if x < 1e-9 {
		return port{p.volts + p.amps*ohms, p.amps}
	}
	z := ohms / x
	return port{p.volts*math.Cosh(x) + p.amps*z*math.Sinh(x), p.volts/z*math.Sinh(x) + p.amps*math.Cosh(x)}
}

// chain returns the volts of a row of zones, one behind the other, with one fault, from the far end back: an answer
// that shares no matrix with the solver.
func chain(n *line.Network, st line.State, f line.Fault) []float64 {
	out := make([]float64, len(n.Zones)+1)
	p, live := port{volts: 1}, len(n.Zones)
	ends := make([]float64, len(n.Zones)+1)
	ends[len(n.Zones)] = 1
	for i := len(n.Zones) - 1; i >= 0; i-- {
		z := n.Zones[i]
		part := 1.0
		if f.Kind != line.None && f.Zone == i {
			part = f.AtM / z.LengthM
			p = p.back(z.Ohms*(1-part), st.Leak[i]*(1-part))
			if f.Nearer {
				p.volts += p.amps * st.Joints[i]
			}
			switch f.Kind {
			case line.Shunt:
				p.amps += p.volts / f.Ohms
			case line.Joint:
				p.volts += p.amps * f.Ohms
			case line.Break:
				p, live = port{volts: 1}, i
			case line.Fallen:
				p, live = port{volts: 1, amps: 1 / f.Ohms}, i
			}
		}
		p = p.back(z.Ohms*part, st.Leak[i]*part)
		if f.Kind == line.None || f.Zone != i || !f.Nearer {
			p.volts += p.amps * st.Joints[i]
		}
		ends[i] = p.volts
	}
	scale := st.OpenVolts / (p.volts + p.amps*st.SourceOhms)
	for i := range out {
		if i <= live {
			out[i] = ends[i] * scale
		}
	}
	return out
}

// randomChain draws a row of one to six zones, its state and a fault of the kind.
func randomChain(t testing.TB, rng *rand.Rand, kind line.FaultKind) (*line.Network, line.State, line.Fault) {
	t.Helper()
	km := make([]float64, 1+rng.IntN(6))
	for i := range km {
		km[i] = 0.05 + rng.Float64()
	}
	n := network(t, run(3000+9000*rng.Float64(), 50+800*rng.Float64(), 20*math.Pow(500, rng.Float64()), km...))
	st := n.Clean()
	for i := range st.Leak {
		st.Leak[i] *= math.Exp(7 * rng.Float64())
	}
	st.Joints = randomJoints(rng, len(n.Zones))
	z := rng.IntN(len(n.Zones))
	return n, st, line.Fault{Kind: kind, Zone: z, AtM: rng.Float64() * n.Zones[z].LengthM, Ohms: 10 * math.Pow(2000, rng.Float64()), Nearer: rng.IntN(2) == 0}
}

var kinds = []struct {
	name string
	kind line.FaultKind
}{{"none", line.None}, {"shunt", line.Shunt}, {"break", line.Break}, {"joint", line.Joint}, {"fallen", line.Fallen}}

// Every kind of fault in random rows of zones against the chain of closed forms.
func TestFaultsAgainstClosedForms(t *testing.T) {
	for _, k := range kinds {
		t.Run(k.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(31, uint64(k.kind)))
			for trial := range 300 {
				n, st, f := randomChain(t, rng, k.kind)
				got := line.NewSolver(n).Volts(make([]float64, len(n.Zones)+1), st, f)
				want := chain(n, st, f)
				for i := range want {
					if want[i] == 0 && got[i] >= 0 && got[i] < 10 { // what creeps through a parted wire is no pulse
						continue
					}
					if math.Abs(got[i]-want[i]) > 1e-5*st.OpenVolts {
						t.Fatalf("trial %d, node %d of %d: %.6f V, closed form %.6f; %+v", trial, i, len(want)-1, got[i], want[i], f)
					}
				}
			}
		})
	}
}

// randomTree draws a tree of so many zones, with loops if asked for, and a state.
func randomTree(t testing.TB, rng *rand.Rand, zones, loops int) (*line.Network, line.State) {
	t.Helper()
	f := run(8200, 410, 4000)
	for i := range zones {
		fed := "shed"
		if i > 0 && rng.IntN(4) > 0 {
			fed = fmt.Sprint("z", rng.IntN(i))
		}
		f.Zones = append(f.Zones, farm.Zone{Name: fmt.Sprint("z", i), FedBy: fed, LengthM: 40 + 300*rng.Float64(), OhmsPerKM: 100 * math.Pow(60, rng.Float64())})
	}
	for range loops {
		i, j := rng.IntN(zones), rng.IntN(zones)
		if i != j && f.Zones[i].JoinedTo == "" && f.Zones[j].JoinedTo == "" {
			f.Zones[i].JoinedTo = f.Zones[j].Name
		}
	}
	n := network(t, f)
	st := n.Clean()
	for i := range st.Leak {
		st.Leak[i] *= math.Exp(5 * rng.Float64())
	}
	return n, st
}

// randomJoints draws what some zones have more in ohms than as strung.
func randomJoints(rng *rand.Rand, zones int) []float64 {
	ohms := make([]float64, zones)
	for i := range ohms {
		if rng.IntN(3) == 0 {
			ohms[i] = 10 * math.Pow(2000, rng.Float64())
		}
	}
	return ohms
}

func solve(n *line.Network, st line.State, f line.Fault) []float64 {
	return line.NewSolver(n).Volts(make([]float64, len(n.Zones)+1), st, f)
}

// What must hold of any fence, loops included: more leakage anywhere, or a path to earth anywhere, raises no node; the
// lower its ohms the lower they are; ohms in the line raise nothing behind; no node is over what feeds it.
func TestMonotone(t *testing.T) {
	for _, loops := range []int{0, 2} {
		rng := rand.New(rand.NewPCG(41, uint64(loops)))
		for range 120 {
			n, st := randomTree(t, rng, 2+rng.IntN(9), loops)
			was := solve(n, st, line.Fault{})
			z := rng.IntN(len(n.Zones))
			more := st.Copy()
			more.Leak[z] *= 3
			below(t, "more leakage", solve(n, more, line.Fault{}), was)
			at := rng.Float64() * n.Zones[z].LengthM
			far := solve(n, st, line.Fault{Kind: line.Shunt, Zone: z, AtM: at, Ohms: 2000})
			below(t, "a shunt", far, was)
			below(t, "a worse shunt", solve(n, st, line.Fault{Kind: line.Shunt, Zone: z, AtM: at, Ohms: 200}), far)
			bounded(t, n, was)
			if loops == 0 {
				breakRaises(t, n, st, was, z, at)
			}
		}
	}
}

// below fails the test where a is over b.
func below(t *testing.T, what string, a, b []float64) {
	t.Helper()
	for i := range a {
		if a[i] > b[i]*(1+1e-9)+1e-9 {
			t.Errorf("%s raised node %d from %.6f to %.6f V", what, i, b[i], a[i])
		}
	}
}

// bounded fails the test where a node lies outside 0 to the open voltage, or on a tree over what feeds it.
func bounded(t *testing.T, n *line.Network, v []float64) {
	t.Helper()
	for i, z := range n.Zones {
		if v[i+1] < 0 || v[i+1] > n.OpenVolts {
			t.Errorf("node %d at %g V", i+1, v[i+1])
		}
		if from := v[z.Parent+1]; !n.InLoop(i) && z.JoinedTo == "" && v[i+1] > from*(1+1e-9) && n.Behind(i, i) {
			t.Errorf("zone %d ends at %.3f V, over the %.3f that feed it", i, v[i+1], from)
		}
	}
}

// breakRaises fails the test unless a parted wire leaves nothing behind it and lowers nothing else; and unless a
// fallen one lowers what is before.
func breakRaises(t *testing.T, n *line.Network, st line.State, was []float64, z int, at float64) {
	t.Helper()
	parted := solve(n, st, line.Fault{Kind: line.Break, Zone: z, AtM: at})
	fallen := solve(n, st, line.Fault{Kind: line.Fallen, Zone: z, AtM: at, Ohms: 100})
	for i := range n.Zones {
		switch {
		case n.Behind(i, z):
			if parted[i+1] > 10 || fallen[i+1] > 10 {
				t.Errorf("behind the break: %.3f and %.3f V", parted[i+1], fallen[i+1])
			}
		case parted[i+1] < was[i+1]*(1-1e-9):
			t.Errorf("a break in zone %d lowered zone %d from %.3f to %.3f V", z, i, was[i+1], parted[i+1])
		case fallen[i+1] > parted[i+1]*(1+1e-9):
			t.Errorf("zone %d at %.3f V with the wire on the ground, %.3f with it hanging clear", i, fallen[i+1], parted[i+1])
		}
	}
}

// A fallen wire is the shunt of a fence that ends there: with nothing past it, the two are the same.
func TestFallenIsAShuntWithNothingBehind(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .2, .3))
	st := even(n, 4e-4)
	for _, ohms := range []float64{10, 100, 1000, 10_000} {
		a := solve(n, st, line.Fault{Kind: line.Fallen, Zone: 1, AtM: 300, Ohms: ohms})
		b := solve(n, st, line.Fault{Kind: line.Shunt, Zone: 1, AtM: 300, Ohms: ohms})
		near(t, "volts at the energizer", a[0], b[0], 1e-3)
		near(t, "volts before it", a[1], b[1], 1e-3)
		if a[2] > 10 || b[2] < 10 {
			t.Errorf("past it %.4f V and %.4f V; want nothing behind the fallen wire, and something behind the shunt", a[2], b[2])
		}
	}
}

// A joint in the state of a fence is the fault that it is at the start of its zone, in a loop too; with enough ohms it
// parts it.
func TestJointsOfAState(t *testing.T) {
	rng := rand.New(rand.NewPCG(51, 1))
	for range 60 {
		n, st := randomTree(t, rng, 2+rng.IntN(9), 2)
		z, bad := rng.IntN(len(n.Zones)), st.Copy()
		bad.Joints = make([]float64, len(n.Zones))
		bad.Joints[z] = 700
		apart(t, solve(n, bad, line.Fault{}), solve(n, st, line.Fault{Kind: line.Joint, Zone: z, Ohms: 700}), 0.1)
		bad.Joints[z] = line.BrokenOhms
		apart(t, solve(n, bad, line.Fault{}), solve(n, st, line.Fault{Kind: line.Break, Zone: z}), 1)
	}
}

// Leakages are worked out as well on a fence with joints that are known to be bad; without them they come out wrong.
func TestLeakagesBesideJoints(t *testing.T) {
	rng := rand.New(rand.NewPCG(53, 2))
	with, without := 0.0, 0.0
	for range 60 {
		n, st := randomTree(t, rng, 3+rng.IntN(6), 0)
		st.Joints = randomJoints(rng, len(n.Zones))
		p := line.Prior{State: st.Copy(), LeakSpread: 2}
		for i := range p.State.Leak {
			p.State.Leak[i] *= math.Exp(0.5 * rng.NormFloat64())
		}
		obs := observe(rng, solve(n, st, line.Fault{}), 1e-4)
		worst := func(p line.Prior) float64 {
			est, err := line.NewEstimator(n).Estimate(obs, p)
			if err != nil {
				t.Fatal(err)
			}
			return est.Worst
		}
		with = max(with, worst(p))
		p.State.Joints = nil
		without = max(without, worst(p))
		e := line.NewEstimator(n)
		p.State.Joints = st.Joints
		est, err := e.Estimate(obs, p)
		if err != nil {
			t.Fatal(err)
		}
		if v := solve(n, est.State, line.Fault{}); math.Abs(est.LoadAmps*st.SourceOhms-(st.OpenVolts-v[0])) > 1e-6*st.OpenVolts {
			t.Errorf("%g A out of the energizer, its state has %g", est.LoadAmps, (st.OpenVolts-v[0])/st.SourceOhms)
		}
	}
	if with > 9 || without < 100 {
		t.Errorf("one sensor is off by %.1f standard deviations squared with the joints, and by %.1f without; want under 9, and many more", with, without)
	}
}

// apart fails the test where a and b are further apart than tolerance, volts.
func apart(t *testing.T, a, b []float64, tolerance float64) {
	t.Helper()
	for i := range a {
		if math.Abs(a[i]-b[i]) > tolerance {
			t.Errorf("node %d at %.4f and at %.4f V", i, a[i], b[i])
		}
	}
}

// The volts at the fault itself lie between those on either side.
func TestFaultVolts(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .2, .3))
	s, st := line.NewSolver(n), even(n, 4e-4)
	v := s.Volts(make([]float64, 3), st, line.Fault{Kind: line.Shunt, Zone: 1, AtM: 150, Ohms: 200})
	if f := s.FaultVolts(); f > v[1] || f < v[2] {
		t.Errorf("%.0f V at the shunt, %.0f before and %.0f behind", f, v[1], v[2])
	}
}

// loops are rings closed from one side or the other.
var loops = []struct {
	name        string
	left, right string // joined_to of each arm
}{{"from the left", "right", ""}, {"from the right", "", "left"}, {"from both", "right", "left"}}

// A loop is the same from whichever arm it is written, and both arms lie on it; what hangs on its join does not.
func TestLoopsFromEitherSide(t *testing.T) {
	var first []float64
	for _, tt := range loops {
		t.Run(tt.name, func(t *testing.T) {
			f := run(8000, 400, 4000, .2)
			f.Zones = append(f.Zones,
				farm.Zone{Name: "left", FedBy: "a", LengthM: 250, OhmsPerKM: 4000, JoinedTo: tt.left},
				farm.Zone{Name: "right", FedBy: "a", LengthM: 150, OhmsPerKM: 4000, JoinedTo: tt.right},
				farm.Zone{Name: "tail", FedBy: "left", LengthM: 100, OhmsPerKM: 4000})
			n := network(t, f)
			v := solve(n, even(n, 8e-4), line.Fault{})
			near(t, "the two ends of the join", v[2], v[3], 1e-9)
			if first == nil {
				first = v
			}
			for i := range v {
				near(t, fmt.Sprint("node ", i), v[i], first[i], 1e-6)
			}
			if n.InLoop(0) || !n.InLoop(1) || !n.InLoop(2) || n.InLoop(3) {
				t.Errorf("on a loop: %t %t %t %t; want only the arms", n.InLoop(0), n.InLoop(1), n.InLoop(2), n.InLoop(3))
			}
			for _, arm := range []int{1, 2} {
				b := solve(n, even(n, 8e-4), line.Fault{Kind: line.Break, Zone: arm, AtM: 50})
				if b[4] < 0.7*v[4] {
					t.Errorf("a break in arm %d leaves %.0f of %.0f V behind the join", arm, b[4], v[4])
				}
			}
		})
	}
}

// A zone of no length is no wire at all: its ends are one, and faults in it do not blow up.
func TestZoneOfNoLength(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .2, 0, .1))
	st := n.Clean()
	for _, k := range kinds {
		v := solve(n, st, line.Fault{Kind: k.kind, Zone: 1, AtM: 0, Ohms: 100})
		for i, x := range v {
			if math.IsNaN(x) || x < -1e-9 || x > 8200 {
				t.Errorf("%s: node %d at %g V", k.name, i, x)
			}
		}
	}
	v := solve(n, st, line.Fault{})
	near(t, "both ends of it", v[2], v[1], 0.01)
}

// bigTree is a hundred zones on one energizer.
func bigTree(t testing.TB) (*line.Network, line.State) {
	return randomTree(t, rand.New(rand.NewPCG(51, 52)), 100, 0)
}

func TestHundredZones(t *testing.T) {
	n, st := bigTree(t)
	v := solve(n, st, line.Fault{})
	bounded(t, n, v)
	load := 0.0 // what flows in flows out: the current through the source is what leaks, at the zones' own volts
	for i, z := range n.Zones {
		load += st.Leak[i] * (v[z.Parent+1] + v[i+1]) / 2
	}
	if in := (st.OpenVolts - v[0]) / st.SourceOhms; math.Abs(in/load-1) > 0.05 {
		t.Errorf("%.4f A go in and about %.4f A leak out", in, load)
	}
}

func BenchmarkVoltsHundredZones(b *testing.B) {
	n, st := bigTree(b)
	s, dst := line.NewSolver(n), make([]float64, 101)
	b.ReportAllocs()
	for b.Loop() {
		s.Volts(dst, st, line.Fault{})
	}
}
