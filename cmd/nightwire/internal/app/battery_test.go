package app

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// nights returns the hours of a battery that reads volts(day) an hour before dawn, and more by day.
func nights(first time.Time, days int, volts func(day int) float64) (hours []store.Bucket) {
	for h := range days * 24 {
		at := first.Add(time.Duration(h) * time.Hour)
		v := volts(h/24) + 0.4*math.Max(0, math.Sin(float64(h%24-6)*math.Pi/12))
		hours = append(hours, store.Bucket{From: at, To: at.Add(time.Hour), N: 60, Min: v, Max: v, Mean: v})
	}
	return hours
}

func TestForecastBattery(t *testing.T) {
	noise := []float64{0.02, -0.03, 0.01, 0, -0.02, 0.03, -0.01, 0.02, 0, -0.01, 0.01, -0.02, 0.03, 0}
	falling := func(d int) float64 { return 12.6 - 0.05*float64(d) + noise[d] }
	for _, tt := range []struct {
		name     string
		days     int
		volts    func(day int) float64
		wantDays float64 // after now; negative for no date
	}{
		{"falls 0.05 V a day", 10, falling, 8.8}, // 12.6 V to 11.7 V is 18 days, of which 9.2 are over
		{"too few nights", 3, falling, -1},
		{"holds", 14, func(d int) float64 { return 12.6 + noise[d] }, -1},
		{"charges", 14, func(d int) float64 { return 12 + 0.05*float64(d) }, -1},
		{"changed two nights ago", 12, func(d int) float64 { return 12.6 - 0.07*float64(d) + 0.7*float64(d/10) }, -1},
		{"changed a week ago", 13, func(d int) float64 { return 12.4 - 0.05*float64(d%7) + noise[d] }, 8.8},
		{"falls too slowly to tell", 14, func(d int) float64 { return 12.8 - 0.004*float64(d) + noise[d] }, -1},
		{"low already", 10, func(d int) float64 { return 12.1 - 0.05*float64(d) }, 0},
		{"of 24 V", 10, func(d int) float64 { return 2 * falling(d) }, 8.8},
	} {
		t.Run(tt.name, func(t *testing.T) {
			first := start.Truncate(24 * time.Hour)
			now := first.AddDate(0, 0, tt.days-1).Add(8 * time.Hour)
			got := forecastBattery(nights(first, tt.days, tt.volts), now, time.UTC)
			if tt.wantDays < 0 {
				if !got.on.IsZero() {
					t.Errorf("low on %v, want no date", got)
				}
				return
			}
			if got.on.IsZero() {
				t.Fatal("no date")
			}
			if off := got.on.Sub(now).Hours()/24 - tt.wantDays; math.Abs(off) > 1.5 {
				t.Errorf("low in %.1f days, want %.1f", off+tt.wantDays, tt.wantDays)
			}
			if got.earliest.After(got.on) || got.latest.Before(got.on) || got.earliest.Before(now) {
				t.Errorf("low on %v, between %v and %v", got.on, got.earliest, got.latest)
			}
		})
	}
}

// The forecast is read from the store and kept: asked again within the hour, it is the same.
func TestRunoutIsKept(t *testing.T) {
	now := start.AddDate(0, 0, 9).Add(8 * time.Hour)
	n := storedNight(t, now, nil)
	shed := &n.cfg.Farm.Energizers[0]
	shed.Supply = farm.Battery
	var rs []pulse.Reading
	for at := start; at.Before(now); at = at.Add(10 * time.Minute) {
		r := pulse.Reading{Sensor: detect.SensorID(&n.cfg.Farm, shed.Source()), At: at, Arrived: at}
		r.Set(pulse.SupplyVolts, 12.6-0.05*at.Sub(start).Hours()/24)
		rs = append(rs, r)
	}
	if _, err := n.store.Append(t.Context(), rs); err != nil {
		t.Fatal(err)
	}
	got := n.runouts(t.Context())[shed.Source()]
	if days := got.on.Sub(start).Hours() / 24; math.Abs(days-18) > 0.5 {
		t.Errorf("low on day %.1f, want 18", days)
	}
	n.now = func() time.Time { return now.AddDate(0, 0, 5) }
	if again := n.runouts(t.Context())[shed.Source()]; again != got {
		t.Errorf("asked again at once it was worked out anew: %v, then %v", got, again)
	}
}
