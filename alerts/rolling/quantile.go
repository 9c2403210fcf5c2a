package rolling

import "math"

// NormalQuantile returns the value under which share p of the standard normal distribution lies.
func NormalQuantile(p float64) float64 {
	return -math.Sqrt2 * math.Erfcinv(2*p)
}

// StudentQuantile returns the value under which share p of Student's t distribution with a whole number of degrees of
// freedom lies, or NaN for fewer than one degree.
func StudentQuantile(p float64, degrees int) float64 {
	switch {
	case degrees < 1 || math.IsNaN(p):
		return math.NaN()
	case p < 0.5:
		return -StudentQuantile(1-p, degrees)
	case p >= 1:
		return math.Inf(1)
	}
	high := 1.0
	for studentCDF(high, degrees) < p && !math.IsInf(high, 1) {
		high *= 2
	}
	return bisect(0, high, func(t float64) bool { return studentCDF(t, degrees) >= p })
}

// studentCDF is a finite sum for whole degrees of freedom (Abramowitz and Stegun 26.7.3 and 26.7.4).
func studentCDF(t float64, degrees int) float64 {
	angle := math.Atan(t / math.Sqrt(float64(degrees)))
	sin, cos := math.Sincos(angle)
	odd := degrees % 2
	sum, term := 0.0, 1.0
	if odd == 1 {
		term = cos
	}
	for i := 1 + odd; i < degrees; i += 2 {
		sum += term
		term *= cos * cos * float64(i) / float64(i+1)
	}
	if odd == 1 {
		return 0.5 + (angle+sin*sum)/math.Pi
	}
	return 0.5 + sin*sum/2
}

// bisect returns the place between low and high where reached turns true, to the last bit.
func bisect(low, high float64, reached func(float64) bool) float64 {
	for {
		mid := low + (high-low)/2
		if mid <= low || mid >= high {
			return high
		}
		if reached(mid) {
			high = mid
		} else {
			low = mid
		}
	}
}
