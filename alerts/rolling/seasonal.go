package rolling

import "math"

// Seasonal fits one trend to values that also swing with a season, such as the hour of the day: it compares values of
// the same season only (Hirsch, Slack and Smith 1982). It takes the seasons for independent, and overstates its
// certainty where they are not.
type Seasonal struct {
	seasons []*TheilSen
	slopes  []float64 // scratch
}

// NewSeasonal returns a fit over the last size points of each of a number of seasons.
func NewSeasonal(seasons, size int) *Seasonal {
	s := &Seasonal{seasons: make([]*TheilSen, seasons)}
	for i := range s.seasons {
		s.seasons[i] = NewTheilSen(size)
	}
	return s
}

// Add takes in the value y at time t, which falls into a season, counting from 0. See TheilSen.Add.
func (s *Seasonal) Add(season int, t, y float64) { s.seasons[season].Add(t, y) }

// Fit returns the common trend; its middle is not set. heterogeneity is the sum of squares of the seasons' scores about
// their mean: when it is beyond what χ² with one degree of freedom less than there are seasons allows, they trend
// differently and the common slope means little. ok is false if no season has two points.
func (s *Seasonal) Fit(level float64, rule RankRule) (trend Trend, heterogeneity float64, ok bool) {
	s.slopes = s.slopes[:0]
	var scores, sum, squares float64
	for _, season := range s.seasons {
		test := season.values.Test()
		trend.N += test.N
		trend.S += test.S
		trend.Var += test.Var
		s.slopes = season.appendSlopes(s.slopes)
		if test.Var > 0 {
			z := float64(test.S) / math.Sqrt(test.Var)
			scores++
			sum += z
			squares += z * z
		}
	}
	if len(s.slopes) == 0 {
		return Trend{}, 0, false
	}
	if scores > 0 {
		heterogeneity = squares - sum*sum/scores
	}
	trend.MidT, trend.MidY = math.NaN(), math.NaN()
	trend.readSlopes(s.slopes, level, rule)
	return trend, heterogeneity, true
}
