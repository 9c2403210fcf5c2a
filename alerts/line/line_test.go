package line_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// run returns a farm of zones one behind the other, each of km kilometres and ohmsPerKM.
func run(openVolts, sourceOhms, ohmsPerKM float64, km ...float64) *farm.Farm {
	f := &farm.Farm{Energizers: []farm.Energizer{{Name: "shed", OpenVolts: openVolts, SourceOhms: sourceOhms}}}
	fed := "shed"
	for i, l := range km {
		name := string(rune('a' + i))
		f.Zones = append(f.Zones, farm.Zone{Name: name, FedBy: fed, LengthM: l * 1000, OhmsPerKM: ohmsPerKM})
		fed = name
	}
	return f
}

func network(t testing.TB, f *farm.Farm) *line.Network {
	t.Helper()
	n, err := line.New(f, "shed")
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// even returns the state with g siemens per kilometre everywhere.
func even(n *line.Network, g float64) line.State {
	s := n.Clean()
	for i, z := range n.Zones {
		s.Leak[i] = g * z.LengthM / 1000
	}
	return s
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s = %.6g, want %.6g within %.2g", what, got, want, tolerance)
	}
}

// The uniform leaky line in closed form: an open end divides the voltage by cosh x; the input resistance is
// Zc·coth x. Cases of 8 kV behind 300 ohms, worked from those formulas, which are the ones of the passive nerve
// cable (Ermentrout, passive cable notes) and of cathodic protection (attenuation tables).
func TestUniformLine(t *testing.T) {
	for _, tt := range []struct {
		name            string
		ohmsPerKM, km   float64
		g               float64
		fault           line.Fault
		wantV0, wantEnd float64
	}{
		{name: "steel, light leakage", ohmsPerKM: 30, km: 5, g: 1e-4, wantV0: 6979, wantEnd: 6725},
		{name: "steel, ten times the leakage", ohmsPerKM: 30, km: 5, g: 1e-3, wantV0: 3618, wantEnd: 2586},
		{name: "steel, fifty times", ohmsPerKM: 30, km: 5, g: 5e-3, wantV0: 1697, wantEnd: 479},
		{name: "polywire", ohmsPerKM: 3660, km: 1, g: 1e-4, wantV0: 7791, wantEnd: 6555},
		{name: "long, intact", ohmsPerKM: 30, km: 10, g: 1e-4, wantV0: 6283.3, wantEnd: 5446},
		{name: "long, broken half way", ohmsPerKM: 30, km: 10, g: 1e-4, fault: line.Fault{Kind: line.Break, AtM: 5000}, wantV0: 6978.6, wantEnd: 0},
		{name: "long, joint of 100 ohms", ohmsPerKM: 30, km: 10, g: 1e-4, fault: line.Fault{Kind: line.Joint, AtM: 5000, Ohms: 100}, wantV0: 6311, wantEnd: 5231},
		{name: "long, joint of 1,000 ohms", ohmsPerKM: 30, km: 10, g: 1e-4, fault: line.Fault{Kind: line.Joint, AtM: 5000, Ohms: 1000}, wantV0: 6486, wantEnd: 3862},
		{name: "long, 50 ohms to earth", ohmsPerKM: 30, km: 10, g: 1e-4, fault: line.Fault{Kind: line.Shunt, AtM: 5000, Ohms: 50}, wantV0: 3108, wantEnd: 722},
		{name: "long, 500 ohms to earth", ohmsPerKM: 30, km: 10, g: 1e-4, fault: line.Fault{Kind: line.Shunt, AtM: 5000, Ohms: 500}, wantV0: 4836, wantEnd: 3292},
		{name: "long, 5,000 ohms to earth", ohmsPerKM: 30, km: 10, g: 1e-4, fault: line.Fault{Kind: line.Shunt, AtM: 5000, Ohms: 5000}, wantV0: 6059, wantEnd: 5111},
		{name: "500 ohms at the far end", ohmsPerKM: 30, km: 5, g: 1e-4, fault: line.Fault{Kind: line.Shunt, AtM: 5000, Ohms: 500}, wantV0: 5071.8, wantEnd: 3780.7},
		{name: "no leakage, 100 ohms at 2 km", ohmsPerKM: 30, km: 2, g: 0, fault: line.Fault{Kind: line.Shunt, AtM: 2000, Ohms: 100}, wantV0: 2782.6, wantEnd: 1739.1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			n := network(t, run(8000, 300, tt.ohmsPerKM, tt.km))
			v := line.NewSolver(n).Volts(make([]float64, 2), even(n, tt.g), tt.fault)
			near(t, "volts at the energizer", v[0], tt.wantV0, 0.6)
			near(t, "volts at the end", v[1], tt.wantEnd, 0.6)
		})
	}
}

// A zone cut into many is the same fence.
func TestCuttingAZoneChangesNothing(t *testing.T) {
	whole := network(t, run(8000, 300, 3660, 1))
	cut := network(t, run(8000, 300, 3660, .25, .25, .25, .25))
	a := line.NewSolver(whole).Volts(make([]float64, 2), even(whole, 3e-4), line.Fault{})
	b := line.NewSolver(cut).Volts(make([]float64, 5), even(cut, 3e-4), line.Fault{})
	near(t, "volts at the energizer", b[0], a[0], 1e-6)
	near(t, "volts at the end", b[4], a[1], 1e-6)
}

// A loop fed round both ways: with its two arms alike, breaking one arm's far half leaves the closing point hot.
func TestLoop(t *testing.T) {
	f := run(8000, 400, 4000, .2)
	f.Zones = append(f.Zones,
		farm.Zone{Name: "left", FedBy: "a", LengthM: 200, OhmsPerKM: 4000},
		farm.Zone{Name: "right", FedBy: "a", LengthM: 200, OhmsPerKM: 4000, JoinedTo: "left"})
	n := network(t, f)
	if !n.InLoop(1) || !n.InLoop(2) || n.InLoop(0) {
		t.Fatalf("in a loop: a %v, left %v, right %v; want only left and right", n.InLoop(0), n.InLoop(1), n.InLoop(2))
	}
	if n.Behind(1, 2) || !n.Behind(2, 0) {
		t.Errorf("behind: want both arms behind a, and neither arm behind the other")
	}
	if got := testing.AllocsPerRun(10, func() { n.Behind(2, 0) }); got > 0 { // it is asked at readings, and a million times at midnight
		t.Errorf("%v allocations to say what is behind what, want none", got)
	}
	s := line.NewSolver(n)
	st := even(n, 1e-3)
	v := s.Volts(make([]float64, 4), st, line.Fault{})
	near(t, "joined ends", v[2], v[3], 1e-9)
	b := s.Volts(make([]float64, 4), st, line.Fault{Kind: line.Break, Zone: 1, AtM: 100})
	if b[2] < 0.9*v[2] || b[2] >= v[2] {
		t.Errorf("volts at the join went from %.0f to %.0f; want a little lower, still hot", v[2], b[2])
	}
	reversed := &farm.Farm{Energizers: f.Energizers, Zones: append([]farm.Zone(nil), f.Zones...)}
	reversed.Zones[1].JoinedTo, reversed.Zones[2].JoinedTo = "right", ""
	m := network(t, reversed)
	r := line.NewSolver(m).Volts(make([]float64, 4), even(m, 1e-3), line.Fault{})
	near(t, "join named from the other side", r[2], v[2], 1e-9)
}

// What is put in comes back out, on random trees, within the error bars as often as it should.
func TestEstimateRecovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	inside, total := 0, 0
	for range 40 {
		f := run(8200, 410, 4000)
		for i := range 5 {
			fed := "shed"
			if i > 0 {
				fed = string(rune('p' + rng.IntN(i)))
			}
			f.Zones = append(f.Zones, farm.Zone{Name: string(rune('p' + i)), FedBy: fed, LengthM: 80 + 200*rng.Float64(), OhmsPerKM: 4000})
		}
		n := network(t, f)
		st := n.Clean()
		for i := range st.Leak {
			st.Leak[i] = 3e-5 * math.Exp(3*rng.Float64())
		}
		const sd = 0.004
		v := line.NewSolver(n).Volts(make([]float64, 6), st, line.Fault{})
		obs := make([]line.Observation, 6)
		for i := range v {
			obs[i] = line.Observation{Volts: v[i] * math.Exp(sd*rng.NormFloat64()), SD: sd}
		}
		est, err := line.NewEstimator(n).Estimate(obs, n.WidePrior())
		if err != nil {
			t.Fatal(err)
		}
		for i := range st.Leak {
			total++
			if math.Abs(est.Leak[i]-st.Leak[i]) < 2*est.LeakSD[i] {
				inside++
			}
		}
	}
	if share := float64(inside) / float64(total); share < 0.88 {
		t.Errorf("%.0f %% of leakages lie within two standard deviations, want about 95", 100*share)
	}
}

func TestMissingSensorsWidenTheBars(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .18, .2, .15))
	st := even(n, 1e-3)
	v := line.NewSolver(n).Volts(make([]float64, 4), st, line.Fault{})
	obs := make([]line.Observation, 4)
	for i := range v {
		obs[i] = line.Observation{Volts: v[i], SD: 0.01}
	}
	full, err := line.NewEstimator(n).Estimate(obs, n.WidePrior())
	if err != nil {
		t.Fatal(err)
	}
	obs[2].Volts = math.NaN()
	part, err := line.NewEstimator(n).Estimate(obs, n.WidePrior())
	if err != nil {
		t.Fatal(err)
	}
	if part.LeakSD[1] < 1.5*full.LeakSD[1] {
		t.Errorf("error bar of the unheard zone %.3g, with its sensor %.3g; want clearly wider", part.LeakSD[1], full.LeakSD[1])
	}
	for i := range st.Leak {
		if math.Abs(part.Leak[i]-st.Leak[i]) > 3*part.LeakSD[i] {
			t.Errorf("zone %d: %.3g ± %.3g, truth %.3g: a wrong certainty", i, part.Leak[i], part.LeakSD[i], st.Leak[i])
		}
	}
	none, err := line.NewEstimator(n).Estimate(make([]line.Observation, 4), n.WidePrior())
	if err != nil {
		t.Fatal(err)
	}
	if none.LeakSD[0] < 2*none.Leak[0] {
		t.Errorf("with no sensor at all the bar is %.3g of %.3g, want the prior's width", none.LeakSD[0], none.Leak[0])
	}
}

func TestLearnGains(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .18, .2, .15))
	truth := []float64{1.04, 0.95, 1.06, 0.97}
	v := line.NewSolver(n).Volts(make([]float64, 4), even(n, 6e-5), line.Fault{})
	obs := make([]line.Observation, 4)
	for i := range v {
		obs[i] = line.Observation{Volts: v[i] * truth[i], SD: 0.003}
	}
	gains, _, err := line.NewEstimator(n).LearnGains(obs)
	if err != nil {
		t.Fatal(err)
	}
	for i := range gains {
		near(t, "gain", gains[i], truth[i], 0.02)
	}
}

func TestVoltsDoesNotAllocate(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .18, .2, .15, .1, .1))
	s, st, dst := line.NewSolver(n), n.Clean(), make([]float64, 6)
	if got := testing.AllocsPerRun(100, func() { s.Volts(dst, st, line.Fault{Kind: line.Shunt, Zone: 2, AtM: 30, Ohms: 200}) }); got != 0 {
		t.Errorf("%v allocations a call, want 0", got)
	}
}

func BenchmarkVolts(b *testing.B) {
	n := network(b, run(8200, 410, 4000, .18, .2, .15, .1, .1))
	s, st, dst := line.NewSolver(n), n.Clean(), make([]float64, 6)
	b.ReportAllocs()
	for b.Loop() {
		s.Volts(dst, st, line.Fault{Kind: line.Shunt, Zone: 2, AtM: 30, Ohms: 200})
	}
}

func BenchmarkEstimate(b *testing.B) {
	n := network(b, run(8200, 410, 4000, .18, .2, .15, .1, .1))
	v := line.NewSolver(n).Volts(make([]float64, 6), even(n, 1e-3), line.Fault{})
	obs := make([]line.Observation, 6)
	for i := range v {
		obs[i] = line.Observation{Volts: v[i], SD: .01}
	}
	e := line.NewEstimator(n)
	for b.Loop() {
		if _, err := e.Estimate(obs, n.WidePrior()); err != nil {
			b.Fatal(err)
		}
	}
}
