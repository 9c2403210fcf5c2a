package rolling

import "math"

// Lag1 returns the lag-1 autocorrelation of xs as NIST defines it (e-Handbook 1.3.5.12), NaN when all are equal or
// there are fewer than two. It estimates the coefficient of a first-order autoregression, a little low for few values.
func Lag1(xs []float64) float64 {
	mean, _ := MeanSD(xs)
	var with, own float64
	for i, x := range xs {
		d := x - mean
		own += d * d
		if i > 0 {
			with += d * (xs[i-1] - mean)
		}
	}
	return with / own
}

// Whitener turns standardised values that follow a first-order autoregression into independent ones of the same
// variance, by taking out what each inherits from the one before.
type Whitener struct {
	phi, last float64
	started   bool
}

// NewWhitener returns a whitener for lag-1 autocorrelation phi, which is held to within ±0.99: nearer to 1 the noise
// between two values is too small to scale by.
func NewWhitener(phi float64) *Whitener {
	w := &Whitener{}
	w.SetPhi(phi)
	return w
}

// SetPhi changes the autocorrelation, as when it was measured anew. NaN counts as none.
func (w *Whitener) SetPhi(phi float64) {
	if math.IsNaN(phi) {
		phi = 0
	}
	w.phi = min(max(phi, -0.99), 0.99)
}

// Next returns the whitened form of z, which came steps reporting periods after the last value: 1 if none was missed,
// more after a gap, over which the memory fades. The first value comes back as it is, and a NaN changes nothing.
func (w *Whitener) Next(z float64, steps int) float64 {
	if math.IsNaN(z) {
		return z
	}
	phi := w.phi
	switch {
	case !w.started || steps < 1:
		phi = 0
	case steps > 1:
		phi = math.Pow(phi, float64(steps))
	}
	e := (z - phi*w.last) / math.Sqrt(1-phi*phi)
	w.last, w.started = z, true
	return e
}

// Reset forgets the last value.
func (w *Whitener) Reset() { w.started = false }
