package app

import (
	"context"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/alerts/weather"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

const (
	// weatherFor is how long the weather shown stays good.
	weatherFor = time.Minute
	// saidShown is how long the page shows what somebody said of the weather.
	saidShown = 7 * 24 * time.Hour
)

// WeatherHints returns what the weather means for the fence, for the evening message too.
func (n *night) WeatherHints(ctx context.Context) ([]weather.Hint, error) {
	r, err := n.weatherRecord(ctx, n.now())
	return r.Hints(n.now(), n.cfg.Farm.Location), err
}

// weatherRecord reads the weather of the last weeks: what the station measured, and what people said.
func (n *night) weatherRecord(ctx context.Context, now time.Time) (weather.Record, error) {
	from := now.Add(-weather.Since)
	actions, err := n.journal.Actions(ctx, from, now.Add(time.Second))
	if err != nil {
		return weather.Record{}, err
	}
	r := weather.Record{Said: weathered(actions)}
	r.Hours, err = n.weatherHours(ctx, web.Span{From: from, To: now}, pulse.RainMM, pulse.TempC, pulse.SnowCM)
	return r, err
}

// weathered chooses what people said of the weather.
func weathered(actions []alerts.Action) (out []alerts.Action) {
	for _, a := range actions {
		if a.Kind == alerts.Weathered && a.Weather != nil {
			out = append(out, a)
		}
	}
	return out
}

// weatherHours returns what the station measured of the given fields, hour by hour. Hours without any are left out.
func (n *night) weatherHours(ctx context.Context, span web.Span, fields ...pulse.Field) ([]weather.Hour, error) {
	return weatherHours(ctx, n.store, &n.cfg.Farm, span, fields...)
}

func weatherHours(ctx context.Context, db *store.DB, f *farm.Farm, span web.Span, fields ...pulse.Field) ([]weather.Hour, error) {
	if db == nil || f.Weather.Topic == "" {
		return nil, nil
	}
	from := span.From.Truncate(time.Hour)
	hours := make([]weather.Hour, span.To.Sub(from)/time.Hour+1)
	for _, field := range fields {
		buckets, err := db.Buckets(ctx, detect.SensorID(f, farm.WeatherSource), field, from, span.To, time.Hour)
		if err != nil {
			return nil, err
		}
		for _, b := range buckets {
			h := &hours[b.From.Sub(from)/time.Hour]
			h.From = b.From
			switch field {
			case pulse.RainMM:
				mm := b.Mean * float64(b.N)
				h.RainMM = &mm
			case pulse.TempC:
				h.LowestC, h.MeanC = &b.Min, &b.Mean
			case pulse.SnowCM:
				h.SnowCM = &b.Mean
			case pulse.WindMS:
				h.WindMS = &b.Max
			}
		}
	}
	out := hours[:0]
	for _, h := range hours {
		if !h.From.IsZero() {
			out = append(out, h)
		}
	}
	return out, nil
}

// rain returns the rain of a stretch of time as marks; actions are what people did in it.
func (n *night) rain(ctx context.Context, span web.Span, actions []alerts.Action) (out []web.Mark, err error) {
	r := weather.Record{Said: weathered(actions)}
	if r.Hours, err = n.weatherHours(ctx, span, pulse.RainMM); err != nil {
		return nil, err
	}
	for _, s := range r.Rain() {
		if s.To.After(span.From) && s.From.Before(span.To) {
			out = append(out, web.Mark{At: s.From, Until: s.To, Kind: web.MarkRain})
		}
	}
	return out, nil
}

// weather returns the weather as the page shows it.
func (n *night) weather(ctx context.Context) web.Weather {
	return n.skies.get(farm.WeatherSource, n.keep(weatherFor), func() web.Weather {
		return n.weatherNow(context.WithoutCancel(ctx)) // it is kept for others than who asks
	})
}

func (n *night) weatherNow(ctx context.Context) web.Weather {
	now := n.now()
	r, err := n.weatherRecord(ctx, now)
	if err != nil {
		n.log.Warn("weather not read", "err", err) // the page shows the rest
	}
	w := web.Weather{Station: n.cfg.Farm.Weather.Topic != "", Hints: r.Hints(now, n.cfg.Farm.Location)}
	if mm, ok := r.RainMM(now.Add(-24*time.Hour), now); ok {
		w.RainMM = &mm
	}
	for _, a := range r.Said {
		if now.Sub(a.Time) < saidShown {
			w.Said = append(w.Said, web.Said{At: a.Time, By: a.By, Weather: *a.Weather})
		}
	}
	return w
}
