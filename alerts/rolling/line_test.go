package rolling

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Calibration examples: Graybill and Iyer, Regression Analysis (1994), chapter 6, with the figures of R's investr 1.4.2.
var (
	thermostat = [...]float64{95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21}   // at 96, 98, … °F
	chamber    = [...]float64{206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.7, // at 0, 10, …
		444.4, 469.14, 501.16}
	crystal = [...]float64{0.08, 1.12, 4.43, 4.98, 4.92, 7.18, 5.57, 8.4, 8.81, 10.81, 11.16, 10.12, // at 2, 4, … h
		13.12, 15.04}
)

func lineOver(t *testing.T, from, step float64, ys []float64) Line {
	t.Helper()
	xs := make([]float64, len(ys))
	for i := range xs {
		xs[i] = from + step*float64(i)
	}
	line, ok := FitLine(xs, ys)
	if !ok {
		t.Fatal("no line")
	}
	return line
}

func TestLineAgainstNorris(t *testing.T) {
	// NIST StRD, linear, Norris: certified to 15 digits.
	l, ok := FitLine(column(t, "testdata/nist_norris.csv", "x"), column(t, "testdata/nist_norris.csv", "y"))
	if !ok {
		t.Fatal("no line")
	}
	n := float64(l.N)
	slopeSE := l.Sigma / math.Sqrt(l.Sxx)
	interceptSE := l.Sigma * math.Sqrt(1/n+l.MeanX*l.MeanX/l.Sxx)
	within(t, "slope", l.Slope/1.00211681802045, 1, 1e-13)
	within(t, "intercept", l.Intercept/-0.262323073774029, 1, 1e-11)
	within(t, "residual sd", l.Sigma/0.884796396144373, 1, 1e-12)
	within(t, "R²", l.R2/0.999993745883712, 1, 1e-13)
	within(t, "sd of slope", slopeSE/0.429796848199937e-3, 1, 1e-12)
	within(t, "sd of intercept", interceptSE/0.232818234301152, 1, 1e-12)
	within(t, "F", l.Slope*l.Slope*l.Sxx/(l.Sigma*l.Sigma)/5436385.54079785, 1, 1e-11)
}

func TestInverseRegression(t *testing.T) {
	for _, tc := range []struct {
		name         string
		line         Line
		y, level     float64
		readings     int
		x, low, high float64
	}{
		{"thermostat, one reading", lineOver(t, 96, 2, thermostat[:]), 104, 0.95, 1, 103.9949, 103.4041, 104.5895},
		{"thermostat, 90 %", lineOver(t, 96, 2, thermostat[:]), 100, 0.90, 1, 100.1123, 99.6294, 100.5885},
		{"chamber, line", lineOver(t, 0, 10, chamber[:]), 400, 0.99, 0, 66.5200, 65.0709, 68.0258},
		{"crystal, line", lineOver(t, 2, 2, crystal[:]), 5, 0.90, 0, 9.9291, 8.6503, 11.0479},
		{"crystal, line at 8", lineOver(t, 2, 2, crystal[:]), 8, 0.95, 0, 15.8882, 14.6590, 17.1596},
		{"crystal, one reading", lineOver(t, 2, 2, crystal[:]), 8, 0.95, 1, 15.8882, 11.0946, 20.7240},
	} {
		t.Run(tc.name, func(t *testing.T) {
			x, low, high, ok := tc.line.Inverse(tc.y, tc.level, tc.readings)
			if !ok {
				t.Fatal("no interval")
			}
			within(t, "x", x, tc.x, 5e-5)
			within(t, "low", low, tc.low, 5e-5)
			within(t, "high", high, tc.high, 5e-5)
		})
	}

	l := lineOver(t, 2, 2, crystal[:])
	// Fieller's formula: what m new readings add to the square of half the interval falls as 1/m.
	square := func(readings int) float64 {
		_, low, high, _ := l.Inverse(8, 0.95, readings)
		return (high - low) * (high - low)
	}
	within(t, "four readings against one", (square(4)-square(0))/(square(1)-square(0)), 0.25, 1e-12)
	q := StudentQuantile(0.95, l.N-2)
	within(t, "g", q*q*l.Sigma*l.Sigma/(l.Slope*l.Slope*l.Sxx), 0.0155273, 5e-8)
	x, _, _, _ := l.Inverse(8, 0.95, 0)
	wald := l.Sigma / l.Slope * math.Sqrt(1/float64(l.N)+(x-l.MeanX)*(x-l.MeanX)/l.Sxx)
	within(t, "Wald standard error", wald, 0.5670834, 5e-8)
}

func TestInverseIntervalBehaves(t *testing.T) {
	l := lineOver(t, 2, 2, crystal[:])
	width := func(l Line, y float64, readings int) (left, right float64) {
		x, low, high, ok := l.Inverse(y, 0.95, readings)
		if !ok {
			t.Fatal("no interval")
		}
		return x - low, high - x
	}
	left, right := width(l, 20, 0)
	if math.Abs(left-right) < 0.01*left {
		t.Errorf("interval is symmetric: -%g, +%g", left, right)
	}
	nearLeft, nearRight := width(l, l.MeanY, 0)
	if nearLeft+nearRight >= left+right {
		t.Error("interval does not widen away from the data")
	}
	oneLeft, oneRight := width(l, 20, 1)
	if oneLeft <= left || oneRight <= right {
		t.Error("interval for one reading does not contain that of the line")
	}
}

func TestNoIntervalWithoutSignificantSlope(t *testing.T) {
	// The interval is finite exactly when the t-test calls the slope different from 0.
	rng := rand.New(rand.NewPCG(2, 3))
	seen := map[bool]int{}
	for range 500 {
		ys := make([]float64, 12)
		for i := range ys {
			ys[i] = 0.15*float64(i) + rng.NormFloat64()
		}
		l := lineOver(t, 0, 1, ys)
		significant := math.Abs(l.Slope)/(l.Sigma/math.Sqrt(l.Sxx)) > StudentQuantile(0.975, l.N-2)
		if _, _, _, ok := l.Inverse(5, 0.95, 0); ok != significant {
			t.Fatalf("ok = %t where significance is %t", ok, significant)
		}
		seen[significant]++
	}
	if seen[true] < 50 || seen[false] < 50 {
		t.Errorf("cases are one-sided: %v", seen)
	}
	for name, xy := range map[string][2][]float64{
		"two points":     {{1, 2}, {1, 2}},
		"one x":          {{1, 1, 1}, {1, 2, 3}},
		"unequal length": {{1, 2, 3}, {1, 2}},
	} {
		if _, ok := FitLine(xy[0], xy[1]); ok {
			t.Errorf("a line through %s", name)
		}
	}
}

func TestStudentQuantile(t *testing.T) {
	// Tables as in the NIST e-Handbook 1.3.6.7.2; one and two degrees have closed forms.
	for _, tc := range []struct {
		p       float64
		degrees int
		want    float64
	}{
		{0.975, 1, math.Tan(math.Pi * 0.475)}, {0.975, 2, 0.95 * math.Sqrt(2/(1-0.95*0.95))}, {0.95, 3, 2.353363},
		{0.975, 5, 2.570582}, {0.975, 10, 2.228139}, {0.995, 30, 2.749996}, {0.025, 10, -2.228139}, {0.5, 7, 0},
		{0.45, 1, -math.Tan(math.Pi * 0.05)},
	} {
		within(t, "t", StudentQuantile(tc.p, tc.degrees), tc.want, 5e-7)
	}
	within(t, "many degrees", StudentQuantile(0.975, 100_000), NormalQuantile(0.975), 1e-4)
	within(t, "normal", NormalQuantile(0.75), 1/MADScale, 1e-15)
	within(t, "no degrees", StudentQuantile(0.9, 0), math.NaN(), 0)
	within(t, "p 1", StudentQuantile(1, 4), math.Inf(1), 0)
}

func TestFirstPassage(t *testing.T) {
	f := FirstPassage{Distance: 3, Drift: 0.1, Sigma: 0.2} // SciPy invgauss and the closed form
	within(t, "mean", f.Mean(), 30, 1e-12)
	within(t, "variance", f.Variance(), 120, 1e-10)
	within(t, "P(T ≤ 30)", f.CDF(30), 0.570618343965810, 1e-14) // the closed form to 30 digits, by mpmath
	for p, want := range map[float64]float64{0.05: 15.7641, 0.5: 28.1419, 0.95: 50.5717} {
		within(t, "quantile", f.Quantile(p), want, 5e-5)
	}

	within(t, "before the start", f.CDF(0), 0, 0)
	quiet := FirstPassage{Distance: 3, Drift: 0.1, Sigma: 0.001} // exp(2dν/σ²) overflows here
	within(t, "next to no noise", quiet.Quantile(0.5), 30, 0.01)
	within(t, "median of next to no noise", quiet.CDF(30), 0.5, 0.001)
	within(t, "no drift", FirstPassage{Distance: 3, Sigma: 1}.Quantile(0.5), math.NaN(), 0)
	within(t, "erfcx joins up", erfcx(12)/erfcx(12-1e-9), 1, 1e-7)
}

func TestFirstPassageAgainstSimulation(t *testing.T) {
	f := FirstPassage{Distance: 3, Drift: 0.1, Sigma: 0.2}
	rng := rand.New(rand.NewPCG(4, 4))
	const runs, step = 3000, 0.02
	early := 0
	for range runs {
		x, at := 0.0, 0.0
		for x < f.Distance && at < 25 {
			x += f.Drift*step + f.Sigma*math.Sqrt(step)*rng.NormFloat64()
			at += step
		}
		if x >= f.Distance {
			early++
		}
	}
	p := f.CDF(25)
	// Steps miss crossings between them, which costs about 0.5826·σ·√step of distance.
	within(t, "arrived by 25", float64(early)/runs, p, 4*math.Sqrt(p*(1-p)/runs)+0.01)
}

func TestDelay(t *testing.T) {
	within(t, "samples to raise", Delay{Raise: 3}.MeanToRaise(0.5), 14, 1e-12)
	within(t, "samples to raise when always beyond", Delay{Raise: 3}.MeanToRaise(1), 3, 0)
	// Formula, simulated; the trade of Adnan, Izadi and Chen (2011).
	within(t, "share raised 2/2", Delay{Raise: 2, Clear: 2}.ShareRaised(0.1), 0.0208791, 5e-8)
	within(t, "share raised 1/3", Delay{Raise: 1, Clear: 3}.ShareRaised(0.05), 0.1426250, 5e-8)
	within(t, "share raised 1/1", Delay{Raise: 1, Clear: 1}.ShareRaised(0.3), 0.3, 1e-12)

	rng := rand.New(rand.NewPCG(8, 8))
	d, p := Delay{Raise: 3, Clear: 5}, 0.4
	const samples = 1_000_000
	raised, share := false, 0
	beyond, inside := 0, 0
	for range samples {
		if rng.Float64() < p {
			beyond, inside = beyond+1, 0
		} else {
			beyond, inside = 0, inside+1
		}
		if beyond >= d.Raise {
			raised = true
		} else if inside >= d.Clear {
			raised = false
		}
		if raised {
			share++
		}
	}
	within(t, "simulated share", float64(share)/samples, d.ShareRaised(p), 0.006)
}

func TestHampelAndModifiedZ(t *testing.T) {
	// The formula of R's pracma, side 3 and limit 3.
	xs := []float64{7.1, 7.0, 7.2, 7.1, 3.0, 7.0, 7.1, 7.2, 7.1, 9.9, 7.0, 7.1, 7.0}
	h := NewHampel(3, 3, 0)
	replaced := map[int]float64{}
	for i, x := range xs {
		y, outlier, ok := h.Add(x)
		if ok != (i >= 6) {
			t.Errorf("after %d: ok = %t", i+1, ok)
		}
		if outlier {
			replaced[i-3+1] = y
		} else if ok && y != xs[i-3] {
			t.Errorf("position %d became %g", i-2, y)
		}
	}
	if len(replaced) != 2 || replaced[5] != 7.1 || replaced[10] != 7.1 {
		t.Errorf("replaced %v, want positions 5 and 10 by 7.1", replaced)
	}

	// The limit and the floor decide: 9 is 2.7 sigma off where sigma is 1.4826, and 0.9 where a step of 6 sets it.
	for _, tc := range []struct {
		limit, step float64
		want        bool
	}{{2.5, 0, true}, {3, 0, false}, {2.5, 2, true}, {2.5, 6, false}} {
		h := NewHampel(2, tc.limit, tc.step)
		for _, x := range []float64{4, 5, 9, 6, 5} { // median 5, deviations 1 0 4 1 0, MAD 1
			h.Add(x)
		}
		if _, outlier, _ := h.Add(6); outlier { // 6 of 5 9 6 5 6 is the median
			t.Errorf("limit %g: the median is called an outlier", tc.limit)
		}
		h = NewHampel(2, tc.limit, tc.step)
		var got bool
		for _, x := range []float64{4, 5, 9, 6, 5} {
			_, got, _ = h.Add(x)
		}
		if got != tc.want {
			t.Errorf("limit %g, step %g: outlier = %t, want %t", tc.limit, tc.step, got, tc.want)
		}
	}

	// NIST/SEMATECH e-Handbook 1.3.5.17.
	w := windowOf(8, 199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)
	within(t, "modified z", ModifiedZ(245.57, w.Median(), w.MAD()), 29.9627, 5e-5)
}
