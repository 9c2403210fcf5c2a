package rolling

import "math"

// SiegmundARL returns about how many independent values a one-sided CUSUM of allowance k and limit h takes to signal
// when they are shifted by a number of sigma (Siegmund 1985). Against exact run lengths at k 0.5 it is within 1 % up to
// a shift of 1 and 4 % low at 2.
func SiegmundARL(k, h, shift float64) float64 {
	b := h + 1.166 // the mean overshoot of a normal random walk, at both ends
	d := shift - k
	if math.Abs(d*b) < 1e-6 { // the formula's limit, before it cancels
		return b * b
	}
	return (math.Expm1(-2*d*b) + 2*d*b) / (2 * d * d)
}

// TwoSided returns the run length of a chart whose sides alone have run lengths up and down. It is exact for a CUSUM
// without a head start.
func TwoSided(up, down float64) float64 { return 1 / (1/up + 1/down) }

// CUSUMLimit returns the limit h at which a one-sided CUSUM of allowance k signals falsely about once in values
// independent values. It is where to start from; measured false alarms decide.
func CUSUMLimit(k, values float64) float64 {
	high := 1.0
	for SiegmundARL(k, high, 0) < values {
		high *= 2
	}
	return bisect(0, high, func(h float64) bool { return SiegmundARL(k, h, 0) >= values })
}
