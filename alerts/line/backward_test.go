package line_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightwire/alerts/line"
)

// observe reads the volts through sensors of relative noise sd.
func observe(rng *rand.Rand, v []float64, sd float64) []line.Observation {
	obs := make([]line.Observation, len(v))
	for i := range v {
		obs[i] = line.Observation{Volts: v[i] * math.Exp(sd*rng.NormFloat64()), SD: sd}
	}
	return obs
}

// coverages are ways in which sensors may be fewer or noisier.
var coverages = []struct {
	name    string
	sd      float64
	loops   int
	missing float64 // share of sensors that say nothing
}{
	{"good sensors", 0.004, 0, 0},
	{"poor sensors", 0.03, 0, 0},
	{"a third missing", 0.01, 0, 0.33},
	{"loops", 0.01, 2, 0},
	{"nearly all missing", 0.01, 0, 0.85},
}

// The error bars hold the truth about as often as two standard deviations should, on random trees whose leakages are
// drawn from the prior itself.
func TestErrorBarsHold(t *testing.T) {
	for _, tt := range coverages {
		t.Run(tt.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(61, 62))
			inside, total := 0, 0
			for range 150 {
				n, st := randomTree(t, rng, 2+rng.IntN(6), tt.loops)
				p := line.Prior{State: n.Clean(), LeakSpread: 1}
				for i := range st.Leak {
					st.Leak[i] = p.State.Leak[i] * math.Exp(rng.NormFloat64())
				}
				obs := observe(rng, solve(n, st, line.Fault{}), tt.sd)
				for i := range obs {
					if rng.Float64() < tt.missing {
						obs[i].Volts = 0
					}
				}
				est, err := line.NewEstimator(n).Estimate(obs, p)
				if err != nil {
					t.Fatal(err)
				}
				for i := range st.Leak {
					total++
					if math.Abs(math.Log(est.Leak[i]/st.Leak[i])) < 2*est.LeakSD[i]/est.Leak[i] {
						inside++
					}
				}
			}
			share := float64(inside) / float64(total)
			t.Logf("%.1f %% of %d within two standard deviations", 100*share, total)
			if share < 0.92 || share > 0.99 {
				t.Errorf("%.1f %% of leakages within two standard deviations, want about 95", 100*share)
			}
		})
	}
}

// Sensors whose gains lie up to eight hundredths off are put right as the fence is strung, well enough that growth
// afterwards is seen where it is.
func TestGainsOfEightHundredths(t *testing.T) {
	rng := rand.New(rand.NewPCG(71, 72))
	worst, right := 0.0, 0
	const trials = 60
	for range trials {
		n, _ := randomTree(t, rng, 4, 0)
		st := n.Clean()
		for i := range st.Leak {
			st.Leak[i] *= math.Exp(0.5 * rng.NormFloat64())
		}
		gains := make([]float64, len(n.Zones)+1)
		v := solve(n, st, line.Fault{})
		obs := observe(rng, v, 0.003)
		for i := range gains {
			gains[i] = 1 + 0.16*(rng.Float64()-0.5)
			obs[i].Volts *= gains[i]
		}
		e := line.NewEstimator(n)
		learnt, _, err := e.LearnGains(obs)
		if err != nil {
			t.Fatal(err)
		}
		for i := range gains {
			worst = math.Max(worst, math.Abs(math.Log(learnt[i]/gains[i])))
		}
		z := rng.IntN(len(n.Zones))
		st.Leak[z] *= 60
		obs = observe(rng, solve(n, st, line.Fault{}), 0.003)
		for i := range obs {
			obs[i].Volts *= gains[i] / learnt[i]
		}
		est, err := e.Estimate(obs, n.WidePrior())
		if err != nil {
			t.Fatal(err)
		}
		most := 0
		for i := range est.Leak {
			if est.Leak[i] > est.Leak[most] {
				most = i
			}
		}
		if most == z {
			right++
		}
	}
	t.Logf("gains learnt to within %.1f %%; growth put in the right zone %d times of %d", 100*worst, right, trials)
	if worst > 0.1 || right < trials*8/10 {
		t.Errorf("gains off by up to %.1f %%, growth in the right zone %d times of %d", 100*worst, right, trials)
	}
}

// The open voltage, where it is free, is found with its bar; load and misfit mean what they say.
func TestFreeOpenVoltage(t *testing.T) {
	rng := rand.New(rand.NewPCG(81, 82))
	inside := 0
	const trials = 100
	for range trials {
		n, st := randomTree(t, rng, 5, 0)
		p := line.Prior{State: n.Clean(), LeakSpread: 2, OpenSpread: 0.3}
		st.OpenVolts *= math.Exp(p.OpenSpread * rng.NormFloat64())
		for i := range st.Leak {
			st.Leak[i] = p.State.Leak[i] * math.Exp(p.LeakSpread*rng.NormFloat64())
		}
		est, err := line.NewEstimator(n).Estimate(observe(rng, solve(n, st, line.Fault{}), 0.01), p)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(est.OpenVolts-st.OpenVolts) < 2*est.OpenSD {
			inside++
		}
		if est.Sensors != 6 || est.Misfit < 0 || est.LoadAmps <= 0 || est.LoadSiemens() <= 0 {
			t.Errorf("sensors %d, misfit %g, load %g A, %g S", est.Sensors, est.Misfit, est.LoadAmps, est.LoadSiemens())
		}
	}
	t.Logf("%d of %d open voltages within two standard deviations", inside, trials)
	if inside < trials*80/100 { // the wide prior bends the answer: a little short of the 95 that the bar promises
		t.Errorf("%d of %d open voltages within two standard deviations", inside, trials)
	}
}

// odd are observations that no estimator may choke on.
var odd = []struct {
	name  string
	volts []float64
}{
	{"nothing heard", []float64{0, 0, 0, 0}},
	{"not numbers", []float64{math.NaN(), math.NaN(), math.Inf(1), -5}},
	{"over the open voltage", []float64{29_000, 29_000, 29_000, 29_000}},
	{"next to nothing", []float64{1e-3, 1e-3, 1e-3, 1e-3}},
	{"hotter behind", []float64{2000, 4000, 6000, 8000}},
	{"one of them wild", []float64{7800, 7600, 1, 7300}},
}

// Whatever the sensors say, the answer is finite with finite bars, or an error.
func TestOddObservations(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .18, .2, .15))
	for _, tt := range odd {
		for _, open := range []float64{0, 0.3} {
			obs := make([]line.Observation, 4)
			for i, v := range tt.volts {
				obs[i] = line.Observation{Volts: v, SD: 0.01}
			}
			p := n.WidePrior()
			p.OpenSpread = open
			est, err := line.NewEstimator(n).Estimate(obs, p)
			if err != nil {
				continue
			}
			for i, g := range est.Leak {
				if !(g > 0) || math.IsInf(g, 0) || math.IsNaN(est.LeakSD[i]) || est.LeakSD[i] < 0 {
					t.Errorf("%s, open spread %g: zone %d leaks %g ± %g", tt.name, open, i, g, est.LeakSD[i])
				}
			}
		}
	}
	if _, err := line.NewEstimator(n).Estimate(make([]line.Observation, 3), n.WidePrior()); err == nil {
		t.Error("three observations for a fence of four sensors were taken")
	}
}
