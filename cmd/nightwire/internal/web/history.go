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

// lines gives what is kept of a source in order, for the CSV.
type lines interface {
	Lines(ctx context.Context, src farm.Source, span Span) iter.Seq2[Line, error]
}

// Line is a reading, or what is left of those of a minute or an hour: What says so.
type Line struct {
	pulse.Reading
	What string
}

// changes tells when something on the pages has changed. The channel is closed when ctx ends; a slow reader may miss
// repeats, never the last change.
type changes interface {
	Changes(ctx context.Context) <-chan struct{}
}

// Known is what is known of a moment, or of a stretch of time whose single readings are no longer kept.
type Known struct {
	Until          time.Time // the end of a stretch; a moment has none
	N              int       // 0 counts as 1
	Min, Mean, Max float64
}

// Reading is what a single reading says of its moment.
func Reading(v float64) Known { return Known{Min: v, Mean: v, Max: v} }

// Fold sums up what is known of times, which must come in order, in n buckets of equal width, and finds the gaps:
// stretches longer than quiet of which nothing is known. The stretch after the last one up to span.To counts too. A
// stretch goes into each bucket that it touches.
func Fold(points iter.Seq2[time.Time, Known], span Span, n int, quiet time.Duration) Series {
	width := max(span.To.Sub(span.From)/time.Duration(max(n, 1)), time.Millisecond)
	s := Series{Span: span, Width: width}
	last, slot := span.From, -1
	for at, k := range points {
		if !at.Before(span.To) || at.Before(span.From) && !k.Until.After(span.From) {
			continue
		}
		if at.Sub(last) > quiet {
			s.Gaps = append(s.Gaps, Span{last, at})
		}
		last = later(at, earlier(k.Until, span.To))
		for i := max(0, int(at.Sub(span.From)/width)); ; i++ {
			start := span.From.Add(time.Duration(i) * width)
			if i > slot {
				s.Buckets = append(s.Buckets, Bucket{Start: start, Min: k.Min, Max: k.Max})
				slot = i
			}
			s.Buckets[len(s.Buckets)-1].add(k)
			if end := start.Add(width); !end.Before(k.Until) || !end.Before(span.To) {
				break
			}
		}
	}
	if span.To.Sub(last) > quiet {
		s.Gaps = append(s.Gaps, Span{last, span.To})
	}
	return s
}

func (b *Bucket) add(k Known) {
	n := max(k.N, 1)
	b.N += n
	b.Min, b.Max = min(b.Min, k.Min), max(b.Max, k.Max)
	b.Mean += (k.Mean - b.Mean) * float64(n) / float64(b.N)
}
