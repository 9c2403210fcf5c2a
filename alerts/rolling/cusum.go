package rolling

import "math"

// Direction says which way a chart has found the values shifted.
type Direction int8

// The directions.
const (
	Down   Direction = -1
	Steady Direction = 0
	Up     Direction = 1
)

// CUSUM is a two-sided tabular cumulative-sum chart (Page 1954) of standardised values: each side adds up what exceeds
// the allowance k, never falls below 0, and signals above the limit h. With k half the shift to be found, in sigma, no
// chart of the same false-alarm rate finds that shift sooner.
type CUSUM struct {
	k, h, head float64
	up, down   cusumSide
}

type cusumSide struct {
	sum  float64
	base float64 // what sum started from: the head start until the sum first reaches 0, then 0
	n    int     // values since the sum was last 0, or since the start
}

// NewCUSUM returns a chart with allowance k and limit h, both in sigma. A head start above 0, commonly h/2, makes it
// respond fast after each Reset (Lucas and Crosier 1982), at the price of more early false alarms.
func NewCUSUM(k, h, head float64) *CUSUM {
	c := &CUSUM{k: k, h: h, head: head}
	c.Reset()
	return c
}

// Add takes in one standardised value and says whether a sum is now above the limit. It goes on saying so until the
// sum falls or Reset is called. If both are above, the larger decides.
func (c *CUSUM) Add(z float64) Direction {
	if math.IsNaN(z) {
		return Steady
	}
	c.up.add(z - c.k)
	c.down.add(-z - c.k)
	switch {
	case c.up.sum > c.h && c.up.sum >= c.down.sum:
		return Up
	case c.down.sum > c.h:
		return Down
	}
	return Steady
}

func (s *cusumSide) add(excess float64) {
	if s.sum += excess; s.sum > 0 {
		s.n++
		return
	}
	*s = cusumSide{}
}

// Reset starts both sums again from the head start, as after a signal that was dealt with.
func (c *CUSUM) Reset() {
	c.up = cusumSide{sum: c.head, base: c.head}
	c.down = c.up
}

// Sum returns the cumulative sum of one side.
func (c *CUSUM) Sum(d Direction) float64 { return c.side(d).sum }

// Since returns how many values the present run of one side has, the latest included: the estimate of how long ago the
// values shifted. It is N⁺ or N⁻ of Montgomery, chapter 9.
func (c *CUSUM) Since(d Direction) int { return c.side(d).n }

// Mean returns the mean of the values since the estimated shift, k + (sum - base)/n on the upper side: the new level,
// in sigma from the centre. It is NaN while the side's sum is 0.
func (c *CUSUM) Mean(d Direction) float64 {
	s := c.side(d)
	if s.n == 0 {
		return math.NaN()
	}
	return float64(d) * (c.k + (s.sum-s.base)/float64(s.n))
}

func (c *CUSUM) side(d Direction) cusumSide {
	switch d {
	case Up:
		return c.up
	case Down:
		return c.down
	}
	return cusumSide{}
}
