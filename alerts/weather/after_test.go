package weather

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"nightwire/alerts"
)

// month is a gauge's record of 30 days up to now: it rained for five hours of every fourth day from 02:30.
func month() []Hour {
	return hours(30*24, func(ago int, h *Hour) {
		h.RainMM, h.LowestC, h.WindMS = ptr(0), ptr(8), ptr(4)
		if at := h.From; at.YearDay()%4 == 0 && at.Hour() >= 2 && at.Hour() < 7 {
			h.RainMM = ptr(1.5)
		}
	})
}

// on returns a time of that hour on the day so many days before now.
func on(daysAgo, hour int) time.Time {
	return now.Truncate(24 * time.Hour).Add(time.Duration(hour-24*daysAgo)*time.Hour + 20*time.Minute)
}

func TestAfter(t *testing.T) {
	// 20 August is day 232 of the year, so days 0, 4, 8, … ago had rain.
	wet, dry := []time.Time{on(4, 8), on(8, 10), on(12, 9), on(16, 12)}, []time.Time{on(5, 8), on(10, 10), on(13, 9), on(18, 12)}
	frosty := month()
	for i := range frosty {
		if h := &frosty[i]; h.From.YearDay()%5 == 0 && h.From.Hour() < 4 {
			h.LowestC = ptr(-2)
		}
	}
	windy := month()
	for i := range windy {
		if h := &windy[i]; h.From.YearDay()%6 == 0 && h.From.Hour() < 4 {
			h.WindMS = ptr(17)
		}
	}
	nightly := month()
	for i := range nightly {
		if h := &nightly[i]; h.From.Hour() >= 2 && h.From.Hour() < 5 || h.From.Hour() >= 14 && h.From.Hour() < 17 {
			nightly[i].RainMM = ptr(2)
		}
	}
	for _, tt := range []struct {
		name  string
		hours []Hour
		said  []alerts.Action
		times []time.Time
		want  string
	}{
		{"each after rain", month(), nil, wet, "rain"},
		{"three are enough", month(), nil, wet[:3], "rain"},
		{"two are not", month(), nil, wet[:2], ""},
		{"one shower, many trips", month(), nil, []time.Time{on(4, 6), on(4, 7), on(4, 8), on(4, 9), on(4, 10), on(8, 9)}, ""},
		{"none after rain", month(), nil, dry, ""},
		{"half and half", month(), nil, append(append([]time.Time{}, wet...), dry...), ""},
		{"it rains each day anyhow", nightly, nil, wet, ""},
		{"nothing measured", nil, nil, wet, ""},
		{"a gauge that was silent then", month()[28*24:], nil, wet, ""},
		{"rain that people saw, and nothing else known", nil, []alerts.Action{said(alerts.Rain, 4*24*time.Hour, nil), said(alerts.Rain, 8*24*time.Hour, nil),
			said(alerts.Rain, 12*24*time.Hour, nil)}, wet, ""},
		{"after frost", frosty, nil, []time.Time{on(2, 5), on(7, 4), on(12, 3), on(17, 5)}, "frost"},
		{"after wind", windy, nil, []time.Time{on(4, 1), on(10, 4), on(16, 6)}, "strong wind"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := (Record{Hours: tt.hours, Said: tt.said}).After(tt.times, now.AddDate(0, 0, -30), now); got != tt.want {
				t.Errorf("after %q, want %q", got, tt.want)
			}
		})
	}
}

// A keeper who writes the weather down each day, rain and none, is a gauge.
func TestAfterWhatIsSaid(t *testing.T) {
	var r Record
	for ago := 30; ago >= 0; ago-- {
		sky := alerts.Dry
		if ago%5 == 1 {
			sky = alerts.Rain
		}
		day := now.Truncate(24*time.Hour).AddDate(0, 0, -ago)
		r.Said = append(r.Said, alerts.Action{Kind: alerts.Weathered, Weather: &alerts.Weather{Sky: sky, From: day, To: day.Add(24 * time.Hour)}})
	}
	if got := r.After([]time.Time{on(1, 9), on(6, 9), on(11, 9), on(16, 9)}, now.AddDate(0, 0, -30), now); got != "rain" {
		t.Errorf("after %q, want rain", got)
	}
}

// TestAfterIsNotChance plays seasons in which faults have nothing to do with the weather. It rains in spells, a fifth of
// the time; trips come at random. That they came after rain may be said of at most one season in sixty.
func TestAfterIsNotChance(t *testing.T) {
	const seasons = 3000
	r := rand.New(rand.NewPCG(6, 2026))
	wrong := 0
	for range seasons {
		raining := false
		record := hours(90*24, func(_ int, h *Hour) {
			if raining {
				raining = r.Float64() > 1.0/6 // a spell of six hours
			} else {
				raining = r.Float64() < 1.0/60
			}
			h.RainMM = ptr(0)
			if raining {
				h.RainMM = ptr(1)
			}
		})
		var times []time.Time
		for range 3 + r.IntN(12) {
			times = append(times, now.Add(-time.Duration(r.Int64N(int64(90*24*time.Hour)))))
		}
		if (Record{Hours: record}).After(times, now.AddDate(0, 0, -90), now) != "" {
			wrong++
		}
	}
	t.Logf("named without cause in %d of %d seasons", wrong, seasons)
	if share := float64(wrong) / seasons; share > chance {
		t.Errorf("rain is blamed without cause in %.3f of the seasons, want at most %.3f", share, chance)
	}
}

// Check values of the binomial tail, by hand: 1 - (1/2)^10; 11/1024 for 9 or more of 10; 0.2³.
func TestAtLeast(t *testing.T) {
	for _, tt := range []struct {
		k, n int
		p    float64
		want float64
	}{{1, 10, 0.5, 1 - 1.0/1024}, {9, 10, 0.5, 11.0 / 1024}, {3, 3, 0.2, 0.008}, {0, 4, 0.3, 1}, {2, 3, 0, 0}, {2, 3, 1, 1}} {
		if got := atLeast(tt.k, tt.n, tt.p); math.Abs(got-tt.want) > 1e-12 {
			t.Errorf("%d or more of %d at %g: %g, want %g", tt.k, tt.n, tt.p, got, tt.want)
		}
	}
}
