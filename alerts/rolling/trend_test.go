package rolling

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// series is a published series with its expected trend.
type series struct {
	name   string
	ts, ys []float64
}

var (
	// Sulfate and sodium in ground water, ppm, by year and month as a decimal: USEPA 530/R-09-007, Unified Guidance
	// (2009), examples 17-6 and 17-7.
	sulfateTimes = [...]float64{89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6, 93.1, 93.6,
		94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8}
	sulfate = [...]float64{480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610,
		650, 620, 830, 720, 590}
	sodiumTimes = [...]float64{89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3}
	sodium      = [...]float64{56, 53, 51, 55, 52, 60, 62, 59, 61, 63}
	// Mann-Kendall worked by hand: course notes of the mathematics department, College of the Holy Cross.
	holyCross = [...]float64{12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7}
)

func fit(t *testing.T, s series, rule RankRule) Trend {
	t.Helper()
	f := NewTheilSen(len(s.ts))
	for i, at := range s.ts {
		f.Add(at, s.ys[i])
	}
	trend, ok := f.Fit(0.95, rule)
	if !ok {
		t.Fatalf("no trend in %s", s.name)
	}
	return trend
}

func TestTheilSenAndMannKendall(t *testing.T) {
	type expected struct{ s, variance, z, slope, intercept, low, high, roundLow, roundHigh string } // "" where none is given
	for _, tc := range []struct {
		series
		want expected
	}{
		// EnvStats 3.1.0 for the interpolated interval, SciPy 1.10.1 for the rounded one.
		{series{"sulfate", sulfateTimes[:], sulfate[:]},
			expected{"194", "1428.0000", "5.107322", "26.6666667", "-1909.33333", "20.00000", "35.71182", "20.0000000", "35.8490566"}},
		{series{"sodium", sodiumTimes[:], sodium[:]},
			expected{"25", "125.0000", "2.1466253", "1.3333333", "", ".39920827", "2.3333333", ".4545455", "2.3333333"}},
		{series{"Holy Cross, one tie", count(14), holyCross[:]},
			expected{"54", "332.66667", "2.9058", "", "", "", "", "", ""}},
		// R's trend 1.1.6 and SciPy.
		{series{"Nile, many ties", column(t, "testdata/nile.csv", "year"), column(t, "testdata/nile.csv", "flow")},
			expected{"-1387", "112728.3333", "-4.128066523", "-2.600000000", "", "", "", "-3.627907", "-1.428571"}},
		// pyMannKendall's tests; the slope has its index as time, gaps left open.
		{series{"mk360, gaps", count(360), column(t, "testdata/mk360.csv", "y")},
			expected{"-1959", "4889800.3333", "-0.8854562843", "-0.0063694268", "", "", "", "", ""}},
		// After Helsel and Hirsch: one wild value does not move the line.
		{series{"outlier", count(7), []float64{1, 2, 3, 4, 5, 16, 7}},
			expected{"19", "", "", "1.000000000", "0.000000000", "", "", "", ""}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, rounded := fit(t, tc.series, Interpolated), fit(t, tc.series, Rounded)
			for _, v := range []struct {
				what string
				got  float64
				want string
			}{
				{"S", float64(got.S), tc.want.s},
				{"variance", got.Var, tc.want.variance},
				{"Z", got.Z(), tc.want.z},
				{"slope", got.Slope, tc.want.slope},
				{"intercept", got.Intercept(), tc.want.intercept},
				{"low", got.Low, tc.want.low},
				{"high", got.High, tc.want.high},
				{"rounded low", rounded.Low, tc.want.roundLow},
				{"rounded high", rounded.High, tc.want.roundHigh},
			} {
				if v.want != "" {
					shown(t, v.what, v.got, v.want)
				}
			}
		})
	}

	within(t, "tau-a of sulfate", fit(t, series{"sulfate", sulfateTimes[:], sulfate[:]}, Rounded).Tau(), 0.7667984, 5e-8)
	line, _ := FitLine(count(7), []float64{1, 2, 3, 4, 5, 16, 7})
	within(t, "least-squares slope with the outlier", line.Slope, 1.7142857, 5e-8)
	within(t, "least-squares intercept with the outlier", line.Intercept, -1.4285714, 5e-8)
}

func TestInterceptOfMK360(t *testing.T) {
	// pyMannKendall's tests count time from 0.
	ys := column(t, "testdata/mk360.csv", "y")
	f := NewTheilSen(len(ys))
	for i, y := range ys {
		f.Add(float64(i), y)
	}
	trend, _ := f.Fit(0.95, Rounded)
	if trend.N != 353 {
		t.Fatalf("n = %d, want 353", trend.N)
	}
	within(t, "intercept", trend.Intercept(), 96.1528662420, 5e-11)
	// Closing up the gaps would change the slope: -0.006452 against -0.006369.
	closed := NewTheilSen(len(ys))
	n := 0.0
	for _, y := range ys {
		if !math.IsNaN(y) {
			closed.Add(n, y)
			n++
		}
	}
	trend, _ = closed.Fit(0.95, Rounded)
	within(t, "slope with gaps closed up", trend.Slope, -0.006452, 5e-7)
}

func TestSeasonalKendall(t *testing.T) {
	// EPA Unified Guidance (2009), example 14-10, by EnvStats 3.1.0.
	years, months := column(t, "testdata/epa_seasonal.csv", "year"), column(t, "testdata/epa_seasonal.csv", "month")
	epa := NewSeasonal(12, 3)
	for i, y := range column(t, "testdata/epa_seasonal.csv", "conc") {
		epa.Add(int(months[i])-1, years[i], y)
	}
	got, heterogeneity, ok := epa.Fit(0.95, Interpolated)
	if !ok || got.S != 35 {
		t.Errorf("S = %d (%t), want 35", got.S, ok)
	}
	within(t, "variance", got.Var, 43, 1e-9)
	within(t, "Z", got.Z(), 5.1849514, 5e-8)
	within(t, "slope", got.Slope, 0.06, 1e-12)
	within(t, "low", got.Low, 0.05786914, 5e-9)
	within(t, "high", got.High, 0.07213086, 5e-9)
	within(t, "heterogeneity", heterogeneity, 0.1071882, 5e-8)

	// pyMannKendall's tests: 30 years of 12 seasons with gaps, slope per year.
	mk := NewSeasonal(12, 30)
	for i, y := range column(t, "testdata/mk360.csv", "y") {
		mk.Add(i%12, float64(i/12), y)
	}
	got, _, _ = mk.Fit(0.95, Rounded)
	if got.S != -399 {
		t.Errorf("S = %d, want -399", got.S)
	}
	within(t, "variance", got.Var, 34702.3333, 5e-5)
	within(t, "Z", got.Z(), -2.1365041145, 5e-11)
	within(t, "slope", got.Slope, -0.0869565217, 5e-11)

	if _, _, ok := NewSeasonal(4, 5).Fit(0.95, Rounded); ok {
		t.Error("a trend out of nothing")
	}
}

func TestConstantHasNoTrend(t *testing.T) {
	// gonum v0.17.0 stat.Kendall says 1 here: it takes ties for agreement, so quantised volts would always trend.
	f := NewTheilSen(20)
	for i := range 20 {
		f.Add(float64(i), 4000)
	}
	trend, ok := f.Fit(0.95, Interpolated)
	if diff := cmp.Diff(Trend{Kendall: Kendall{N: 20}, MidT: 9.5, MidY: 4000}, trend); !ok || diff != "" {
		t.Errorf("trend of a constant (-want +got):\n%s", diff)
	}
	within(t, "Z", trend.Z(), 0, 0)
	if _, _, _, ok := trend.Crossing(5000); ok {
		t.Error("a flat line crosses nothing")
	}
}

// naiveTrend looks at all pairs and sorts.
func naiveTrend(ts, ys []float64) (s int, slope float64) {
	var slopes []float64
	for j := range ts {
		for i := range j {
			slopes = append(slopes, (ys[j]-ys[i])/(ts[j]-ts[i]))
			switch {
			case ys[j] > ys[i]:
				s++
			case ys[j] < ys[i]:
				s--
			}
		}
	}
	return s, middle(slopes)
}

func naiveVariance(ys []float64) float64 {
	n := float64(len(ys))
	v := n * (n - 1) * (2*n + 5)
	groups := map[float64]float64{}
	for _, y := range ys {
		groups[y]++
	}
	for _, g := range groups {
		v -= g * (g - 1) * (2*g + 5)
	}
	return v / 18
}

func TestRollingTrendAgainstAllPairs(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, size := range []int{2, 3, 10, 33} {
		f, n := NewTheilSen(size), &naive{size: size}
		times := &naive{size: size}
		at := 0.0
		for range 500 {
			at += 0.5 + 3*rng.Float64() // gaps
			y := math.Round(4*rng.NormFloat64()) / 4
			f.Add(at, y)
			times.add(at)
			n.add(y)
			if rng.IntN(8) == 0 {
				f.Drop()
				times.drop()
				n.drop()
			}
			trend, ok := f.Fit(0.9, Rounded)
			if ok != (len(n.values) > 1) {
				t.Fatalf("ok = %t with %d points", ok, len(n.values))
			}
			if !ok {
				continue
			}
			s, slope := naiveTrend(times.values, n.values)
			if trend.S != s || trend.N != len(n.values) {
				t.Fatalf("S = %d of %d, want %d of %d", trend.S, trend.N, s, len(n.values))
			}
			within(t, "variance", trend.Var, naiveVariance(n.values), 1e-9)
			within(t, "slope", trend.Slope, slope, 1e-12)
			within(t, "middle", trend.MidY, middle(n.values), 0)
			if trend.Low > trend.Slope || trend.High < trend.Slope {
				t.Fatalf("slope %g outside its interval %g to %g", trend.Slope, trend.Low, trend.High)
			}
		}
	}
}

func TestTheilSenIntervalCovers(t *testing.T) {
	// A 90 % interval holds the true slope in nine of ten fits: the bound is four binomial standard errors.
	rng := rand.New(rand.NewPCG(9, 10))
	const fits = 2000
	covered := 0
	f := NewTheilSen(20)
	for range fits {
		f.Reset()
		for i := range 20 {
			f.Add(float64(i), 0.3*float64(i)+rng.NormFloat64())
		}
		if trend, _ := f.Fit(0.9, Interpolated); trend.Low <= 0.3 && 0.3 <= trend.High {
			covered++
		}
	}
	within(t, "coverage", float64(covered)/fits, 0.9, 4*math.Sqrt(0.9*0.1/fits))
}

func TestTheilSenRefusesWhatIsNotLater(t *testing.T) {
	f := NewTheilSen(5)
	for _, p := range [][2]float64{{1, 1}, {2, 2}, {2, 9}, {1.5, 9}, {math.NaN(), 9}, {3, math.NaN()}, {4, 4}} {
		f.Add(p[0], p[1])
	}
	trend, _ := f.Fit(0.95, Rounded)
	if trend.N != 3 || trend.Slope != 1 {
		t.Errorf("slope %g of %d points, want 1 of 3", trend.Slope, trend.N)
	}
	within(t, "oldest", f.Oldest(), 1, 0)
}

func TestCrossing(t *testing.T) {
	for _, tc := range []struct {
		name                 string
		trend                Trend
		level                float64
		at, earliest, latest float64
		ok                   bool
	}{
		{"falls to a level", Trend{Slope: -2, Low: -4, High: -1, MidT: 10, MidY: 100}, 80, 20, 15, 30, true},
		{"rises to a level", Trend{Slope: 2, Low: 1, High: 4, MidT: 10, MidY: 100}, 120, 20, 15, 30, true},
		{"may be flat", Trend{Slope: -2, Low: -4, High: 0.5, MidT: 10, MidY: 100}, 80, 20, 15, math.Inf(1), true},
		{"may be quite flat", Trend{Slope: -2, Low: -4, High: 0, MidT: 10, MidY: 100}, 80, 20, 15, math.Inf(1), true},
		{"leads away", Trend{Slope: 2, Low: 1, High: 4, MidT: 10, MidY: 100}, 80, 0, 0, 0, false},
		{"is there already", Trend{Slope: 2, Low: 1, High: 4, MidT: 10, MidY: 100}, 100, 0, 0, 0, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			at, earliest, latest, ok := tc.trend.Crossing(tc.level)
			if ok != tc.ok {
				t.Fatalf("ok = %t, want %t", ok, tc.ok)
			}
			within(t, "at", at, tc.at, 1e-12)
			within(t, "earliest", earliest, tc.earliest, 1e-12)
			within(t, "latest", latest, tc.latest, 1e-12)
			if ok {
				within(t, "line there", tc.trend.At(at), tc.level, 1e-12)
			}
		})
	}
}

func TestSelectionAgainstSorting(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 2000 {
		xs := make([]float64, 1+rng.IntN(60))
		for i := range xs {
			xs[i] = float64(rng.IntN(20))
		}
		sorted := slices.Sorted(slices.Values(xs))
		k := rng.IntN(len(xs))
		if got := nth(xs, k); got != sorted[k] {
			t.Fatalf("number %d of %v is %g, want %g", k, sorted, got, sorted[k])
		}
		if !slices.Equal(sorted, slices.Sorted(slices.Values(xs))) {
			t.Fatal("selection lost values")
		}
	}
	// Ranks beyond the ends are held to them; others are interpolated.
	for rank, want := range map[float64]float64{-3: 10, 1: 10, 1.25: 12.5, 2.5: 25, 3: 30, 9: 30} {
		within(t, "rank", atRank([]float64{30, 10, 20}, rank), want, 1e-12)
	}
}

func TestPettitt(t *testing.T) {
	page := []float64{-1.05, 0.96, 1.22, 0.58, -0.98, -0.03, -1.54, -0.71, -0.35, 0.66, 0.44, 0.91, -0.02, -1.42, 1.26,
		-1.02, -0.81, 1.66, 1.05, 0.97, 2.14, 1.22, -0.24, 1.6, 0.72, -0.12, 0.44, 0.03, 0.66, 0.56, 1.37, 1.66, 0.1,
		0.8, 1.29, 0.49, -0.07, 1.18, 3.29, 1.84} // Page, Biometrika 42 (1955)
	for _, tc := range []struct {
		name    string
		ys      []float64
		u, last int
		p       float64
	}{
		// R's trend 1.1.6.
		{"Page", page, 232, 17, 0.01456},
		{"Nile, 1898", column(t, "testdata/nile.csv", "flow"), 1617, 28, 3.59e-7},
		{"constant", make([]float64, 10), 0, 0, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			u, last, p := Pettitt(tc.ys)
			if u != tc.u || last != tc.last {
				t.Errorf("U = %d after %d, want %d after %d", u, last, tc.u, tc.last)
			}
			within(t, "p", p/tc.p, 1, 2e-3)
		})
	}
}
