package rolling

import "math"

// Line is a least-squares straight line, with what is needed to ask where it meets a value.
type Line struct {
	N                int
	MeanX, MeanY     float64
	Sxx              float64 // sum of squares of x about its mean
	Slope, Intercept float64
	Sigma            float64 // residual standard deviation, n-2 degrees of freedom
	R2               float64 // share of the variance explained
}

// FitLine fits y = Intercept + Slope·x by two passes over the points. ok is false for fewer than three points, for
// slices of unequal length, or when all x are equal.
func FitLine(xs, ys []float64) (line Line, ok bool) {
	n := len(xs)
	if n < 3 || len(ys) != n {
		return Line{}, false
	}
	meanX, _ := MeanSD(xs)
	meanY, _ := MeanSD(ys)
	var sxx, sxy, syy, rss float64
	for i, x := range xs {
		dx, dy := x-meanX, ys[i]-meanY
		sxx += dx * dx
		sxy += dx * dy
		syy += dy * dy
	}
	if !(sxx > 0) {
		return Line{}, false
	}
	slope := sxy / sxx
	for i, x := range xs { // from the residuals themselves: syy - slope·sxy cancels
		r := ys[i] - meanY - slope*(x-meanX)
		rss += r * r
	}
	return Line{
		N: n, MeanX: meanX, MeanY: meanY, Sxx: sxx,
		Slope: slope, Intercept: meanY - slope*meanX,
		Sigma: math.Sqrt(rss / float64(n-2)), R2: 1 - rss/syy,
	}, true
}

// Inverse returns the x at which the line meets y, with Fieller's interval for it at a confidence level. readings says
// what must meet y: 0 for the line itself, 1 for one new reading, m for the mean of m new readings. The interval lies
// unevenly about x. ok is false when it is not finite, which is so exactly when the slope does not differ from 0 at
// that level: then there is nothing to tell.
func (l Line) Inverse(y, level float64, readings int) (x, low, high float64, ok bool) {
	t := StudentQuantile((1+level)/2, l.N-2)
	g := t * t * l.Sigma * l.Sigma / (l.Slope * l.Slope * l.Sxx)
	if !(g < 1) {
		return 0, 0, 0, false
	}
	share := 1 / float64(l.N)
	if readings > 0 {
		share += 1 / float64(readings)
	}
	ahead := (y - l.MeanY) / l.Slope
	half := t * l.Sigma / math.Abs(l.Slope) * math.Sqrt(share*(1-g)+ahead*ahead/l.Sxx)
	return l.MeanX + ahead, l.MeanX + (ahead-half)/(1-g), l.MeanX + (ahead+half)/(1-g), true
}
