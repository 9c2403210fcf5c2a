package rolling

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Twenty observations, target 50, sigma 2.0539: NIST/SEMATECH e-Handbook 6.3.2.4.
var nistEWMA = [...]float64{52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5,
	49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}

func TestEWMAAgainstNIST(t *testing.T) {
	const centre, sigma = 50, 2.0539
	e := NewEWMA(0.3, 3)
	want := map[int]float64{1: 50.6, 10: 50.3303, 20: 51.9882}
	for i, x := range nistEWMA {
		i++
		if d := e.Add((x - centre) / sigma); d != Steady {
			t.Errorf("signal %d at %d, want none", d, i)
		}
		if w, ok := want[i]; ok {
			within(t, "average", centre+sigma*e.Value(), w, 5e-5)
		}
		if i == 1 {
			within(t, "first upper limit", centre+sigma*e.Limit(), 51.84851, 5e-6)
		}
	}
	within(t, "upper limit", centre+sigma*e.Limit(), 52.58843, 1e-5) // within 1e-5: not yet quite the asymptote at 20
	within(t, "lower limit", centre-sigma*e.Limit(), 47.41157, 1e-5)
}

func TestEWMAOnMontgomeryData(t *testing.T) {
	e := NewEWMA(0.1, 2.7)
	var signals []int
	for i, x := range montgomery {
		i++
		if e.Add(x-10) == Up {
			signals = append(signals, i)
		}
		switch i {
		case 1:
			within(t, "average 1", 10+e.Value(), 9.945, 5e-5)
		case 29:
			within(t, "average 29", 10+e.Value(), 10.6468, 5e-5)
		}
	}
	if diff := cmp.Diff([]int{29, 30}, signals); diff != "" {
		t.Errorf("signals (-want +got):\n%s", diff)
	}
}

func TestEWMALeavesGapsAlone(t *testing.T) {
	e := NewEWMA(0.2, 3)
	e.Add(-2)
	value, limit := e.Value(), e.Limit()
	if d := e.Add(math.NaN()); d != Steady || e.Value() != value || e.Limit() != limit {
		t.Errorf("a gap changed the chart: %d, value %g, limit %g", d, e.Value(), e.Limit())
	}
	if d := e.Add(-20); d != Down {
		t.Errorf("direction = %d, want down", d)
	}
	e.Reset()
	within(t, "value after reset", e.Value(), 0, 0)
	within(t, "limit after reset", e.Limit(), 0, 0)
}
