package store

import (
	"context"
	"database/sql"
	"time"

	"nightwire/ingest/pulse"
)

// Retention says how long to keep what. A zero time keeps for good.
type Retention struct {
	Readings time.Time // from packed days before this one, single readings go and their hours stay
	Hours    time.Time // from days before this one, everything goes
}

// Retain lets go of what is older than r says, by whole UTC days. Readings that are not packed stay until they are.
// What a follower has still to read (see Tail) stays too. Of a day whose readings went, no late ones are taken any more:
// it could not be told which of them it had.
func (db *DB) Retain(ctx context.Context, r Retention) error {
	if db.w == nil {
		return explain(errNoWriter, "clear out", db.path)
	}
	return explain(db.retain(ctx, r), "clear out", db.path)
}

func (db *DB) retain(ctx context.Context, r Retention) error {
	names, err := db.Sensors(ctx)
	if err != nil {
		return err
	}
	if r, err = db.spare(ctx, r); err != nil {
		return err
	}
	if !r.Readings.IsZero() {
		if err := db.noteReduced(ctx, floorTo(r.Readings.UnixMilli(), dayMS)); err != nil {
			return err
		}
	}
	for _, name := range names {
		if err := db.retainSensor(ctx, name, r); err != nil {
			return err
		}
	}
	return nil
}

// noteReduced makes Append look out for days without readings.
func (db *DB) noteReduced(ctx context.Context, ms int64) error {
	err := db.change(ctx, func(tx *sql.Tx) error {
		old, err := state(ctx, tx, stateReduced)
		if err != nil || ms <= old {
			return err
		}
		return setState(ctx, tx, stateReduced, ms)
	})
	if err == nil {
		db.w.mu.Lock()
		defer db.w.mu.Unlock()
		db.w.reduced = max(db.w.reduced, ms)
	}
	return err
}

func (db *DB) retainSensor(ctx context.Context, name pulse.SensorID, r Retention) error {
	id, _, err := sensorID(ctx, db.read, name)
	if err != nil {
		return err
	}
	clear := func(query string, before time.Time) error {
		if before.IsZero() {
			return nil
		}
		return db.change(ctx, func(tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, query, id, floorTo(before.UnixMilli(), dayMS))
			return err
		})
	}
	err = clear(`DELETE FROM store_block WHERE sensor = ? AND from_ms < ?`, r.Hours)
	if err != nil {
		return err
	}
	return clear(`UPDATE store_block SET data = NULL WHERE sensor = ? AND from_ms < ? AND data IS NOT NULL`, r.Readings)
}

// spare puts off what a follower has still to read.
func (db *DB) spare(ctx context.Context, r Retention) (Retention, error) {
	var ms sql.NullInt64
	err := db.read.QueryRowContext(ctx, `SELECT min(past_ms) FROM store_follower`).Scan(&ms)
	if err != nil || !ms.Valid {
		return r, err
	}
	for _, t := range []*time.Time{&r.Readings, &r.Hours} {
		if limit := time.UnixMilli(ms.Int64); t.After(limit) {
			*t = limit
		}
	}
	return r, nil
}
