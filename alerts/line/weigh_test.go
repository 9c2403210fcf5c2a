package line_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// What dew does to all leakages alike is found as such, where each is held to move little by itself.
func TestFactorCommonToAll(t *testing.T) {
	rng := rand.New(rand.NewPCG(91, 92))
	for _, wetter := range []float64{0.4, 1, 3} {
		n := network(t, run(8200, 410, 4000, .18, .2, .15))
		st := even(n, 4e-4)
		p := line.Prior{State: st.Copy(), LeakSpread: 0.15, WetSpread: 1.2}
		for i := range st.Leak {
			st.Leak[i] *= wetter
		}
		obs := observe(rng, solve(n, st, line.Fault{}), 0.003)
		est, err := line.NewEstimator(n).Estimate(obs, p)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "logarithm of what is common", est.Wet, math.Log(wetter), 0.1)
		if off := math.Abs(est.Wet - math.Log(wetter)); off > 3*est.WetSD || est.WetSD > 0.15 {
			t.Errorf("%g times as wet: off by %g, with %g to be expected", wetter, off, est.WetSD)
		}
		for i, g := range est.Leak {
			if math.Abs(math.Log(g/st.Leak[i])) > 3*est.LeakSD[i]/g {
				t.Errorf("%g times as wet: zone %d leaks %g ± %g, want %g", wetter, i, g, est.LeakSD[i], st.Leak[i])
			}
		}
		p.WetSpread = 0
		alone, err := line.NewEstimator(n).Estimate(obs, p)
		if err != nil {
			t.Fatal(err)
		}
		if wetter != 1 && alone.Strain+alone.Misfit < est.Strain+est.Misfit+10 {
			t.Errorf("%g times as wet: %g with nothing in common, %g with it", wetter, alone.Strain+alone.Misfit, est.Strain+est.Misfit)
		}
	}
}

// Of the places in which the wire of a loop may have parted the true one explains best what is seen, though the weather
// changed meanwhile; and weighing says what estimating says.
func TestFaultTakenToBeThere(t *testing.T) {
	f := run(8000, 400, 4000, .2)
	f.Zones = append(f.Zones,
		farm.Zone{Name: "left", FedBy: "a", LengthM: 250, OhmsPerKM: 4000, JoinedTo: "right"},
		farm.Zone{Name: "right", FedBy: "a", LengthM: 150, OhmsPerKM: 4000})
	n := network(t, f)
	p := line.Prior{State: even(n, 4e-4), LeakSpread: 0.2, WetSpread: 1.2}
	wet := p.State.Copy()
	for i := range wet.Leak {
		wet.Leak[i] *= 1.6
	}
	e := line.NewEstimator(n)
	score := func(volts []float64, f line.Fault) float64 {
		obs := make([]line.Observation, len(volts))
		for i, v := range volts {
			obs[i] = line.Observation{Volts: v, SD: 0.006}
		}
		q := p
		q.Fault = f
		est, err := e.Estimate(obs, q)
		if err != nil {
			t.Fatal(err)
		}
		quick, err := e.Weigh(obs, q)
		if err != nil || quick.Misfit != est.Misfit || quick.Strain != est.Strain || quick.Worst > quick.Misfit {
			t.Errorf("weighed %+v, estimated %+v, %v", quick, est, err)
		}
		return est.Misfit + est.Strain
	}
	faults := []line.Fault{{}, {Kind: line.Break, Zone: 1, AtM: 120}, {Kind: line.Break, Zone: 2, AtM: 70}, {Kind: line.Joint, Zone: 0, AtM: 90, Ohms: 1500}}
	for i, is := range faults {
		volts := solve(n, wet, is)
		for k, taken := range faults {
			if k != i && score(volts, taken) < score(volts, is)+6 {
				t.Errorf("%+v stands: taken for %+v it scores %.1f, itself %.1f", is, taken, score(volts, taken), score(volts, is))
			}
		}
	}
}

// With one unknown, what share of all that it might be explains the sensors is how far it is narrowed down: by Laplace's
// rule the spread that is left over the spread there was. A finer sensor leaves less.
func TestLuckOfOneUnknown(t *testing.T) {
	n := network(t, run(8200, 410, 4000, .2))
	p := line.Prior{State: even(n, 4e-4), LeakSpread: 1.5}
	v := solve(n, p.State, line.Fault{})
	last := 0.0
	for _, sd := range []float64{0.03, 0.01, 0.003} {
		est, err := line.NewEstimator(n).Estimate([]line.Observation{{Volts: v[0], SD: sd}, {Volts: v[1], SD: sd}}, p)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "luck", est.Luck, -2*math.Log(est.LeakSD[0]/est.Leak[0]/p.LeakSpread), 1e-9)
		if est.Luck <= last {
			t.Errorf("luck %g with sensors of %g, %g with coarser ones", est.Luck, sd, last)
		}
		last = est.Luck
	}
}
