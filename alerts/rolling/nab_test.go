package rolling

import (
	"math"
	"testing"
)

// nabProfile weighs what a detector gets wrong. Profiles of the Numenta Anomaly Benchmark (NAB).
type nabProfile struct{ falseAlarm, miss float64 }

// nabSigmoid is worth near 1 at the left edge of a window (-1), 0 at its right edge, and -1 well past it.
func nabSigmoid(position float64) float64 {
	if position > 3 {
		return -1
	}
	return 2/(1+math.Exp(5*position)) - 1
}

// nabProbation is how many rows at the start are for learning and not scored.
func nabProbation(rows int) int { return min(int(0.15*float64(rows)), 750) }

// span is a labelled window of rows, both ends included.
type span struct{ first, last int }

func (s span) holds(row int) bool { return s.first <= row && row <= s.last }

// nabScore adds up the first alarm in each window by how early it comes, minus missed windows, minus alarms outside,
// which cost less shortly after a window than before the first or long after one.
func nabScore(rows int, windows []span, alarms []int, p nabProfile) (score float64) {
	probation := nabProbation(rows)
	hit := make([]bool, len(windows))
	for _, row := range alarms { // in order, so the first of a window is its best
		if row < probation {
			continue
		}
		inside, before := -1, -1
		for i, w := range windows {
			if w.holds(row) {
				inside = i
			} else if w.last < row {
				before = i
			}
		}
		switch {
		case inside >= 0 && !hit[inside]:
			w := windows[inside]
			hit[inside] = true
			score += nabSigmoid(-float64(w.last-row+1)/float64(w.last-w.first+1)) / nabSigmoid(-1)
		case inside >= 0:
		case before >= 0:
			w := windows[before]
			score += p.falseAlarm * nabSigmoid(float64(row-w.last)/float64(w.last-w.first))
		default:
			score -= p.falseAlarm
		}
	}
	for i, w := range windows {
		if !hit[i] && w.last >= probation {
			score -= p.miss
		}
	}
	return score
}

var (
	nabStandard = nabProfile{falseAlarm: 0.11, miss: 1}
	nabLowFP    = nabProfile{falseAlarm: 0.22, miss: 1}
	nabLowFN    = nabProfile{falseAlarm: 0.11, miss: 2}
)

// nabNormalised puts a raw score between 0, a detector that never says anything, and 100, a perfect one.
func nabNormalised(raw float64, windows int, p nabProfile) float64 {
	null := -p.miss * float64(windows)
	return 100 * (raw - null) / (float64(windows) - null)
}

func TestNABScore(t *testing.T) {
	// The sweeper's own documentation.
	for position, want := range map[float64]float64{-1: 0.98661, -0.5: 0.84828, 0: 0, 1: -0.98661, 3.1: -1} {
		within(t, "sigmoid", nabSigmoid(position), want, 5e-6)
	}
	// The benchmark's code run on 100 rows with a window over rows 40 to 49.
	for _, tc := range []struct {
		name   string
		alarms []int
		want   float64
	}{
		{"at its start", []int{40}, 1},
		{"within", []int{44}, 0.917429},
		{"at its end", []int{49}, 0.248242},
		{"none", nil, -1},
		{"before", []int{30}, -1.11},
		{"just after", []int{52}, -1.075049},
		{"before, and at its start", []int{30, 40}, 0.89},
		{"only the first of two counts", []int{40, 49}, 1},
		{"while learning", []int{3, 40}, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			within(t, "score", nabScore(100, []span{{40, 49}}, tc.alarms, nabStandard), tc.want, 5e-7)
		})
	}
}
