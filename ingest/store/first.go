package store

import (
	"context"
	"database/sql"
	"math"
	"time"

	"nightwire/ingest/pulse"
)

// First returns from when on all of a sensor's single readings are here, and from when on at least its hours; zero when
// there are none. What is older was let go, or never was here.
func (db *DB) First(ctx context.Context, name pulse.SensorID) (readings, hours time.Time, err error) {
	err = db.snapshot(ctx, func(tx *sql.Tx) error {
		id, ok, err := sensorID(ctx, tx, name)
		if err != nil || !ok {
			return err
		}
		var whole, any sql.NullInt64
		err = tx.QueryRowContext(ctx, `SELECT min(from_ms), min(from_ms) FILTER (WHERE from_ms >
				(SELECT coalesce(max(from_ms), -1) FROM store_block WHERE sensor = ?1 AND kept > 0))
			FROM store_block WHERE sensor = ?1`, id).Scan(&any, &whole)
		if err != nil {
			return err
		}
		if !whole.Valid {
			fresh, err := db.freshOfOne(ctx, tx, id, name, math.MinInt64, math.MaxInt64)
			if err != nil || len(fresh) == 0 {
				return err
			}
			whole = sql.NullInt64{Int64: fresh[0].At.UnixMilli(), Valid: true}
		}
		if !any.Valid {
			any = whole
		}
		readings, hours = time.UnixMilli(whole.Int64).UTC(), time.UnixMilli(any.Int64).UTC()
		return nil
	})
	return readings, hours, explain(err, "read from", db.path)
}
