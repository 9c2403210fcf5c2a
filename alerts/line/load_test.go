package line_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightwire/alerts/line"
)

// The spread of many estimates from noisy readings of one fence is what the error bar of the load says it is.
func TestLoadSDIsTheSpreadOfEstimates(t *testing.T) {
	const noise, tries = 0.01, 400
	n := network(t, run(8000, 350, 4000, 0.2, 0.3, 0.25))
	truth := even(n, 2e-4)
	volts := line.NewSolver(n).Volts(make([]float64, 4), truth, line.Fault{})
	want := (8000/volts[0] - 1) / 350
	est, rng := line.NewEstimator(n), rand.New(rand.NewPCG(3, 4))
	var sum, squares, told float64
	for range tries {
		obs := make([]line.Observation, len(volts))
		for i, v := range volts {
			obs[i] = line.Observation{Volts: v * math.Exp(noise*rng.NormFloat64()), SD: noise}
		}
		e, err := est.Estimate(obs, n.WidePrior())
		if err != nil {
			t.Fatal(err)
		}
		d := e.LoadSiemens()/want - 1
		sum, squares, told = sum+d, squares+d*d, told+est.LoadSD()/e.LoadSiemens()
	}
	spread := math.Sqrt(squares/tries - sum/tries*sum/tries)
	t.Logf("spread %.1f %%, told %.1f %%, bias %.1f %%", 100*spread, 100*told/tries, 100*sum/tries)
	if ratio := told / tries / spread; ratio < 0.8 || ratio > 1.25 {
		t.Errorf("the error bar is %.2f times the spread, want about 1", ratio)
	}
}

// At the most load the first zone stands at its minimum, whatever is on the fence now.
func TestMostLoad(t *testing.T) {
	f := run(8000, 350, 4000, 0.2, 0.3, 0.25)
	n := network(t, f)
	shown := []float64{1, 1, 1}
	if _, ok := n.MostLoad(even(n, 1e-4), shown); ok {
		t.Error("a fence without a minimum has a most load")
	}
	for i := range f.Zones {
		f.Zones[i].MinimumVolts = 2500
	}
	solver := line.NewSolver(n)
	// The answer found another way: step by step upward until the end of the line is at 2.5 kV.
	g := 1e-4
	for solver.Volts(make([]float64, 4), even(n, g), line.Fault{})[3] > 2500 {
		g *= 1.0001
	}
	want := (8000/solver.Volts(make([]float64, 4), even(n, g), line.Fault{})[0] - 1) / 350
	for _, now := range []float64{5e-5, 1e-4, 5e-3} {
		got, ok := n.MostLoad(even(n, now), shown)
		if !ok {
			t.Fatalf("no most load from %g S/km", now)
		}
		near(t, "most load", got, want, 5e-4*want)
	}
	f.Zones[2].MinimumVolts = 8100
	if _, ok := n.MostLoad(even(n, 1e-4), shown); ok {
		t.Error("a fence that never holds its minimum has a most load")
	}
}
