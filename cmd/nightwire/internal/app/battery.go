package app

import (
	"context"
	"time"

	"nightwire/alerts/detect"
	"nightwire/alerts/rolling"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

const (
	// A battery is compared with itself at one hour of the day: rested from the panel, and at the same warmth. Before
	// dawn is when it is lowest.
	batteryHour = 3
	// batteryDays is how far back the trend looks, and batteryLeast how many nights it needs.
	batteryDays  = 14
	batteryLeast = 4
	// batteryCharged is a rise from one night to the next, as a share, that means it was charged or changed; the trend
	// starts afresh there. 0.2 V of 12 V; our choice.
	batteryCharged = 1.017
	// batteryLongest is how far ahead a date is given, and batteryShare how often its interval shall hold the day.
	batteryLongest = 60
	batteryShare   = 0.90
	// batteryFor is how long a forecast stays good: it moves once a day.
	batteryFor = time.Hour
)

// runout is when a battery will be low. Its times are zero when that cannot be told.
type runout struct{ on, earliest, latest time.Time }

// runouts returns the forecasts of all batteries.
func (n *night) runouts(ctx context.Context) map[farm.Source]runout {
	out := map[farm.Source]runout{}
	for i := range n.cfg.Farm.Energizers {
		e := &n.cfg.Farm.Energizers[i]
		if e.Supply == farm.Battery && n.store != nil {
			out[e.Source()] = n.batteries.get(e.Source(), n.keep(batteryFor), func() runout {
				return n.runout(context.WithoutCancel(ctx), e) // it is kept for others than who asks
			})
		}
	}
	return out
}

// runout looks through the last nights of one battery.
func (n *night) runout(ctx context.Context, e *farm.Energizer) runout {
	now, loc := n.now(), n.cfg.Farm.Location
	y, m, d := now.In(loc).Date()
	from := time.Date(y, m, d-batteryDays, 0, 0, 0, 0, loc)
	hours, err := n.store.Buckets(ctx, detect.SensorID(&n.cfg.Farm, e.Source()), pulse.SupplyVolts, from, now, time.Hour)
	if err != nil {
		n.log.Warn("battery's volts not read", "source", e.Source(), "err", err)
		return runout{} // the page shows the rest
	}
	return forecastBattery(hours, now, loc)
}

// forecastBattery carries the trend of a battery's nights forward to the volts at which it counts as low.
func forecastBattery(hours []store.Bucket, now time.Time, loc *time.Location) runout {
	trend := rolling.NewTheilSen(batteryDays + 1)
	var last store.Bucket
	for _, h := range hours {
		if h.From.In(loc).Hour() != batteryHour || h.To.After(now) {
			continue
		}
		if h.Mean > last.Mean*batteryCharged {
			trend.Reset()
		}
		last = h
		trend.Add(h.From.Sub(now).Hours()/24, h.Mean)
	}
	if last.N == 0 {
		return runout{}
	}
	low := detect.BatteryLow(last.Mean)
	if last.Mean <= low {
		return runout{now, now, now}
	}
	line, ok := trend.Fit(batteryShare, rolling.Interpolated)
	if !ok || trend.Len() < batteryLeast || line.Slope >= 0 {
		return runout{}
	}
	at, earliest, latest, ok := line.Crossing(low)
	if !ok || latest > batteryLongest {
		return runout{}
	}
	day := func(d float64) time.Time { return now.Add(time.Duration(max(d, 0) * 24 * float64(time.Hour))) }
	return runout{day(at), day(min(earliest, at-1)), day(max(latest, at+1))}
}
