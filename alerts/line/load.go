package line

import "math"

// LoadSD returns the standard deviation of the conductance that the energizer sees, siemens, at the last estimate. The
// errors of neighbouring leakages go against each other, so it is less than their sum. That estimate must have been made
// without a fault and without what is common to all leakages.
func (e *Estimator) LoadSD() float64 {
	f := &e.fit
	e.solver.Volts(e.volts, f.st, Fault{})
	slope := make([]float64, f.unknowns) // with the open voltage it does not go at all
	for j := range e.net.Zones {
		moved := e.solver.Slopes(e.moved, j)[0]
		slope[j] = -f.st.OpenVolts / (e.volts[0] * e.volts[0]) * moved / math.Max(f.st.SourceOhms, minOhms)
	}
	spread := append([]float64(nil), slope...)
	f.solve(spread)
	sum := 0.0
	for j := range slope {
		sum += slope[j] * spread[j]
	}
	return math.Sqrt(math.Max(sum, 0))
}

// conductance returns what the energizer sees of the fence in a state, siemens.
func (e *Estimator) conductance(st State) float64 {
	e.solver.Volts(e.moved, st, Fault{})
	return (st.OpenVolts/e.moved[0] - 1) / math.Max(st.SourceOhms, minOhms)
}

// MostLoad returns the conductance the energizer would see if every leakage grew alike until the first zone stood at
// its minimum, siemens. shown gives, by zone, what its sensor shows over what is there. ok is false when no zone has a
// minimum, or one is under it with next to no leakage.
func (n *Network) MostLoad(st State, shown []float64) (siemens float64, ok bool) {
	e := NewEstimator(n)
	grown := st.Copy()
	holds := func(ln float64) bool {
		for i, leak := range st.Leak {
			grown.Leak[i] = leak * math.Exp(ln)
		}
		e.solver.Volts(e.volts, grown, Fault{})
		for i, z := range n.Zones {
			if z.MinimumVolts > 0 && e.volts[i+1]*shown[i] < z.MinimumVolts {
				return false
			}
		}
		return true
	}
	low, high := -mostGrowth, mostGrowth
	if !holds(low) || holds(high) {
		return 0, false
	}
	for high-low > settled {
		if mid := (low + high) / 2; holds(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	holds(low)
	return e.conductance(grown), true
}

// mostGrowth bounds the search for the load at a minimum, in the logarithm: a millionfold either way.
const mostGrowth = 14.0
