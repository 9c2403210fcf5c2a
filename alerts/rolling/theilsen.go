package rolling

import "math"

// RankRule says how the interval of a Theil–Sen slope is read from the ordered slopes when its ranks are not whole.
// Published tools do either, and both are right.
type RankRule uint8

// The rules.
const (
	Interpolated RankRule = iota // between the neighbouring slopes, as EnvStats does
	Rounded                      // to the nearest rank, as SciPy and R's trend do
)

// Trend is a robust straight line through timed values.
type Trend struct {
	Kendall           // whether there is a trend at all
	Slope     float64 // median of the slopes between all pairs
	Low, High float64 // interval of the slope at the level asked for
	MidT      float64 // median time and value: the line goes through both
	MidY      float64
}

// Intercept returns the line's value at time 0 (Conover 1980).
func (t Trend) Intercept() float64 { return t.MidY - t.Slope*t.MidT }

// At returns the line's value at a time.
func (t Trend) At(time float64) float64 { return t.MidY + t.Slope*(time-t.MidT) }

// Crossing returns when the line reaches the value y, and the earliest and latest time at which a line through the same
// middle with a slope from the interval would. The latest is +Inf if the slope may be 0 or of the other sign: then
// there is no date to give. ok is false if y does not lie ahead of the line's middle.
func (t Trend) Crossing(y float64) (at, earliest, latest float64, ok bool) {
	rise := y - t.MidY
	ahead := rise / t.Slope
	if !(ahead > 0) || math.IsInf(ahead, 0) {
		return 0, 0, 0, false
	}
	reach := func(slope float64) float64 {
		if wait := rise / slope; wait > 0 {
			return t.MidT + wait
		}
		return math.Inf(1)
	}
	low, high := reach(t.Low), reach(t.High)
	return t.MidT + ahead, min(low, high), max(low, high), true
}

// TheilSen fits a Trend to the last points. Up to 29 % of them may be wild without carrying the line away. A fit looks
// at every pair, and keeps room for their slopes: 160 kB for 200 points.
type TheilSen struct {
	times  ring
	values MannKendall
	slopes []float64 // scratch
}

// NewTheilSen returns a fit over the last size points.
func NewTheilSen(size int) *TheilSen {
	return &TheilSen{times: newRing(size), values: *NewMannKendall(size)}
}

// Add takes in the value y at time t, in any unit, and drops the oldest point if there is no room. Gaps in time are
// welcome and need no filling. A point that is not later than the last, or has a NaN or an infinity, is not taken.
func (s *TheilSen) Add(t, y float64) {
	if n := s.times.len(); !finite(t) || !finite(y) || n > 0 && t <= s.times.values()[n-1] {
		return
	}
	if s.times.full() {
		s.Drop()
	}
	s.times.push(t)
	s.values.Add(y)
}

// Drop forgets the oldest point, if there is one.
func (s *TheilSen) Drop() {
	if s.times.len() > 0 {
		s.times.pop()
		s.values.Drop()
	}
}

// Reset forgets all points.
func (s *TheilSen) Reset() {
	s.times.reset()
	s.values.Reset()
}

// Len returns how many points are held.
func (s *TheilSen) Len() int { return s.times.len() }

// Oldest returns the time of the oldest point, or NaN if there is none.
func (s *TheilSen) Oldest() float64 {
	if s.Len() == 0 {
		return math.NaN()
	}
	return s.times.values()[0]
}

// Fit returns the line with the interval of its slope at a confidence level, such as 0.95. ok is false for fewer than
// two points. With few points the interval is the range of all slopes, and Z says how little that proves.
func (s *TheilSen) Fit(level float64, rule RankRule) (trend Trend, ok bool) {
	n := s.Len()
	if n < 2 {
		return Trend{}, false
	}
	ts := s.times.values()
	trend = Trend{
		Kendall: s.values.Test(),
		MidT:    (ts[(n-1)/2] + ts[n/2]) / 2,
		MidY:    s.values.window.Median(),
	}
	s.slopes = s.appendSlopes(s.slopes[:0])
	trend.readSlopes(s.slopes, level, rule)
	return trend, true
}

func (s *TheilSen) appendSlopes(slopes []float64) []float64 {
	ts, ys := s.times.values(), s.values.window.Values()
	for j := range ts {
		for i := range j {
			slopes = append(slopes, (ys[j]-ys[i])/(ts[j]-ts[i]))
		}
	}
	return slopes
}

// readSlopes sets the slope and its interval (Sen 1968). It reorders slopes.
func (t *Trend) readSlopes(slopes []float64, level float64, rule RankRule) {
	n := float64(len(slopes))
	c := NormalQuantile((1+level)/2) * math.Sqrt(t.Var)
	low, high := (n-c)/2, (n+c)/2
	if rule == Rounded {
		low, high = math.RoundToEven(low), math.RoundToEven(high)
	}
	t.Slope = atRank(slopes, (n+1)/2)
	t.Low = atRank(slopes, low)
	t.High = atRank(slopes, high+1)
}
