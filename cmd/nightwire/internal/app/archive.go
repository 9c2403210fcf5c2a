package app

import (
	"context"
	"errors"
	"iter"
	"log/slog"
	"sync/atomic"
	"time"

	"nightwire/ingest/influx"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// archive reads the past: from the store, and from the mirror what the store has let go or never had. While the mirror
// cannot be read, what the store has is all there is.
type archive struct {
	store  *store.DB
	mirror *influx.Client // nil without one
	log    *slog.Logger
	failed atomic.Int64 // when the mirror last could not be read, Unix seconds
}

const (
	// archiveWait is how long a page waits for the mirror.
	archiveWait = 10 * time.Second
	// archiveRest is how long a mirror that could not be read is not asked again: a start asks for every sensor.
	archiveRest = time.Minute
)

// asks reports whether the mirror is worth asking.
func (a *archive) asks() bool {
	return a.mirror != nil && time.Since(time.Unix(a.failed.Load(), 0)) > archiveRest
}

// seam returns until when the mirror is to be asked: where the store's own begin, at most to.
func (a *archive) seam(ctx context.Context, id pulse.SensorID, to time.Time, hours bool) (time.Time, error) {
	first, firstHour, err := a.store.First(ctx, id)
	if hours {
		first = firstHour.Truncate(time.Hour)
	}
	if first.IsZero() || !to.IsZero() && first.After(to) {
		return to, err
	}
	return first, err
}

// readings returns a sensor's readings with from ≤ At < to, in order; a zero to is no end. It gives the error of the
// mirror, if that fails, and goes on with what the store has.
func (a *archive) readings(ctx context.Context, id pulse.SensorID, from, to time.Time) iter.Seq2[pulse.Reading, error] {
	if !a.asks() {
		return a.store.Range(ctx, id, from, to)
	}
	return func(yield func(pulse.Reading, error) bool) {
		seam, err := a.seam(ctx, id, to, false)
		if err != nil {
			yield(pulse.Reading{}, err)
			return
		}
		if seam.IsZero() {
			seam = time.Now()
		}
		if from.Before(seam) {
			for r, err := range a.fromMirror(ctx, id, from, seam) {
				if !yield(r, err) {
					return
				}
			}
			from = seam
		}
		for r, err := range a.store.Range(ctx, id, from, to) {
			if !yield(r, err) {
				return
			}
		}
	}
}

// each calls do for one sensor after the other with what readings gives, to be ranged over before do returns. What the
// store has fresh is gone through once for all of them.
func (a *archive) each(ctx context.Context, ids []pulse.SensorID, from, to time.Time, do func(pulse.SensorID, iter.Seq2[pulse.Reading, error])) error {
	if a.asks() {
		var own []pulse.SensorID
		for _, id := range ids {
			seam, err := a.seam(ctx, id, to, false)
			if err != nil {
				return err
			}
			if seam.IsZero() || from.Before(seam) {
				do(id, a.readings(ctx, id, from, to))
			} else {
				own = append(own, id)
			}
		}
		ids = own
	}
	return a.store.RangeEach(ctx, ids, from, to, do)
}

// rows is readings which, of times whose single readings neither store nor mirror has, gives the minutes or hours that
// the store kept. It may begin up to an hour before from.
func (a *archive) rows(ctx context.Context, id pulse.SensorID, from, to time.Time) iter.Seq2[store.Row, error] {
	own := a.store.Rows(ctx, id, from.Truncate(time.Hour), to)
	if !a.asks() {
		return own
	}
	return func(yield func(store.Row, error) bool) {
		seam, err := a.seam(ctx, id, to, false)
		if err != nil {
			yield(store.Row{}, err)
			return
		}
		if seam.IsZero() {
			seam = time.Now()
		}
		if from.Before(seam) {
			own = preferring(a.fromMirror(ctx, id, from, seam), own)
		}
		own(yield)
	}
}

// fromMirror returns what the mirror has, and notes when that cannot be read.
func (a *archive) fromMirror(ctx context.Context, id pulse.SensorID, from, to time.Time) iter.Seq2[pulse.Reading, error] {
	return func(yield func(pulse.Reading, error) bool) {
		for r, err := range a.mirror.Readings(ctx, id, from, to) {
			if err != nil {
				a.failed.Store(time.Now().Unix())
				err = errors.Join(errMirror, err)
			}
			if !yield(r, err) {
				return
			}
		}
	}
}

// preferring merges single readings into rows, in order of time. A row is left out where there are readings of its time.
func preferring(readings iter.Seq2[pulse.Reading, error], rows iter.Seq2[store.Row, error]) iter.Seq2[store.Row, error] {
	return func(yield func(store.Row, error) bool) {
		next, stop := iter.Pull2(rows)
		defer stop()
		row, rowErr, more := next()
		for r, err := range readings {
			for ; err == nil && more; row, rowErr, more = next() {
				if rowErr == nil && row.At.After(r.At) {
					break
				}
				if (rowErr != nil || !row.Until().After(r.At) && !row.At.Equal(r.At)) && !yield(row, rowErr) {
					return
				}
			}
			if !yield(store.Row{Reading: r}, err) {
				return
			}
		}
		for ; more; row, rowErr, more = next() {
			if !yield(row, rowErr) {
				return
			}
		}
	}
}

// rowsOf makes rows of single readings.
func rowsOf(rs iter.Seq2[pulse.Reading, error]) iter.Seq2[store.Row, error] {
	return func(yield func(store.Row, error) bool) {
		for r, err := range rs {
			if !yield(store.Row{Reading: r}, err) {
				return
			}
		}
	}
}

// errMirror says that the past at the mirror could not be read.
var errMirror = errors.New("the mirror cannot be read")

// hours returns what a field did in each hour from from, a whole hour, up to to.
func (a *archive) hours(ctx context.Context, id pulse.SensorID, f pulse.Field, from, to time.Time) ([]store.Bucket, error) {
	var out []store.Bucket
	if a.asks() {
		seam, err := a.seam(ctx, id, to, true)
		if err != nil {
			return nil, err
		}
		if from.Before(seam) {
			out = a.mirrorHours(ctx, id, f, from, seam)
			from = seam
		}
	}
	own, err := a.store.Buckets(ctx, id, f, from, to, time.Hour)
	return append(out, own...), err
}

func (a *archive) mirrorHours(ctx context.Context, id pulse.SensorID, f pulse.Field, from, to time.Time) []store.Bucket {
	ctx, cancel := context.WithTimeout(ctx, archiveWait)
	defer cancel()
	hours, err := a.mirror.Hours(ctx, id, f, from, to)
	if err != nil {
		a.failed.Store(time.Now().Unix())
		a.log.Warn("old hours not read from the mirror", "sensor", id, "err", err)
		return nil
	}
	out := make([]store.Bucket, len(hours))
	for i, h := range hours {
		out[i] = store.Bucket{From: h.From, To: h.From.Add(time.Hour), N: h.N, Min: h.Min, Max: h.Max, Mean: h.Mean}
	}
	return out
}
