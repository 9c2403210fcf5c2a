package rolling

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Means of 20 subgroups, target 325: NIST/SEMATECH e-Handbook 6.3.2.3.
var nistCUSUM = [...]float64{324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
	324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35}

// Thirty observations, centre 10, sigma 1, shifted by 1 from the 21st: Montgomery, Introduction to Statistical Quality
// Control, table 9.1, quoted as check values.
var montgomery = [...]float64{9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4,
	10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31, 10.52}

func TestCUSUMAgainstNIST(t *testing.T) {
	c := NewCUSUM(0.3175, 4.1959, 0)
	plain := NewCUSUM(0, math.Inf(1), 0) // with no allowance a side is the plain sum while that stays above 0
	wantUp := map[int]float64{13: 3.0075, 14: 4.94, 20: 19.035}
	wantDown := map[int]float64{8: 0.715}
	var signals []int
	sum := 0.0
	for i, x := range nistCUSUM {
		i++
		plain.Add(x - 325)
		sum += x - 325
		if c.Add(x-325) == Up {
			signals = append(signals, i)
		}
		if want, ok := wantUp[i]; ok {
			within(t, "upper sum", c.Sum(Up), want, 5e-5)
		}
		if want, ok := wantDown[i]; ok {
			within(t, "lower sum", c.Sum(Down), want, 5e-5)
		}
	}
	within(t, "plain sum", sum, 19.075, 5e-4)
	// The plain sum was lowest, -2.65, after 11 values: the upper side without allowance counts from there.
	within(t, "upper sum without allowance", plain.Sum(Up), 19.075+2.65, 5e-4)
	if diff := cmp.Diff([]int{14, 15, 16, 17, 18, 19, 20}, signals); diff != "" {
		t.Errorf("signals (-want +got):\n%s", diff)
	}
}

func TestCUSUMAgainstMontgomery(t *testing.T) {
	c := NewCUSUM(0.5, 5, 0)
	want := map[int]float64{5: 2.82, 24: 2.79, 29: 5.28}
	var first int
	for i, x := range montgomery {
		i++
		d := c.Add(x - 10)
		if w, ok := want[i]; ok {
			within(t, "upper sum", c.Sum(Up), w, 5e-3)
		}
		if d == Up && first == 0 {
			first = i
			if c.Since(Up) != 7 {
				t.Errorf("N+ = %d, want 7: the change came after 22", c.Since(Up))
			}
			within(t, "new mean", 10+c.Mean(Up), 11.25, 0.005) // 10 + 0.5 + 5.28/7, Montgomery's example
		}
	}
	if first != 29 {
		t.Errorf("first signal at %d, want 29", first)
	}
}

func TestCUSUMMeanIsThatOfTheRun(t *testing.T) {
	for _, tc := range []struct {
		name string
		head float64
		zs   []float64
		dir  Direction
		n    int
		mean float64
	}{
		{"up from zero", 0, []float64{-2, 1, 2, 3}, Up, 3, 2},
		{"down from zero", 0, []float64{0, -1, -2, -3}, Down, 3, -2},
		{"head start does not count as data", 2.5, []float64{1, 2, 3}, Up, 3, 2},
		{"head start used up", 2.5, []float64{-5, 1, 2, 3}, Up, 3, 2},
		{"no run", 0, []float64{0, 0}, Up, 0, math.NaN()},
		{"gap leaves all as it was", 0, []float64{1, math.NaN(), 3}, Up, 2, 2},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := NewCUSUM(0.5, 100, tc.head)
			for _, z := range tc.zs {
				c.Add(z)
			}
			if c.Since(tc.dir) != tc.n {
				t.Errorf("run length = %d, want %d", c.Since(tc.dir), tc.n)
			}
			within(t, "mean", c.Mean(tc.dir), tc.mean, 1e-12)
		})
	}
}

func TestCUSUMSignalsStrictlyAboveTheLimit(t *testing.T) {
	c := NewCUSUM(0.5, 2, 0)
	for i, step := range []struct {
		z    float64
		want Direction
	}{{2.5, Steady}, {0.75, Up}, {0, Steady}, {-10, Down}} {
		if got := c.Add(step.z); got != step.want {
			t.Errorf("step %d: %d, want %d", i, got, step.want)
		}
	}
	c.Reset()
	if got := c.Add(0); got != Steady || c.Sum(Up) != 0 || c.Sum(Down) != 0 {
		t.Errorf("after reset: %d, sums %g and %g", got, c.Sum(Up), c.Sum(Down))
	}
}
