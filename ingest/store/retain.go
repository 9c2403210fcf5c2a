package store

import (
	"context"
	"database/sql"
	"time"

	"nightwire/ingest/pulse"
)

// Retention says how long to keep what, each level at least as long as the one before. A zero time keeps for good.
type Retention struct {
	Readings time.Time // of days before this one that have many readings, single ones go and their minutes stay
	Minutes  time.Time // of days before this one only the hours stay
	Hours    time.Time // of days before this one nothing stays
}

// fewReadings is how many readings a day may have to be kept as long as minutes are: up to three a minute take less room
// than the minute's count, least, greatest and mean (see BenchmarkThin). For most sensors, which report once a minute,
// this level so costs nothing.
const fewReadings = 3 * dayMS / minuteMS

// Retain lets go of what is older than r says, by whole UTC days. Readings that are not packed stay until they are.
// What a follower has still to read (see Tail) stays too. Of a day whose readings went, no late ones are taken any more:
// it could not be told which of them it had.
//
// Each sensor's day goes from one level to the next in a transaction of its own; stopped anywhere, the rest waits for
// the next call.
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
	limits, err := db.limits(ctx, r)
	if err != nil {
		return err
	}
	if err := db.noteReduced(ctx, max(limits.readings, limits.minutes)); err != nil {
		return err
	}
	j := packJob{db: db, w: db.w}
	for _, name := range names {
		// Days go by minutes to hours, so that those of many blocks become one.
		if err := j.thin(ctx, name, max(limits.readings, limits.minutes)); err != nil {
			return err
		}
		if err := db.clear(ctx, name, limits); err != nil {
			return err
		}
	}
	return nil
}

// limits are the days, in milliseconds, before which each level goes.
type limits struct{ readings, minutes, hours int64 }

// limits puts off what a follower has still to read.
func (db *DB) limits(ctx context.Context, r Retention) (l limits, err error) {
	var owed sql.NullInt64
	err = db.read.QueryRowContext(ctx, `SELECT min(past_ms) FROM store_follower`).Scan(&owed)
	for to, t := range map[*int64]time.Time{&l.readings: r.Readings, &l.minutes: r.Minutes, &l.hours: r.Hours} {
		*to = noTime
		if !t.IsZero() {
			*to = floorTo(t.UnixMilli(), dayMS)
		}
		if owed.Valid {
			*to = min(*to, owed.Int64)
		}
	}
	return l, err
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

// clear lets go of a sensor's days beyond hours, and of all but the hours of those beyond minutes.
func (db *DB) clear(ctx context.Context, name pulse.SensorID, l limits) error {
	return db.change(ctx, func(tx *sql.Tx) error {
		id, _, err := sensorID(ctx, tx, name)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM store_block WHERE sensor = ? AND from_ms < ?`, id, l.hours); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE store_block SET data = NULL, kept = ?3 WHERE sensor = ?1 AND from_ms < ?2 AND kept < ?3`,
			id, l.minutes, keptHours)
		return err
	})
}

// thin turns those of a sensor's days before limit that have many readings into minutes.
func (j *packJob) thin(ctx context.Context, name pulse.SensorID, limit int64) error {
	id, _, err := sensorID(ctx, j.db.read, name)
	if err != nil {
		return err
	}
	days, err := j.crowded(ctx, id, limit)
	if err != nil {
		return err
	}
	for _, day := range days {
		if err := j.db.change(ctx, func(tx *sql.Tx) error { return j.thinDay(ctx, tx, id, name, day) }); err != nil {
			return err
		}
	}
	return nil
}

// crowded returns the days before limit that have more than fewReadings.
func (j *packJob) crowded(ctx context.Context, id, limit int64) (days []int64, err error) {
	rows, err := j.db.read.QueryContext(ctx, `SELECT min(from_ms) FROM store_block WHERE sensor = ? AND from_ms < ? AND kept = ?
		GROUP BY from_ms / ? HAVING sum(n) > ?`, id, limit, keptReadings, dayMS, fewReadings)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var from int64
		if err := rows.Scan(&from); err != nil {
			return nil, err
		}
		days = append(days, floorTo(from, dayMS))
	}
	return days, rows.Err()
}

// thinDay makes one block of minutes of all blocks of a day.
func (j *packJob) thinDay(ctx context.Context, tx *sql.Tx, id int64, name pulse.SensorID, day int64) error {
	if gone, err := dayReduced(ctx, tx, id, day); gone || err != nil {
		return err // by another call meanwhile
	}
	var err error
	if j.blocks, err = prepareBlocks(ctx, tx); err != nil {
		return err
	}
	ids, err := j.touched(ctx, tx, id, name, day, day+dayMS-1)
	if err != nil || len(ids) == 0 {
		return err
	}
	for _, block := range ids {
		if _, err := j.blocks.remove.ExecContext(ctx, block); err != nil {
			return err
		}
	}
	hours, union := summarize(j.old, hourMS)
	minutes, _ := summarize(j.old, minuteMS)
	_, err = j.blocks.add.ExecContext(ctx, ids[0], id, j.old[0].At.UnixMilli(), j.old[len(j.old)-1].At.UnixMilli(), len(minutes.starts),
		j.pack.summary(hours, union), j.pack.summary(minutes, union), keptMinutes)
	return err
}
