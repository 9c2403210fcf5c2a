package rolling

import "math"

// Moments is the running mean and standard deviation of all values added, by Welford's recurrence: the textbook sum of
// squares loses all digits when the mean is large against the spread. Nothing can be taken out again without losing
// accuracy; for a window use MeanSD of its Values.
type Moments struct {
	n        int
	mean, m2 float64
}

// Add takes in one value.
func (m *Moments) Add(x float64) {
	if !finite(x) {
		return
	}
	m.n++
	d := x - m.mean
	m.mean += d / float64(m.n)
	m.m2 += d * (x - m.mean)
}

// Len returns how many values were added.
func (m *Moments) Len() int { return m.n }

// Mean returns the mean, or NaN for no values.
func (m *Moments) Mean() float64 {
	if m.n == 0 {
		return math.NaN()
	}
	return m.mean
}

// SD returns the standard deviation with divisor n-1, or NaN for fewer than two values.
func (m *Moments) SD() float64 {
	if m.n < 2 {
		return math.NaN()
	}
	return math.Sqrt(m.m2 / float64(m.n-1))
}

// MeanSD returns the mean and the standard deviation, divisor n-1, of xs in two passes; the second also corrects for
// the rounding of the mean. The mean of nothing and the deviation of fewer than two values are NaN.
func MeanSD(xs []float64) (mean, sd float64) {
	n := float64(len(xs))
	for _, x := range xs {
		mean += x
	}
	mean /= n
	var sum, squares float64
	for _, x := range xs {
		d := x - mean
		sum += d
		squares += d * d
	}
	return mean + sum/n, math.Sqrt((squares - sum*sum/n) / (n - 1))
}

// movingRangePerSigma is the mean distance between two independent values of a normal distribution, 2/√π, in sigma.
const movingRangePerSigma = 2 / math.SqrtPi

// MovingRangeSigma estimates the standard deviation of xs from the mean distance between neighbours, which a slow drift
// hardly widens (the individuals chart of NIST 6.3.2.2). It is NaN for fewer than two values.
func MovingRangeSigma(xs []float64) float64 {
	if len(xs) < 2 {
		return math.NaN()
	}
	var sum float64
	for i, x := range xs[1:] {
		sum += math.Abs(x - xs[i])
	}
	return sum / float64(len(xs)-1) / movingRangePerSigma
}
