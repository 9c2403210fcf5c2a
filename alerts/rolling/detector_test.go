package rolling

import "math"

// changeSetting is a general change detector made of this package's parts. Each value is standardised by the median and
// the MAD of the window before it, whitened by that window's lag-1 autocorrelation, and charted by a two-sided CUSUM.
type changeSetting struct {
	k      float64
	h      float64 // least limit, sigma
	margin float64 // the limit is at least this many times the highest sum the window itself reaches
	clip   float64 // one value counts for no more than this many sigma, so that none alone makes an alarm
}

// general is the one setting used for every open series: k finds shifts of one sigma, h makes a false alarm about once
// in 19,000 independent values a side, clip takes three values in a row to reach h, and margin leaves room for what the
// learning stretch did not show. Margins of 1 and 2 were looked at too: standard scores of 6.5 and 19.5.
var general = changeSetting{k: 0.5, h: 8, margin: 1.5, clip: 4}

// alarms returns the rows at which the detector gives an alarm. It learns for as long as the NAB benchmark allows, and
// after an alarm for as long again, during which it is quiet.
func (s changeSetting) alarms(xs []float64) (rows []int) {
	size := max(20, nabProbation(len(xs)))
	window, whiten := NewWindow(size), NewWhitener(0)
	var chart *CUSUM
	learn := size
	for i, x := range xs {
		if learn == 0 && chart == nil {
			chart = NewCUSUM(s.k, s.limit(window), 0)
		}
		if window.Full() {
			whiten.SetPhi(Lag1(window.Values()))
			e := s.residual(window, whiten, x)
			if chart != nil && chart.Add(e) != Steady {
				rows = append(rows, i)
				chart, learn = nil, size
			}
		}
		window.Add(x)
		learn = max(0, learn-1)
	}
	return rows
}

func (s changeSetting) residual(window *Window, whiten *Whitener, x float64) float64 {
	const least = 1e-30 // a constant series has no sigma: whatever differs from it is far off
	e := whiten.Next((x-window.Median())/max(window.Sigma(0), least), 1)
	return min(max(e, -s.clip), s.clip)
}

// limit measures on the window itself how high the sums run where nothing is known to be wrong.
func (s changeSetting) limit(window *Window) float64 {
	chart, whiten := NewCUSUM(s.k, math.Inf(1), 0), NewWhitener(Lag1(window.Values()))
	highest := 0.0
	for _, x := range window.Values() {
		chart.Add(s.residual(window, whiten, x))
		highest = max(highest, chart.Sum(Up), chart.Sum(Down))
	}
	return max(s.h, s.margin*highest)
}
