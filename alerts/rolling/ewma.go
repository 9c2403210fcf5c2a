package rolling

import "math"

// EWMA is an exponentially weighted moving-average chart (Roberts 1959) of standardised values, with limits that are
// exact from the first value on. It finds small lasting shifts as well as a CUSUM does, and its value is a forecast of
// the next one.
type EWMA struct {
	lambda, width float64
	value         float64
	decay         float64 // (1-lambda)^(2i) after i values: how much of the start is still in the variance
}

// NewEWMA returns a chart that gives the latest value weight lambda, in (0, 1], and signals beyond width standard
// deviations of the average.
func NewEWMA(lambda, width float64) *EWMA {
	return &EWMA{lambda: lambda, width: width, decay: 1}
}

// Add takes in one standardised value and says whether the average is now outside its limits.
func (e *EWMA) Add(z float64) Direction {
	if math.IsNaN(z) {
		return Steady
	}
	keep := 1 - e.lambda
	e.value = e.lambda*z + keep*e.value
	e.decay *= keep * keep
	switch limit := e.Limit(); {
	case e.value > limit:
		return Up
	case e.value < -limit:
		return Down
	}
	return Steady
}

// Value returns the average, in sigma from the centre.
func (e *EWMA) Value() float64 { return e.value }

// Limit returns the distance from the centre, in sigma, beyond which the average is out of control now. Before the
// first value it is 0; it grows to width·√(lambda/(2-lambda)).
func (e *EWMA) Limit() float64 {
	return e.width * math.Sqrt(e.lambda/(2-e.lambda)*(1-e.decay))
}

// Reset starts again from the centre.
func (e *EWMA) Reset() { e.value, e.decay = 0, 1 }
