package store

import (
	"context"
	"database/sql"
	"errors"
	"sync"
	"time"

	"nightwire/ingest/pulse"
)

// Tail gives a follower everything: what is stored from now on, in that order, and between whiles what was stored
// before it began, day by day. Where it is outlasts a restart. What was not Taken comes again, and so may what was
// Taken in the last minutes. It is for one goroutine.
type Tail struct {
	db   *DB
	name string
	now  func() time.Time

	mu      sync.Mutex // how much is left may be asked while others take
	at      place
	next    Cursor // after what Next gave last
	read    int    // the sensor after those that Next gave last
	until   time.Time
	began   time.Time // where the past began when the tail was opened
	sensors []pulse.SensorID

	mark, settled, saved place // each at or before the one before
	markedAt, savedAt    time.Time
}

// place is how far a follower has come.
type place struct {
	cursor Cursor
	past   time.Time // what is left of the past, from a UTC midnight on; zero when nothing is
	sensor int       // the next one to read of that day
}

const (
	// settleFor is how long a server may take to bring to its disk what it said it had: after a power cut there, this
	// much is given again.
	settleFor = 10 * time.Second
	// A follower's place is written down so often at most: each time is a commit, and a card wears by commits.
	saveTailEvery = time.Minute
	saveTailAfter = 100_000 // readings

	wholeDay = dayMS * time.Millisecond
)

// Tail returns the tail of the follower called name. What it has not passed is kept for it: fresh readings from Pack,
// the past from Retain.
func (db *DB) Tail(ctx context.Context, name string) (*Tail, error) {
	t := &Tail{db: db, name: name, now: time.Now}
	return t, explain(t.open(ctx), "follow", db.path)
}

func (t *Tail) open(ctx context.Context) error {
	first, last, err := t.db.ends(ctx)
	if err != nil {
		return err
	}
	var past, until sql.NullInt64
	at := place{}
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
		return tx.QueryRowContext(ctx, `SELECT seq, past_ms, until_ms FROM store_follower WHERE name = ?`, t.name).Scan(&at.cursor, &past, &until)
	})
	if err != nil {
		return err
	}
	if past.Valid {
		at.past, t.until = time.UnixMilli(past.Int64), time.UnixMilli(until.Int64)
		t.began = at.past
	}
	t.at, t.mark, t.settled, t.saved, t.next, t.sensors = at, at, at, at, at.cursor, nil
	t.markedAt, t.savedAt = t.now(), t.now()
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
	t.mu.Lock()
	defer t.mu.Unlock()
	rs, next, err := t.db.Since(ctx, t.at.cursor, limit)
	if errors.Is(err, ErrCursor) { // a backup was put back: all of it may be new to the follower
		if err := t.db.Unfollow(ctx, t.name); err != nil {
			return nil, err
		}
		if err := t.open(ctx); err != nil {
			return nil, explain(err, "follow", t.db.path)
		}
		rs, next, err = t.db.Since(ctx, t.at.cursor, limit)
	}
	if err != nil {
		return nil, err
	}
	if t.next = next; len(rs) > 0 {
		return rs, nil
	}
	t.at.cursor = next // past rows that are damaged
	return t.older(ctx, limit)
}

// older returns readings of the past: of one day, so many sensors that there are enough.
func (t *Tail) older(ctx context.Context, limit int) (rs []pulse.Reading, err error) {
	if t.at.past.IsZero() {
		return nil, nil
	}
	if t.sensors == nil {
		if t.sensors, err = t.db.Sensors(ctx); err != nil {
			return nil, err
		}
	}
	for !t.at.past.IsZero() {
		t.read = t.at.sensor
		for ; t.read < len(t.sensors) && len(rs) < limit; t.read++ {
			if rs, err = t.day(ctx, rs, t.sensors[t.read]); err != nil {
				return nil, err
			}
		}
		if len(rs) > 0 {
			return rs, nil
		}
		t.nextDay()
	}
	return nil, nil
}

// day appends a sensor's readings of the day that the past has come to.
func (t *Tail) day(ctx context.Context, rs []pulse.Reading, sensor pulse.SensorID) ([]pulse.Reading, error) {
	for r, err := range t.db.Range(ctx, sensor, t.at.past, t.at.past.Add(wholeDay)) {
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

func (t *Tail) nextDay() {
	t.at.past, t.at.sensor = t.at.past.Add(wholeDay), 0
	if !t.at.past.Before(t.until) {
		t.at.past = time.Time{}
	}
}

// Taken notes that the follower is done with what Next gave last. It also says that the follower lost nothing since
// what it took before, unless it is Rewound: what was taken settleFor ago is then settled. Time alone settles nothing,
// for nobody knows what became of a server while nothing was written to it.
func (t *Tail) Taken(ctx context.Context) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case t.next != t.at.cursor:
		t.at.cursor = t.next
	case t.at.past.IsZero():
	case t.read < len(t.sensors):
		t.at.sensor = t.read
	default:
		t.nextDay()
	}
	return t.age(ctx)
}

// age lets what was taken long enough ago settle, and writes the place down now and then.
func (t *Tail) age(ctx context.Context) error {
	now := t.now()
	if now.Sub(t.markedAt) >= settleFor {
		t.settled, t.mark, t.markedAt = t.mark, t.at, now
	}
	if t.settled.cursor-t.saved.cursor < saveTailAfter && now.Sub(t.savedAt) < saveTailEvery {
		return nil
	}
	return t.save(ctx)
}

// Rewind gives again what was taken last and may not have settled.
func (t *Tail) Rewind() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.at, t.mark, t.next = t.settled, t.settled, t.settled.cursor
	t.markedAt = t.now()
}

// Save writes down the place of the follower, as far as what it took has settled.
func (t *Tail) Save(ctx context.Context) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.save(ctx)
}

func (t *Tail) save(ctx context.Context) error {
	s := t.settled
	s.sensor = 0
	t.savedAt = t.now()
	if s == t.saved {
		return nil
	}
	var past any // NULL when all of it is done
	if !s.past.IsZero() {
		past = s.past.UnixMilli()
	}
	err := t.db.change(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE store_follower SET seq = max(seq, ?), past_ms = ? WHERE name = ?`, int64(s.cursor), past, t.name)
		return err
	})
	if err == nil {
		t.saved = s
	}
	return explain(err, "follow", t.db.path)
}

// Left returns how many fresh readings are still to be taken, and how much of the past.
func (t *Tail) Left(ctx context.Context) (fresh int64, past time.Duration, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	end, err := t.db.End(ctx)
	if !t.at.past.IsZero() {
		past = t.until.Sub(t.at.past)
	}
	return int64(end - t.at.cursor), past, err
}

// Past returns how much of the past has been taken since the tail was opened, and how much there was; zero for none.
func (t *Tail) Past() (taken, all time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.began.IsZero() {
		return 0, 0
	}
	if all = t.until.Sub(t.began); t.at.past.IsZero() {
		return all, all
	}
	return t.at.past.Sub(t.began), all
}
