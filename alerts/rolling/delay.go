package rolling

import "math"

// Delay describes an alarm that is raised after a number of values in a row beyond the limit, and cleared after a
// number in a row within it. Its figures are for independent values; correlated ones make a delay weaker.
type Delay struct {
	Raise, Clear int
}

// MeanToRaise returns the mean number of values until the alarm is raised, if each is beyond the limit with
// probability p.
func (d Delay) MeanToRaise(p float64) float64 {
	if p == 1 {
		return float64(d.Raise)
	}
	return (math.Pow(p, -float64(d.Raise)) - 1) / (1 - p)
}

// ShareRaised returns the share of time the alarm is raised in the long run, if each value is beyond the limit with
// probability p.
func (d Delay) ShareRaised(p float64) float64 {
	q := 1 - p
	raised := math.Pow(p, float64(d.Raise)) * powers(q, d.Clear)
	clear := math.Pow(q, float64(d.Clear)) * powers(p, d.Raise)
	return raised / (raised + clear)
}

// powers returns 1 + x + … + x^(n-1).
func powers(x float64, n int) float64 {
	sum := 0.0
	for range n {
		sum = sum*x + 1
	}
	return sum
}
