package store

import (
	"context"
	"database/sql"
	"errors"
	"slices"
	"strings"

	"nightwire/ingest/pulse"
)

// Latest returns a sensor's reading with the latest time; ok is false when it has none.
func (db *DB) Latest(ctx context.Context, name pulse.SensorID) (r pulse.Reading, ok bool, err error) {
	if r = db.w.latest(name); r.Sensor != "" {
		return r, true, nil
	}
	err = db.snapshot(ctx, func(tx *sql.Tx) error {
		id, known, err := sensorID(ctx, tx, name)
		if err != nil || !known {
			return err
		}
		fresh, err := db.freshOfOne(ctx, tx, id, name, noTime, rowLimit)
		if err != nil {
			return err
		}
		if len(fresh) > 0 {
			r = fresh[len(fresh)-1]
		}
		r, err = db.orPacked(ctx, tx, id, name, r)
		return err
	})
	if err == nil {
		db.w.note(r)
	}
	return r, r.Sensor != "", explain(err, "read from", db.path)
}

// LatestAll returns the latest reading of every sensor, by name.
func (db *DB) LatestAll(ctx context.Context) (out []pulse.Reading, err error) {
	err = db.snapshot(ctx, func(tx *sql.Tx) error {
		names, err := sensorNames(ctx, tx)
		if err != nil {
			return err
		}
		fresh := make(map[int64]pulse.Reading)
		if db.w == nil { // a writer has them in memory
			if fresh, err = db.latestFresh(ctx, tx); err != nil {
				return err
			}
		}
		for id, name := range names {
			r := db.w.latest(name)
			if r.Sensor == "" {
				if r, err = db.orPacked(ctx, tx, id, name, fresh[id]); err != nil {
					return err
				}
				db.w.note(r)
			}
			if r.Sensor != "" {
				out = append(out, r)
			}
		}
		return nil
	})
	slices.SortFunc(out, func(a, b pulse.Reading) int { return strings.Compare(string(a.Sensor), string(b.Sensor)) })
	return out, explain(err, "read from", db.path)
}

// latestFresh returns the latest fresh reading of each sensor, by number.
func (db *DB) latestFresh(ctx context.Context, tx *sql.Tx) (map[int64]pulse.Reading, error) {
	packed, err := state(ctx, tx, statePacked)
	if err != nil {
		return nil, err
	}
	latest := make(map[int64]pulse.Reading)
	err = scanFresh(ctx, tx, packed, rowLimit, logDamaged(db.log), func(_ int64, _ int, b *batch) error {
		for {
			id, body, ok, err := b.next()
			if !ok {
				return err
			}
			if old, had := latest[id]; had && b.at(body) <= old.At.UnixMilli() {
				continue
			}
			r := pulse.Reading{}
			if err := b.reading(&r, body); err != nil {
				return err
			}
			latest[id] = r
		}
	})
	return latest, err
}

// orPacked returns the last packed reading of a sensor when it is later than r, or r has no time.
func (db *DB) orPacked(ctx context.Context, tx *sql.Tx, id int64, name pulse.SensorID, r pulse.Reading) (pulse.Reading, error) {
	if !r.At.IsZero() {
		r.Sensor = name
	}
	var (
		toMS int64
		data []byte
	)
	err := tx.QueryRowContext(ctx, `SELECT to_ms, data FROM store_block WHERE sensor = ? AND kept = 0
		ORDER BY from_ms DESC LIMIT 1`, id).Scan(&toMS, &data)
	if errors.Is(err, sql.ErrNoRows) || err == nil && r.Sensor != "" && r.At.UnixMilli() > toMS {
		return r, nil
	}
	if err != nil {
		return r, err
	}
	rs, err := new(unpacker).readings(nil, name, data)
	if err != nil {
		db.log.Error("packed block is damaged", "sensor", name, "to_ms", toMS, "err", err)
		return r, nil
	}
	return rs[len(rs)-1], nil
}

func sensorNames(ctx context.Context, tx *sql.Tx) (map[int64]pulse.SensorID, error) {
	rows, err := tx.QueryContext(ctx, `SELECT id, name FROM store_sensor`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	names := make(map[int64]pulse.SensorID)
	for rows.Next() {
		var (
			id   int64
			name pulse.SensorID
		)
		if err := rows.Scan(&id, &name); err != nil {
			return nil, err
		}
		names[id] = name
	}
	return names, rows.Err()
}
