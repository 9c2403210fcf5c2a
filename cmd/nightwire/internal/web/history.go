package web

import (
	"context"
	"iter"
	"time"

	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// history gives what a sensor said over a stretch of time, in base units (volts, milliseconds). A span may reach into
// the future and is then simply empty there.
type history interface {
	// Series sums the readings of a field up in about n buckets of equal width, and gives the exact gaps; where a bucket
	// is longer than an hour, those of under an hour may be left out.
	Series(ctx context.Context, src farm.Source, f pulse.Field, span Span, n int) (Series, error)
	// Days gives one entry for each day of the farm's own time that has readings.
	Days(ctx context.Context, src farm.Source, span Span) ([]Day, error)
	// Marks gives what happened at a source, oldest first.
	Marks(ctx context.Context, src farm.Source, span Span) ([]Mark, error)
}

// readings gives every reading of a source in order, for the CSV.
type readings interface {
	Readings(ctx context.Context, src farm.Source, span Span) iter.Seq2[pulse.Reading, error]
}

// changes tells when something on the pages has changed. The channel is closed when ctx ends; a slow reader may miss
// repeats, never the last change.
type changes interface {
	Changes(ctx context.Context) <-chan struct{}
}

// Fold sums points up, which must come in order, in n buckets of equal width, and finds the gaps: stretches without a
// point longer than quiet. The stretch after the last point up to span.To counts too.
func Fold(points iter.Seq2[time.Time, float64], span Span, n int, quiet time.Duration) Series {
	width := max(span.To.Sub(span.From)/time.Duration(max(n, 1)), time.Millisecond)
	s := Series{Span: span, Width: width}
	last, slot := span.From, -1
	for at, v := range points {
		if at.Before(span.From) || !at.Before(span.To) {
			continue
		}
		if at.Sub(last) > quiet {
			s.Gaps = append(s.Gaps, Span{last, at})
		}
		last = at
		i := int(at.Sub(span.From) / width)
		if i != slot {
			s.Buckets = append(s.Buckets, Bucket{Start: span.From.Add(time.Duration(i) * width), Min: v, Max: v})
			slot = i
		}
		b := &s.Buckets[len(s.Buckets)-1]
		b.N++
		b.Min, b.Max = min(b.Min, v), max(b.Max, v)
		b.Mean += (v - b.Mean) / float64(b.N)
	}
	if span.To.Sub(last) > quiet {
		s.Gaps = append(s.Gaps, Span{last, span.To})
	}
	return s
}
