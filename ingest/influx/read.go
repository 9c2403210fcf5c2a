package influx

import (
	"context"
	"iter"
	"maps"
	"slices"
	"time"

	"nightwire/ingest/pulse"
)

// Hour says what one field did in an hour that begins at From.
type Hour struct {
	From           time.Time
	N              int
	Min, Max, Mean float64
}

// readAtOnce is how much of the past one request asks for: ten thousand readings at one a minute.
const readAtOnce = 7 * 24 * time.Hour

// Readings returns a sensor's readings with from ≤ At < to, in order, each once. An error is the last thing it gives.
func (c *Client) Readings(ctx context.Context, sensor pulse.SensorID, from, to time.Time) iter.Seq2[pulse.Reading, error] {
	return func(yield func(pulse.Reading, error) bool) {
		for at := from; at.Before(to); at = at.Add(readAtOnce) {
			end := at.Add(readAtOnce)
			if end.After(to) {
				end = to
			}
			g := newGathered(sensor)
			if err := c.asked(ctx, func(ctx context.Context) error { return c.readings(ctx, g, at, end) }); err != nil {
				yield(pulse.Reading{}, err)
				return
			}
			for _, ms := range slices.Sorted(maps.Keys(g.by)) {
				if r := *g.by[ms]; !r.Empty() && !yield(r, nil) {
					return
				}
			}
		}
	}
}

func (c *Client) readings(ctx context.Context, g *gathered, from, to time.Time) error {
	if c.cfg.Query == PromQL {
		return c.promReadings(ctx, g, from, to)
	}
	return c.fluxReadings(ctx, g, from, to)
}

// Hours returns what a field did in each whole hour from from, cut to the hour, up to to. Hours without it are left out.
func (c *Client) Hours(ctx context.Context, sensor pulse.SensorID, f pulse.Field, from, to time.Time) ([]Hour, error) {
	from = from.Truncate(time.Hour)
	by := map[int64]*Hour{}
	err := c.asked(ctx, func(ctx context.Context) error {
		if c.cfg.Query == PromQL {
			return c.promHours(ctx, by, sensor, f, from, to)
		}
		return c.fluxHours(ctx, by, sensor, f, from, to)
	})
	if err != nil {
		return nil, err
	}
	var out []Hour
	for _, ms := range slices.Sorted(maps.Keys(by)) {
		if h := *by[ms]; h.N > 0 {
			out = append(out, h)
		}
	}
	return out, nil
}

// asked bounds a request, and says of its error where it went.
func (c *Client) asked(ctx context.Context, ask func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, queryTimeout)
	defer cancel()
	if err := ask(ctx); err != nil {
		return c.unreached("read from the mirror at", c.cfg.QueryURL, err)
	}
	return nil
}

// hourAt returns the hour that begins at a time in milliseconds.
func hourAt(by map[int64]*Hour, ms int64) *Hour {
	if by[ms] == nil {
		by[ms] = &Hour{From: time.UnixMilli(ms).UTC()}
	}
	return by[ms]
}

// set sets one figure of an hour.
func (h *Hour) set(figure string, v float64) {
	switch figure {
	case "min":
		h.Min = v
	case "max":
		h.Max = v
	case "mean":
		h.Mean = v
	case "count":
		h.N = int(v)
	}
}
