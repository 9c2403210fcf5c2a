package rolling

import "math"

// FirstPassage says when something that drifts with accumulating noise, as growth does, first covers a distance: a
// Wiener process, whose first-passage time is inverse Gaussian.
type FirstPassage struct {
	Distance float64 // to go, above 0
	Drift    float64 // distance per unit of time, above 0
	Sigma    float64 // noise gathered in one unit of time
}

// Mean returns the mean time to arrive.
func (f FirstPassage) Mean() float64 { return f.Distance / f.Drift }

// Variance returns the variance of the time to arrive.
func (f FirstPassage) Variance() float64 {
	return f.Distance * f.Sigma * f.Sigma / (f.Drift * f.Drift * f.Drift)
}

// CDF returns the probability of having arrived by time t.
func (f FirstPassage) CDF(t float64) float64 {
	if t <= 0 {
		return 0
	}
	root := f.Sigma * math.Sqrt(2*t)
	short := (f.Drift*t - f.Distance) / root
	long := (f.Drift*t + f.Distance) / root
	return (math.Erfc(-short) + math.Exp(-short*short)*erfcx(long)) / 2
}

// Quantile returns the time by which it has arrived with probability p. It is NaN unless p lies between 0 and 1 and all
// fields are above 0: what does not drift towards its end may never arrive.
func (f FirstPassage) Quantile(p float64) float64 {
	if !(p > 0 && p < 1 && f.Distance > 0 && f.Drift > 0 && f.Sigma > 0) {
		return math.NaN()
	}
	low, high := 0.0, f.Mean()
	for f.CDF(high) < p {
		low, high = high, 2*high
	}
	return bisect(low, high, func(t float64) bool { return f.CDF(t) >= p })
}

// erfcx returns exp(x²)·erfc(x) for x ≥ 0. The product would be Inf·0 for large x, where its asymptotic series is good
// to 1e-9.
func erfcx(x float64) float64 {
	if x < 12 {
		return math.Exp(x*x) * math.Erfc(x)
	}
	q := 1 / (2 * x * x)
	return (1 - q + 3*q*q - 15*q*q*q) / (x * math.SqrtPi)
}
