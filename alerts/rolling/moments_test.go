package rolling

import (
	"math"
	"math/big"
	"testing"
)

// numAcc makes the NIST sets NumAcc2 to NumAcc4: base+0.2 once, then base+0.1 and base+0.3 500 times.
func numAcc(base float64) []float64 {
	xs := []float64{base + 0.2}
	for range 500 {
		xs = append(xs, base+0.1, base+0.3)
	}
	return xs
}

// exactSD returns the standard deviation of xs, as float64 holds them, in rational arithmetic.
func exactSD(xs []float64) float64 {
	n := new(big.Rat).SetInt64(int64(len(xs)))
	sum, squares := new(big.Rat), new(big.Rat)
	for _, x := range xs {
		r := new(big.Rat).SetFloat64(x)
		sum.Add(sum, r)
		squares.Add(squares, r.Mul(r, r))
	}
	sum.Mul(sum, sum)
	squares.Sub(squares, sum.Quo(sum, n))
	v, _ := squares.Quo(squares, n.Sub(n, big.NewRat(1, 1))).Float64()
	return math.Sqrt(v)
}

func TestMomentsAgainstNIST(t *testing.T) {
	for _, tc := range []struct {
		name           string
		xs             []float64
		mean, sd, lag1 float64
		tolerance      float64 // relative; for NumAcc3 and 4 what rounding the inputs to float64 leaves of the digits
	}{
		{"Lottery", column(t, "testdata/nist_lottery.csv", "y"), 518.958715596330, 291.699727470969, -0.120948622967393, 1e-13},
		{"Lew", column(t, "testdata/nist_lew.csv", "y"), -177.435, 277.332168044316, -0.307304800605679, 1e-13},
		{"Mavro", column(t, "testdata/nist_mavro.csv", "y"), 2.001856, 0.000429123454003053, 0.937989183438248, 1e-12},
		{"Michelso", column(t, "testdata/nist_michelso.csv", "y"), 299.8524, 0.0790105478190518, 0.535199668621283, 1e-12},
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 0},
		{"NumAcc2", numAcc(1), 1.2, 0.1, -0.999, 1e-12},
		{"NumAcc3", numAcc(1e6), 1000000.2, 0.1, -0.999, 1e-9},
		{"NumAcc4", numAcc(1e7), 10000000.2, 0.1, -0.999, 5.6e-9},
	} {
		t.Run(tc.name, func(t *testing.T) {
			mean, sd := MeanSD(tc.xs)
			within(t, "two-pass sd of the inputs as stored", sd/exactSD(tc.xs), 1, 1e-11)
			within(t, "two-pass mean", mean/tc.mean, 1, 1e-14)
			within(t, "two-pass sd", sd/tc.sd, 1, tc.tolerance)
			within(t, "lag 1", Lag1(tc.xs)/tc.lag1, 1, max(tc.tolerance, 1e-13))
			var m Moments
			for _, x := range tc.xs {
				m.Add(x)
			}
			within(t, "running sd of the inputs as stored", m.SD()/exactSD(tc.xs), 1, 1e-11)
			within(t, "running mean", m.Mean()/tc.mean, 1, 1e-14)
			within(t, "running sd", m.SD()/tc.sd, 1, tc.tolerance)
		})
	}
}

func TestSumOfSquaresIsNotUsed(t *testing.T) {
	// The textbook formula gives NaN or nonsense here; one of its digits right would be luck.
	xs := numAcc(1e7)
	var n, sum, squares float64
	for _, x := range xs {
		n++
		sum += x
		squares += x * x
	}
	textbook := math.Sqrt((squares - sum*sum/n) / (n - 1))
	if math.Abs(textbook-0.1) < 1e-3 {
		t.Fatalf("the textbook formula gives %g: this data no longer tells the two apart", textbook)
	}
	var m Moments
	for _, x := range xs {
		m.Add(x)
	}
	_, sd := MeanSD(xs)
	within(t, "running sd", m.SD(), 0.1, 5.6e-10)
	within(t, "two-pass sd", sd, 0.1, 5.6e-10)
}

func TestMomentsOfTooFewValues(t *testing.T) {
	var m Moments
	within(t, "mean of none", m.Mean(), math.NaN(), 0)
	m.Add(3)
	m.Add(math.NaN())
	within(t, "mean of one", m.Mean(), 3, 0)
	within(t, "sd of one", m.SD(), math.NaN(), 0)
	mean, sd := MeanSD(nil)
	within(t, "mean of nil", mean, math.NaN(), 0)
	within(t, "sd of nil", sd, math.NaN(), 0)
}

func TestIndividualsChart(t *testing.T) {
	// Ten flow rates: NIST/SEMATECH e-Handbook 6.3.2.2.
	xs := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	mean, _ := MeanSD(xs)
	sigma := MovingRangeSigma(xs)
	within(t, "mean", mean, 50.81, 1e-9)
	within(t, "mean moving range", sigma*2/math.SqrtPi, 1.8778, 5e-5)
	rounded := sigma * 2 / math.SqrtPi / 1.128 // NIST cuts 2/√π to 1.128
	within(t, "upper limit", mean+3*rounded, 55.8041, 5e-5)
	within(t, "lower limit", mean-3*rounded, 45.8159, 5e-5)
}

func TestGrubbs(t *testing.T) {
	// NIST/SEMATECH e-Handbook 1.3.5.17: eight values, one far off.
	xs := []float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}
	mean, sd := MeanSD(xs)
	within(t, "G", (245.57-mean)/sd, 2.46876, 5e-6)
	// The one-sided critical value follows from Student's t.
	n := float64(len(xs))
	q := StudentQuantile(1-0.05/n, len(xs)-2)
	within(t, "critical G", (n-1)/math.Sqrt(n)*math.Sqrt(q*q/(n-2+q*q)), 2.032, 5e-4)
	// A plain z-score cannot exceed (n-1)/√n, so a 3-sigma rule on eight values never fires.
	within(t, "greatest possible z", (n-1)/math.Sqrt(n), 2.4749, 5e-5)
}
