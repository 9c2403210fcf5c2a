package store

import (
	"context"
	"database/sql"
	"fmt"

	"nightwire/ingest/pulse"
)

// Cursor is a place in the order in which readings were stored: how many came before it. It stays good across packing
// and restarts.
type Cursor int64

// Since returns up to limit readings stored after the cursor, in the order in which they were stored, and the cursor to
// go on from. At the end next is c. Readings that were packed are kept for Since only as long as a follower
// (see Follow) has not passed them; for a cursor before what is kept, or past the end, the error wraps ErrCursor.
func (db *DB) Since(ctx context.Context, c Cursor, limit int) (rs []pulse.Reading, next Cursor, err error) {
	next = c
	err = db.snapshot(ctx, func(tx *sql.Tx) error {
		floor, err := state(ctx, tx, stateFloor)
		if err != nil {
			return err
		}
		_, end, err := bounds(ctx, tx)
		if err != nil {
			return err
		}
		if int64(c) < floor || int64(c) > end {
			return fmt.Errorf("%w: %d is not in %d to %d", ErrCursor, c, floor, end)
		}
		var start int64 // of the row that the cursor points into
		err = tx.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM store_fresh WHERE seq <= ?`, int64(c)).Scan(&start)
		if err != nil {
			return err
		}
		stop := int64(c) + int64(max(limit, 0))
		err = scanFresh(ctx, tx, start, stop, logDamaged(db.log), func(seq int64, n int, b *batch) error {
			for i := seq; i < seq+int64(n) && len(rs) < limit; i++ {
				id, body, ok, err := b.next()
				if !ok {
					return err
				}
				if i < int64(c) {
					continue
				}
				r := pulse.Reading{}
				if r.Sensor, err = db.name(ctx, tx, id); err != nil {
					return err
				}
				if err := b.reading(&r, body); err != nil {
					return err
				}
				rs, next = append(rs, r), Cursor(i+1)
			}
			return nil
		})
		if err == nil && len(rs) < limit { // all rows were read, damaged ones too
			err = tx.QueryRowContext(ctx, `SELECT coalesce(min(seq), ?) FROM store_fresh WHERE seq >= ?`, end, stop).Scan(&next)
		}
		return err
	})
	return rs, next, explain(err, "follow", db.path)
}

// Last returns up to limit of the readings stored last, in the order in which they were stored, as far as Since still
// has them.
func (db *DB) Last(ctx context.Context, limit int) ([]pulse.Reading, error) {
	var from Cursor
	err := db.snapshot(ctx, func(tx *sql.Tx) error {
		floor, err := state(ctx, tx, stateFloor)
		if err != nil {
			return err
		}
		_, end, err := bounds(ctx, tx)
		from = Cursor(max(floor, end-int64(limit)))
		return err
	})
	if err != nil {
		return nil, explain(err, "read from", db.path)
	}
	rs, _, err := db.Since(ctx, from, limit)
	return rs, err
}

// End returns the cursor after the last reading.
func (db *DB) End(ctx context.Context) (Cursor, error) {
	_, end, err := bounds(ctx, db.read)
	return Cursor(end), explain(err, "follow", db.path)
}

// name returns the name of the sensor with the given number.
func (db *DB) name(ctx context.Context, q queryer, id int64) (name pulse.SensorID, err error) {
	if name := db.w.name(id); name != "" {
		return name, nil
	}
	db.namesMu.Lock()
	defer db.namesMu.Unlock()
	if name, ok := db.names[id]; ok {
		return name, nil
	}
	if err := q.QueryRowContext(ctx, `SELECT name FROM store_sensor WHERE id = ?`, id).Scan(&name); err != nil {
		return "", err
	}
	db.names[id] = name
	return name, nil
}

// Follow returns where the follower called name left off. A new one begins at the end: what was stored before it, it
// reads by Range. From then on, packed readings are kept for Since until the follower has passed them or is
// unfollowed.
func (db *DB) Follow(ctx context.Context, name string) (Cursor, error) {
	var c int64
	err := db.change(ctx, func(tx *sql.Tx) error {
		_, end, err := bounds(ctx, tx)
		if err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `INSERT INTO store_follower (name, seq) VALUES (?, ?)
			ON CONFLICT (name) DO UPDATE SET seq = seq RETURNING seq`, name, end).Scan(&c)
	})
	return Cursor(c), explain(err, "follow", db.path)
}

// Passed notes durably that a follower is done with everything before the cursor. It never goes back.
func (db *DB) Passed(ctx context.Context, name string, c Cursor) error {
	err := db.change(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE store_follower SET seq = max(seq, ?) WHERE name = ?`, int64(c), name)
		return err
	})
	return explain(err, "follow", db.path)
}

// Followers returns the names of all followers.
func (db *DB) Followers(ctx context.Context) (names []string, err error) {
	rows, err := db.read.QueryContext(ctx, `SELECT name FROM store_follower ORDER BY name`)
	if err != nil {
		return nil, explain(err, "list the followers of", db.path)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, explain(err, "list the followers of", db.path)
		}
		names = append(names, name)
	}
	return names, explain(rows.Err(), "list the followers of", db.path)
}

// Unfollow forgets a follower, so that nothing is kept for it any more.
func (db *DB) Unfollow(ctx context.Context, name string) error {
	err := db.change(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM store_follower WHERE name = ?`, name)
		return err
	})
	return explain(err, "follow", db.path)
}
