package rolling

import "math"

// Pettitt looks for one change of level in ys, wherever it may be (Pettitt 1979). last is how many values come before
// the change, u the statistic, and p about how likely one as large is without a change; it is good for p below 0.5. It
// compares all pairs: for looking back over days, not for every reading.
func Pettitt(ys []float64) (u, last int, p float64) {
	var sum int
	for k, y := range ys {
		for _, other := range ys {
			switch {
			case y < other:
				sum--
			case y > other:
				sum++
			}
		}
		if m := max(sum, -sum); m > u {
			u, last = m, k+1
		}
	}
	n := float64(len(ys))
	p = 2 * math.Exp(-6*float64(u)*float64(u)/(n*n*n+n*n))
	return u, last, min(p, 1)
}
