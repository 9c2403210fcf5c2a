package rolling

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// chart is what a run length is measured on.
type chart interface {
	Add(z float64) Direction
	Reset()
}

// runLength measures how many independent normal values, shifted by some sigma, a chart takes to signal, with the
// standard error of that mean. decides says which signals end a run.
func runLength(seed uint64, c chart, shift float64, runs int, decides func(Direction) bool) (mean, se float64) {
	rng := rand.New(rand.NewPCG(seed, 0xa5))
	var m Moments
	for range runs {
		c.Reset()
		n := 1
		for !decides(c.Add(rng.NormFloat64() + shift)) {
			n++
		}
		m.Add(float64(n))
	}
	return m.Mean(), m.SD() / math.Sqrt(float64(runs))
}

func either(d Direction) bool { return d != Steady }
func upward(d Direction) bool { return d == Up }

// checkRunLength allows four standard errors, and half a unit of the printed value's last digit.
func checkRunLength(t *testing.T, c chart, shift, want, halfUnit float64, decides func(Direction) bool) {
	t.Helper()
	runs := 20_000
	if testing.Short() {
		runs = 4_000
	}
	runs = max(2_000, min(runs, int(2e6/want))) // the long ones cost the most
	mean, se := runLength(uint64(1000*shift)+1, c, shift, runs, decides)
	within(t, fmt.Sprintf("run length at shift %g", shift), mean, want, 4*se+halfUnit)
}

func TestCUSUMRunLengths(t *testing.T) {
	shifts := []float64{0, 0.25, 0.5, 1, 1.5, 2, 3}
	for _, tc := range []struct {
		name    string
		h, head float64
		decides func(Direction) bool
		want    []float64
	}{
		// Lucas and Crosier, Technometrics 24 (1982): 168, 74.2, 26.6, 8.38, 4.75, 3.34, 2.19; more digits from R's spc.
		{"two-sided h 4", 4, 0, either, []float64{167.68, 74.22, 26.63, 8.38, 4.75, 3.34, 2.19}},
		// The same with fast initial response: 149, 62.7, 20.1, 5.29, 2.86, 2.01, 1.32.
		{"two-sided h 4, head start 2", 4, 2, either, []float64{148.70, 62.70, 20.06, 5.29, 2.86, 2.01, 1.33}},
		// R's spc.
		{"two-sided h 5", 5, 0, either, []float64{465.44, 139.49, 38.00, 10.38, 5.75, 4.01, 2.57}},
		{"two-sided h 5, head start 2.5", 5, 2.5, either, []float64{430.39, 121.69, 28.67, 6.35, 3.37, 2.36, 1.54}},
		{"one-sided h 4", 4, 0, upward, []float64{335.37, 77.08, 26.68, 8.38, 4.75, 3.34, 2.19}},
		{"one-sided h 5", 5, 0, upward, []float64{930.89, 141.69, 38.01, 10.38, 5.75, 4.01, 2.57}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			for i, shift := range shifts {
				checkRunLength(t, NewCUSUM(0.5, tc.h, tc.head), shift, tc.want[i], 0.005, tc.decides)
			}
		})
	}
	for _, tc := range []struct {
		name              string
		k, h, shift, want float64
	}{
		// Brook and Evans, Biometrika 59 (1972): 117.59 and 3.75.
		{"one-sided k .5 h 3", 0.5, 3, 0, 117.60},
		{"one-sided k .5 h 3 shifted", 0.5, 3, 1.5, 3.749},
		{"one-sided k .25 h 8", 0.25, 8, 2.5, 4.15008}, // SAS/QC
	} {
		t.Run(tc.name, func(t *testing.T) {
			checkRunLength(t, NewCUSUM(tc.k, tc.h, 0), tc.shift, tc.want, 0.005, upward)
		})
	}
}

// asymptotic is an EWMA chart whose limits are wide from the start, which the printed run lengths are for.
type asymptotic struct{ *EWMA }

func (a asymptotic) Add(z float64) Direction {
	a.EWMA.decay = 0
	return a.EWMA.Add(z)
}

func TestEWMARunLengths(t *testing.T) {
	for _, tc := range []struct {
		lambda, width float64
		shifts, want  []float64
	}{
		// Lucas and Saccucci, Technometrics 32 (1990).
		{0.5, 3.071, []float64{0, 0.25, 0.5, 0.75, 1}, []float64{500, 255, 88.8, 35.9, 17.5}},
		{0.03, 2.437, []float64{0, 0.25, 0.5, 0.75, 1}, []float64{500, 76.7, 29.3, 17.6, 12.6}},
		// R's spc.
		{0.25, 2.998, []float64{0, 0.25, 0.5, 1, 2, 3}, []float64{500, 170.3, 48.3, 11.1, 3.61, 2.26}},
		{0.1, 2.814, []float64{0, 0.25, 0.5, 1, 2, 3}, []float64{500, 106.3, 31.3, 10.3, 4.36, 2.87}},
	} {
		t.Run(fmt.Sprintf("lambda %g", tc.lambda), func(t *testing.T) {
			t.Parallel()
			for i, shift := range tc.shifts {
				checkRunLength(t, asymptotic{NewEWMA(tc.lambda, tc.width)}, shift, tc.want[i], tc.want[i]*0.005, either)
			}
		})
	}
}

func TestAutocorrelationRuinsRunLengths(t *testing.T) {
	// Published figures for a nominal run length of 465 (k .5, h 5) under AR(1) noise of the same spread; whitening
	// with the true coefficient gives the nominal length back.
	for _, tc := range []struct{ phi, raw float64 }{{0.25, 117}, {0.5, 52}, {0.75, 31}} {
		t.Run(fmt.Sprintf("phi %g", tc.phi), func(t *testing.T) {
			t.Parallel()
			const runs = 4000
			rng := rand.New(rand.NewPCG(7, 11))
			measure := func(whiten bool) (mean, se float64) {
				c, w := NewCUSUM(0.5, 5, 0), NewWhitener(tc.phi)
				var m Moments
				for range runs {
					c.Reset()
					w.Reset()
					z, n := rng.NormFloat64(), 0
					for {
						n++
						x := z
						if whiten {
							x = w.Next(z, 1)
						}
						if c.Add(x) != Steady {
							break
						}
						z = tc.phi*z + math.Sqrt(1-tc.phi*tc.phi)*rng.NormFloat64()
					}
					m.Add(float64(n))
				}
				return m.Mean(), m.SD() / math.Sqrt(runs)
			}
			raw, se := measure(false)
			within(t, "raw run length", raw, tc.raw, 4*se+0.03*tc.raw) // the figures are good to 3 %
			white, se := measure(true)
			within(t, "whitened run length", white, 465.44, 4*se)
		})
	}
}

func TestSiegmund(t *testing.T) {
	// Formula, k .5 and h 5; 938.2, 469.1 and 10.34 are the figures in print.
	within(t, "one-sided", SiegmundARL(0.5, 5, 0), 938.2224, 5e-5)
	within(t, "two-sided", TwoSided(SiegmundARL(0.5, 5, 0), SiegmundARL(0.5, 5, 0)), 469.1112, 5e-5)
	within(t, "shifted", SiegmundARL(0.5, 5, 1), 10.3362, 5e-5)
	within(t, "at its singular point", SiegmundARL(0.5, 5, 0.5), 6.166*6.166, 1e-9)
	within(t, "near its singular point", SiegmundARL(0.5, 5, 0.5+1e-6), 6.166*6.166, 1e-3)

	// Its error against exact run lengths, as its comment states.
	for shift, exact := range map[float64]float64{0: 930.887, 0.25: 141.688, 0.5: 38.010, 1: 10.376} {
		within(t, "up to 1 sigma", SiegmundARL(0.5, 5, shift)/exact, 1, 0.01)
	}
	if low := SiegmundARL(0.5, 5, 2) / 4.009; low < 0.96 || low > 0.97 {
		t.Errorf("at 2 sigma it is %.3f of the exact length, want 3 to 4 %% low", low)
	}
}

func TestCUSUMLimitForFalseAlarmsAMonth(t *testing.T) {
	// One false alarm a sensor-month at a reading every 60, 15, 10, 5 and 1 minutes: exact limits from R's spc.
	for _, tc := range []struct{ k, values, h float64 }{
		{0.25, 720, 7.956}, {0.25, 8640, 12.821}, {0.25, 43200, 16.028},
		{0.5, 720, 4.747}, {0.5, 2880, 6.120}, {0.5, 4320, 6.524}, {0.5, 8640, 7.215}, {0.5, 43200, 8.823},
		{1, 720, 2.503}, {1, 43200, 4.545},
	} {
		// Siegmund's overshoot is that of small k; at k 1 the limit comes out up to 4 % low.
		within(t, fmt.Sprintf("limit for k %g once in %g", tc.k, tc.values), CUSUMLimit(tc.k, tc.values)/tc.h, 1, 0.04)
	}
}

func TestShewhartRunLengths(t *testing.T) {
	// A chart of single values at 3 sigma is an EWMA of weight 1. Exact normal probabilities: 1/(Φ(-3-δ)+Φ(-3+δ)).
	for shift, want := range map[float64]float64{0: 370.398, 1: 43.895, 2: 6.303} {
		p := (math.Erfc((3+shift)/math.Sqrt2) + math.Erfc((3-shift)/math.Sqrt2)) / 2
		within(t, "closed form", 1/p, want, 5e-4)
		checkRunLength(t, NewEWMA(1, 3), shift, want, 5e-4, either)
	}
}
