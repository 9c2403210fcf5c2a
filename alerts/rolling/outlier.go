package rolling

import "math"

// ModifiedZ returns how far x lies from the median, by Iglewicz and Hoaglin's measure: 0.6745·(x - median)/MAD. Beyond
// 3.5 either way they call x an outlier. An ordinary z-score cannot serve: of n values none can exceed (n-1)/√n.
func ModifiedZ(x, median, mad float64) float64 {
	return 0.6745 * (x - median) / mad
}

// Hampel cleans single wild values out of a series: a value too far from the median of the window centred on it is
// replaced by that median. Being centred, it answers as many values late as the window has on each side.
type Hampel struct {
	side      int
	limit     float64
	step      float64
	neighbour *Window
}

// NewHampel returns a filter with side values on each side of the one judged, which may lie up to limit times
// Sigma(step) from the median; 3 is usual.
func NewHampel(side int, limit, step float64) *Hampel {
	return &Hampel{side: side, limit: limit, step: step, neighbour: NewWindow(2*side + 1)}
}

// Add takes in x and judges the value that came side values before it: y is that value or the median in its place, and
// outlier says which. Until the first window is full, and for a NaN, ok is false: the first and the last side values
// are never judged.
func (h *Hampel) Add(x float64) (y float64, outlier, ok bool) {
	if !finite(x) {
		return math.NaN(), false, false
	}
	h.neighbour.Add(x)
	if !h.neighbour.Full() {
		return math.NaN(), false, false
	}
	y = h.neighbour.Values()[h.side]
	if m := h.neighbour.Median(); math.Abs(y-m) > h.limit*h.neighbour.Sigma(h.step) {
		return m, true, true
	}
	return y, false, true
}
