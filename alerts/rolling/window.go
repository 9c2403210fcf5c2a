package rolling

import "math"

// MADScale makes the median absolute deviation of normal data estimate its standard deviation: 1/Φ⁻¹(0.75).
const MADScale = 1.482602218505602

// Window keeps the last values and answers for their order statistics. Finding a place is O(log size); making room
// there is one memory move, which up to about a thousand values costs less than a tree would.
type Window struct {
	arrived ring
	sorted  []float64
}

// NewWindow returns a window over the last size values.
func NewWindow(size int) *Window {
	return &Window{arrived: newRing(size), sorted: make([]float64, 0, size)}
}

// Add takes in x, and drops the oldest value if the window is full. NaN and the infinities are not taken.
func (w *Window) Add(x float64) {
	switch {
	case !finite(x):
	case w.arrived.full():
		w.replace(w.arrived.pop(), x)
		w.arrived.push(x)
	default:
		at := below(w.sorted, x)
		w.sorted = w.sorted[:len(w.sorted)+1]
		copy(w.sorted[at+1:], w.sorted[at:])
		w.sorted[at] = x
		w.arrived.push(x)
	}
}

// replace puts x in and takes old out, moving only the values between the two.
func (w *Window) replace(old, x float64) {
	from, to := below(w.sorted, old), below(w.sorted, x)
	if to > from {
		to-- // counted old itself
		copy(w.sorted[from:to], w.sorted[from+1:to+1])
	} else {
		copy(w.sorted[to+1:from+1], w.sorted[to:from])
	}
	w.sorted[to] = x
}

// Drop forgets the oldest value, if there is one.
func (w *Window) Drop() {
	if w.Len() == 0 {
		return
	}
	at := below(w.sorted, w.arrived.pop())
	w.sorted = append(w.sorted[:at], w.sorted[at+1:]...)
}

// Reset forgets all values.
func (w *Window) Reset() {
	w.arrived.reset()
	w.sorted = w.sorted[:0]
}

// Len returns how many values the window holds.
func (w *Window) Len() int { return len(w.sorted) }

// Full reports whether the next value will push one out.
func (w *Window) Full() bool { return w.arrived.full() }

// Values returns the values, oldest first. The slice is the window's own: valid until the next call, not to be changed.
func (w *Window) Values() []float64 { return w.arrived.values() }

// Median returns the middle value, the mean of the two middle ones if their number is even, or NaN for none.
func (w *Window) Median() float64 {
	n := len(w.sorted)
	if n == 0 {
		return math.NaN()
	}
	return (w.sorted[(n-1)/2] + w.sorted[n/2]) / 2
}

// Quantile returns the value under which share p of the values lie, interpolated linearly between order statistics
// (Hyndman and Fan's type 7, the default of R), or NaN for none. Quantile(0) is the least, Quantile(1) the greatest.
func (w *Window) Quantile(p float64) float64 {
	n := len(w.sorted)
	if n == 0 || math.IsNaN(p) {
		return math.NaN()
	}
	at := min(max(p, 0), 1) * float64(n-1)
	i := int(at)
	if i == n-1 {
		return w.sorted[i]
	}
	return w.sorted[i] + (at-float64(i))*(w.sorted[i+1]-w.sorted[i])
}

// MAD returns the median absolute deviation from the median, unscaled, in O(log n), or NaN for no values. It is 0 when
// more than half of the values are equal, as quantised volts often are: see Sigma.
func (w *Window) MAD() float64 {
	n := len(w.sorted)
	if n == 0 {
		return math.NaN()
	}
	centre := w.Median()
	k := (n - 1) / 2
	first := w.nearest(centre, k)
	d := max(centre-w.sorted[first], w.sorted[first+k]-centre)
	if n%2 == 1 {
		return d
	}
	next := math.Inf(1) // the next nearest value stands beside the run
	if first > 0 {
		next = centre - w.sorted[first-1]
	}
	if last := first + k; last+1 < n {
		next = min(next, w.sorted[last+1]-centre)
	}
	return (d + next) / 2
}

// nearest returns where, in sorted order, the run of the k+1 values nearest to centre begins. While a run's low end is
// farther from centre than the value just above its high end, the run one to the right is nearer.
func (w *Window) nearest(centre float64, k int) int {
	lo, hi := 0, len(w.sorted)-k-1
	for lo < hi {
		mid := int(uint(lo+hi) / 2)
		if centre-w.sorted[mid] > w.sorted[mid+k+1]-centre {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// Sigma returns the standard deviation that normal data of this MAD would have. Values rounded to a step cannot show
// a MAD below half a step, so that is its floor: if over half of normal data rounds to one value, its true sigma is at
// most MADScale·step/2. Give 0 for data that is not quantised.
func (w *Window) Sigma(step float64) float64 {
	return MADScale * max(w.MAD(), step/2)
}

// below returns how many of the sorted values are less than x. It is written so that the comparison becomes a
// conditional move: a branch on noise would be mispredicted every other time.
func below(sorted []float64, x float64) int {
	from := 0
	for n := len(sorted); n > 0; {
		half := (n + 1) / 2
		if sorted[from+half-1] < x {
			from += half
		}
		n -= half
	}
	return from
}

// upTo returns how many of the sorted values are at most x.
func upTo(sorted []float64, x float64) int {
	from := 0
	for n := len(sorted); n > 0; {
		half := (n + 1) / 2
		if sorted[from+half-1] <= x {
			from += half
		}
		n -= half
	}
	return from
}
