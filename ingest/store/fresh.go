package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"math"
	"slices"

	"nightwire/ingest/pulse"
)

// rowLimit as the upper bound of a scan means all rows.
const rowLimit = math.MaxInt64

// errEnough ends a scan before its end.
var errEnough = errors.New("enough")

// scanFresh calls each for the fresh rows numbered from ≤ seq < to, in order. A damaged row is passed over and
// told to damaged: what it held is lost, but the rest must go on.
func scanFresh(ctx context.Context, q queryer, from, to int64, damaged func(seq int64), each func(seq int64, n int, b *batch) error) error {
	rows, err := q.QueryContext(ctx, `SELECT seq, n, data FROM store_fresh WHERE seq >= ? AND seq < ? ORDER BY seq`, from, to)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var (
			seq  int64
			n    int
			data sql.RawBytes
		)
		if err := rows.Scan(&seq, &n, &data); err != nil {
			return err
		}
		b, err := openBatch(data)
		if err == nil {
			err = each(seq, n, &b)
		}
		if errors.Is(err, errDamaged) {
			damaged(seq)
			continue
		}
		if err != nil {
			return err
		}
	}
	return rows.Err()
}

func logDamaged(log *slog.Logger) func(seq int64) {
	return func(seq int64) { log.Error("fresh readings are damaged", "seq", seq) }
}

// eachFresh calls take for what is not packed yet of the sensors that are wanted, from ≤ time < to in milliseconds, in
// the order in which it was stored.
func (db *DB) eachFresh(ctx context.Context, tx *sql.Tx, from, to int64, wanted func(sensor int64) bool, take func(sensor int64, b *batch, body []byte) error) error {
	packed, err := state(ctx, tx, statePacked)
	if err != nil {
		return err
	}
	return scanFresh(ctx, tx, packed, rowLimit, logDamaged(db.log), func(_ int64, _ int, b *batch) error {
		for {
			sensor, body, ok, err := b.next()
			if !ok {
				return err
			}
			if !wanted(sensor) {
				continue
			}
			if at := b.at(body); at < from || at >= to {
				continue
			}
			if err := take(sensor, b, body); err != nil {
				return err
			}
		}
	})
}

// freshOf returns the readings of some sensors that are not packed yet, from ≤ time < to in milliseconds, those of each
// in order of time and each once. It goes through all that is not packed, so it is asked for many sensors at once.
func (db *DB) freshOf(ctx context.Context, tx *sql.Tx, names map[int64]pulse.SensorID, from, to int64) (map[int64][]pulse.Reading, error) {
	out := make(map[int64][]pulse.Reading, len(names))
	wanted := func(sensor int64) bool { return names[sensor] != "" }
	err := db.eachFresh(ctx, tx, from, to, wanted, func(sensor int64, b *batch, body []byte) error {
		r := pulse.Reading{Sensor: names[sensor]}
		if err := b.reading(&r, body); err != nil {
			return err
		}
		out[sensor] = append(out[sensor], r)
		return nil
	})
	for sensor, rs := range out {
		out[sensor] = once(rs)
	}
	return out, err
}

// value is what a reading says of one field. Of many, it is a tenth as long to read as the readings themselves.
type value struct {
	at int64 // milliseconds
	v  float64
}

// freshValues returns one field of what freshOf returns for one sensor.
func (db *DB) freshValues(ctx context.Context, tx *sql.Tx, id int64, f pulse.Field, from, to int64) ([]value, error) {
	var out []value
	wanted := func(sensor int64) bool { return sensor == id }
	err := db.eachFresh(ctx, tx, from, to, wanted, func(_ int64, b *batch, body []byte) error {
		v, ok, err := b.value(f, body)
		if ok {
			out = append(out, value{b.at(body), v})
		}
		return err
	})
	byTime := func(a, b value) int { return cmp.Compare(a.at, b.at) }
	if !slices.IsSortedFunc(out, byTime) {
		slices.SortStableFunc(out, byTime)
	}
	return slices.CompactFunc(out, func(a, b value) bool { return a.at == b.at }), err
}

// freshOfOne is freshOf for one sensor.
func (db *DB) freshOfOne(ctx context.Context, tx *sql.Tx, id int64, name pulse.SensorID, from, to int64) ([]pulse.Reading, error) {
	all, err := db.freshOf(ctx, tx, map[int64]pulse.SensorID{id: name}, from, to)
	return all[id], err
}

// once sorts readings of one sensor by time and keeps the first of each.
func once(rs []pulse.Reading) []pulse.Reading {
	byTime := func(a, b pulse.Reading) int { return a.At.Compare(b.At) }
	if !slices.IsSortedFunc(rs, byTime) { // mostly they are, and readings are large to move
		slices.SortStableFunc(rs, byTime)
	}
	return slices.CompactFunc(rs, func(a, b pulse.Reading) bool { return a.At.Equal(b.At) })
}

// change runs a transaction on the writing connection.
func (db *DB) change(ctx context.Context, do func(tx *sql.Tx) error) error {
	if db.w == nil {
		return errNoWriter
	}
	db.w.mu.Lock()
	defer db.w.mu.Unlock()
	tx, err := db.w.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := do(tx); err != nil {
		return err
	}
	return tx.Commit()
}
