package detect_test

import (
	"math"
	"testing"
)

// Growth that quickens, so that a date which was far off is near from one day to the next, is told three days ahead all the
// same: that the days leave its pace open is no reason to wait, as the growth itself has been seen for days.
func TestGrowthThatQuickens(t *testing.T) {
	quick := 14.0
	load := func(d float64) float64 { return 2.5 * math.Exp(0.08*min(d, quick)+0.26*max(d-quick, 0)) }
	g := newGrower(t, load)
	day := g.under(40)
	if day < 18 || day > 21 {
		t.Fatalf("lane went under on day %d: the test shows nothing", day)
	}
	a := g.growths()
	if len(a) != 1 || a[0].raised.After(start.AddDate(0, 0, day-3)) {
		g.show()
		t.Fatalf("lane under on day %d, and %d alarms of growth; want one three days ahead", day, len(a))
	}
	if on := a[0].first().BelowMinimumOn.Sub(a[0].raised).Hours() / 24; on > 7 {
		t.Errorf("told %.0f days ahead of the day it says, want a near date", on)
	}
}

// A near date that comes with the first growth seen, out of days that differ much, waits for one day more: it may be
// weather.
func TestNearDateOutOfTheBlue(t *testing.T) {
	t.Parallel()
	days := []float64{7.23, 6.64, 7.18, 7.08, 7.06, 6.56, 6.33, 7.73, 9.55, 15.89, 22.18, 31.88}
	g := newGrower(t, func(d float64) float64 { return days[min(int(d), len(days)-1)] })
	if day := g.under(12); day >= 0 {
		t.Fatalf("lane went under on day %d: the test shows nothing", day)
	}
	a := g.growths()
	if len(a) != 1 || !a[0].raised.Equal(start.AddDate(0, 0, 11)) {
		g.show()
		t.Errorf("%d alarms of growth, want one of the eleventh midnight: the tenth is the first to see it", len(a))
	}
}
