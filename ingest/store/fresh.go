package store

import (
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

// freshOf returns the readings of one sensor that are not packed yet, from ≤ time < to in milliseconds, in order of
// time and each once.
func (db *DB) freshOf(ctx context.Context, tx *sql.Tx, id int64, name pulse.SensorID, from, to int64) ([]pulse.Reading, error) {
	packed, err := state(ctx, tx, statePacked)
	if err != nil {
		return nil, err
	}
	var out []pulse.Reading
	err = scanFresh(ctx, tx, packed, rowLimit, logDamaged(db.log), func(_ int64, _ int, b *batch) error {
		for {
			sensor, body, ok, err := b.next()
			if !ok {
				return err
			}
			if sensor != id {
				continue
			}
			if at := b.at(body); at < from || at >= to {
				continue
			}
			r := pulse.Reading{Sensor: name}
			if err := b.reading(&r, body); err != nil {
				return err
			}
			out = append(out, r)
		}
	})
	return once(out), err
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
