package app

import (
	"context"
	"slices"
	"time"

	"nightwire/alerts/detect"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// seriesOfHours is Series for buckets of about width, an hour or more. The store has the hours ready.
func (n *night) seriesOfHours(ctx context.Context, src farm.Source, f pulse.Field, span web.Span, width time.Duration) (web.Series, error) {
	width = (width + time.Hour - 1).Truncate(time.Hour)
	s := web.Series{Span: span, Width: width}
	from := span.From.Truncate(time.Hour)
	hours, err := n.archive.hours(ctx, detect.SensorID(&n.cfg.Farm, src), f, from, span.To)
	if err != nil {
		return s, err
	}
	for _, h := range hours {
		start := from.Add(h.From.Sub(from).Truncate(width))
		if k := len(s.Buckets); k == 0 || !s.Buckets[k-1].Start.Equal(start) {
			s.Buckets = append(s.Buckets, web.Bucket{Start: start, Min: h.Min, Max: h.Max})
		}
		b := &s.Buckets[len(s.Buckets)-1]
		b.N += h.N
		b.Min, b.Max = min(b.Min, h.Min), max(b.Max, h.Max)
		b.Mean += (h.Mean - b.Mean) * float64(h.N) / float64(b.N)
	}
	if now := n.now(); span.To.After(now) {
		span.To = now // what has not been yet is not a gap
	}
	s.Gaps, err = n.gaps(ctx, src, f, span, thinHours(hours, span, n.every(src)))
	return s, err
}

// thinHours returns the stretches of hours with at most half of the readings due. A gap of an hour or more takes half
// of at least one hour, so that it touches one of them.
func thinHours(hours []store.Bucket, span web.Span, every time.Duration) (thin []web.Span) {
	add := func(from, to time.Time) {
		if to.After(span.To) {
			to = span.To
		}
		if k := len(thin); k > 0 && thin[k-1].To.Equal(from) && from.Before(to) {
			thin[k-1].To = to
		} else if from.Before(to) {
			thin = append(thin, web.Span{From: from, To: to})
		}
	}
	next := span.From.Truncate(time.Hour)
	for _, h := range hours {
		add(next, h.From)
		next = h.To
		if part := h.To.Sub(h.From); time.Duration(2*h.N)*every <= part {
			add(h.From, h.To)
		}
	}
	add(next, span.To)
	return thin
}

// gaps reads the thin stretches, with an hour on either side where a gap may begin or end, and returns the gaps that
// touch them.
func (n *night) gaps(ctx context.Context, src farm.Source, f pulse.Field, span web.Span, thin []web.Span) (gaps []web.Span, err error) {
	for len(thin) > 0 {
		look, k := web.Span{From: thin[0].From.Add(-time.Hour), To: thin[0].To.Add(time.Hour)}, 1
		for ; k < len(thin) && !thin[k].From.Add(-time.Hour).After(look.To); k++ {
			look.To = thin[k].To.Add(time.Hour)
		}
		if look.From.Before(span.From) {
			look.From = span.From
		}
		if look.To.After(span.To) {
			look.To = span.To
		}
		near, err := n.fold(n.rows(ctx, src, look), src, f, look, 1)
		if err != nil {
			return gaps, err
		}
		for _, g := range near.Gaps {
			touches := func(t web.Span) bool { return g.From.Before(t.To) && t.From.Before(g.To) }
			if slices.ContainsFunc(thin[:k], touches) {
				gaps = append(gaps, g)
			}
		}
		thin = thin[k:]
	}
	return gaps, nil
}

// levelShare is which of a day's hours, in order of their means, gives its dry-hour level: dew and rain lower the rest.
const levelShare = 0.75

// Days returns one entry for each day of the farm's own time that has readings, from the first day whole to the end
// of span.
func (n *night) Days(ctx context.Context, src farm.Source, span web.Span) ([]web.Day, error) {
	if n.store == nil {
		return nil, nil
	}
	loc := n.cfg.Farm.Location
	midnight := func(t time.Time) time.Time {
		y, m, d := t.In(loc).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, loc).UTC()
	}
	hours, err := n.archive.hours(ctx, detect.SensorID(&n.cfg.Farm, src), pulse.Volts, midnight(span.From), span.To)
	if err != nil {
		return nil, err
	}
	var out []web.Day
	var means []float64
	for i, h := range hours {
		start := midnight(h.From)
		if k := len(out); k == 0 || !out[k-1].Start.Equal(start) {
			out = append(out, web.Day{Start: start, Min: h.Min, Max: h.Max})
			means = means[:0]
		}
		d := &out[len(out)-1]
		d.N, d.Min, d.Max = d.N+h.N, min(d.Min, h.Min), max(d.Max, h.Max)
		means = append(means, h.Mean)
		if i+1 == len(hours) || !midnight(hours[i+1].From).Equal(start) {
			slices.Sort(means)
			d.Level = means[int(float64(len(means)-1)*levelShare)]
		}
	}
	return out, nil
}
