package store

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"nightwire/ingest/pulse"
)

// Tail gives a follower everything: what is stored from now on, in that order, and between whiles what was stored
// before it began, day by day. Where it is outlasts a restart; what was not Taken comes again, and so may a minute of
// what was. It is for one goroutine.
type Tail struct {
	db   *DB
	name string

	cursor, next, saved Cursor
	savedAt             time.Time

	past, until time.Time // what is left of the past, from a UTC midnight on; zero when nothing is
	sensors     []pulse.SensorID
	sensor      int // the next one to read of the day at past
	read        int // the one after those that Next gave last
}

const (
	// A follower's place is written down so often at most: each time is a commit, and a card wears by commits.
	saveTailEvery = time.Minute
	saveTailAfter = 100_000 // readings
)

// Tail returns the tail of the follower called name. What it has not passed is kept for it: fresh readings from Pack,
// the past from Retain.
func (db *DB) Tail(ctx context.Context, name string) (*Tail, error) {
	t := &Tail{db: db, name: name}
	return t, explain(t.open(ctx), "follow", db.path)
}

func (t *Tail) open(ctx context.Context) error {
	first, last, err := t.db.ends(ctx)
	if err != nil {
		return err
	}
	var past, until sql.NullInt64
	err = t.db.change(ctx, func(tx *sql.Tx) error {
		_, end, err := bounds(ctx, tx)
		if err != nil {
			return err
		}
		// Where there was nothing before, there is no past to read.
		_, err = tx.ExecContext(ctx, `INSERT INTO store_follower (name, seq, past_ms, until_ms)
			VALUES (?1, ?2, CASE WHEN ?2 > 0 OR ?4 > ?3 THEN ?3 END, ?4) ON CONFLICT (name) DO NOTHING`, t.name, end, floorTo(first, dayMS), last+1)
		if err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT seq, past_ms, until_ms FROM store_follower WHERE name = ?`, t.name).Scan(&t.cursor, &past, &until)
	})
	if err != nil {
		return err
	}
	t.next, t.saved, t.savedAt = t.cursor, t.cursor, time.Now()
	if t.past, t.until = (time.Time{}), (time.Time{}); past.Valid {
		t.past, t.until = time.UnixMilli(past.Int64), time.UnixMilli(until.Int64)
	}
	return nil
}

// ends returns the times of the first and the last reading that is kept, in milliseconds.
func (db *DB) ends(ctx context.Context) (first, last int64, err error) {
	if db.w == nil {
		return 0, 0, errNoWriter
	}
	var from, to sql.NullInt64
	if err := db.read.QueryRowContext(ctx, `SELECT min(from_ms), max(to_ms) FROM store_block`).Scan(&from, &to); err != nil {
		return 0, 0, err
	}
	first, last = from.Int64, to.Int64
	db.w.mu.Lock()
	defer db.w.mu.Unlock()
	for _, s := range db.w.sensors {
		if len(s.fresh) == 0 {
			continue
		}
		if a, b := s.fresh[0], s.fresh[len(s.fresh)-1]; from.Valid {
			first, last = min(first, a), max(last, b)
		} else {
			first, last, from.Valid = a, b, true
		}
	}
	return first, last, nil
}

// Next returns about limit readings that were not Taken, or none when there are none now. Asked again without Taken it
// returns the same, and more where more has come.
func (t *Tail) Next(ctx context.Context, limit int) ([]pulse.Reading, error) {
	rs, next, err := t.db.Since(ctx, t.cursor, limit)
	if errors.Is(err, ErrCursor) { // a backup was put back: all of it may be new to the follower
		if err := t.db.Unfollow(ctx, t.name); err != nil {
			return nil, err
		}
		if err := t.open(ctx); err != nil {
			return nil, explain(err, "follow", t.db.path)
		}
		rs, next, err = t.db.Since(ctx, t.cursor, limit)
	}
	if err != nil {
		return nil, err
	}
	if t.next = next; len(rs) > 0 {
		return rs, nil
	}
	t.cursor = next // past rows that are damaged
	return t.older(ctx, limit)
}

// older returns readings of the past: of one day, so many sensors that there are enough.
func (t *Tail) older(ctx context.Context, limit int) (rs []pulse.Reading, err error) {
	if t.past.IsZero() {
		return nil, nil
	}
	if t.sensors == nil {
		if t.sensors, err = t.db.Sensors(ctx); err != nil {
			return nil, err
		}
	}
	for t.past.Before(t.until) {
		t.read = t.sensor
		for ; t.read < len(t.sensors) && len(rs) < limit; t.read++ {
			if rs, err = t.day(ctx, rs, t.sensors[t.read]); err != nil {
				return nil, err
			}
		}
		if len(rs) > 0 {
			return rs, nil
		}
		t.past, t.sensor = t.past.Add(day), 0
	}
	return nil, t.passedPast(ctx)
}

const day = dayMS * time.Millisecond

// day appends a sensor's readings of the day at t.past.
func (t *Tail) day(ctx context.Context, rs []pulse.Reading, sensor pulse.SensorID) ([]pulse.Reading, error) {
	for r, err := range t.db.Range(ctx, sensor, t.past, t.past.Add(day)) {
		if errors.Is(err, ErrCorrupt) {
			continue // the rest is whole
		}
		if err != nil {
			return nil, err
		}
		rs = append(rs, r)
	}
	return rs, nil
}

// Taken notes that the follower is done with what Next gave last.
func (t *Tail) Taken(ctx context.Context) error {
	if t.next != t.cursor {
		t.cursor = t.next
		if t.cursor-t.saved < saveTailAfter && time.Since(t.savedAt) < saveTailEvery {
			return nil
		}
		return t.Save(ctx)
	}
	if t.sensor = t.read; t.sensor < len(t.sensors) || t.past.IsZero() {
		return nil
	}
	t.past, t.sensor = t.past.Add(day), 0
	return t.passedPast(ctx)
}

// Save writes the follower's place down.
func (t *Tail) Save(ctx context.Context) error {
	if t.cursor == t.saved {
		return nil
	}
	err := t.db.Passed(ctx, t.name, t.cursor)
	if err == nil {
		t.saved, t.savedAt = t.cursor, time.Now()
	}
	return err
}

// passedPast writes down how much of the past is done.
func (t *Tail) passedPast(ctx context.Context) error {
	var left any
	if t.past.Before(t.until) {
		left = t.past.UnixMilli()
	}
	err := t.db.change(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE store_follower SET past_ms = ? WHERE name = ?`, left, t.name)
		return err
	})
	if err == nil && left == nil {
		t.past = time.Time{}
	}
	return explain(err, "follow", t.db.path)
}

// Left returns how many fresh readings are still to be taken, and how much of the past.
func (t *Tail) Left(ctx context.Context) (fresh int64, past time.Duration, err error) {
	end, err := t.db.End(ctx)
	if !t.past.IsZero() {
		past = t.until.Sub(t.past)
	}
	return int64(end - t.cursor), past, err
}
