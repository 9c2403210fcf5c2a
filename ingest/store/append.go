package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sync"

	"nightwire/ingest/pulse"
)

// writer is the part of a store that changes the file. It keeps in memory what tells a new reading from a duplicate.
type writer struct {
	db     *sql.DB
	insert *sql.Stmt
	unlock func() error
	log    *slog.Logger

	packing sync.Mutex // one Pack at a time; taken before mu
	mu      sync.Mutex // held by whoever changes the file
	next    int64      // the number of the next reading
	reduced int64      // see stateReduced
	lastID  int64
	unsure  bool            // a commit may or may not have gone through
	found   []pulse.Reading // stored by such a commit, and not reported yet
	scratch unpacker

	seen    sync.RWMutex // guards sensors and their latest for readers; taken after mu
	sensors map[pulse.SensorID]*sensor
	byID    map[int64]*sensor
}

// sensor is what is remembered of one.
type sensor struct {
	id       int64
	name     pulse.SensorID
	packedTo int64         // time of the last packed reading, milliseconds
	fresh    []int64       // times of the readings not packed yet, ascending
	latest   pulse.Reading // Sensor is empty while it is not known
}

const noTime = math.MinInt64

func newWriter(log *slog.Logger) *writer {
	return &writer{log: log, sensors: make(map[pulse.SensorID]*sensor), byID: make(map[int64]*sensor)}
}

func (w *writer) close() error {
	var errs []error
	if w.insert != nil {
		errs = append(errs, w.insert.Close())
	}
	if w.db != nil {
		errs = append(errs, w.db.Close())
	}
	if w.unlock != nil {
		errs = append(errs, w.unlock())
	}
	return errors.Join(errs...)
}

// load fills the memory from the file.
func (w *writer) load(ctx context.Context) (err error) {
	if w.reduced, err = state(ctx, w.db, stateReduced); err != nil {
		return err
	}
	if w.next, err = state(ctx, w.db, statePacked); err != nil {
		return err
	}
	floor, err := state(ctx, w.db, stateFloor)
	if err != nil {
		return err
	}
	w.next = max(w.next, floor)
	return w.catchUp(ctx, nil)
}

// catchUp takes in sensors and fresh rows that are in the file and not in memory, and calls each with the readings.
func (w *writer) catchUp(ctx context.Context, each func(pulse.Reading)) error {
	if err := w.loadSensors(ctx); err != nil {
		return err
	}
	return scanFresh(ctx, w.db, w.next, rowLimit, logDamaged(w.log), func(seq int64, n int, b *batch) error {
		w.next = seq + int64(n)
		for {
			id, body, ok, err := b.next()
			if !ok {
				return err
			}
			s := w.byID[id]
			if s == nil {
				return errDamaged
			}
			r := pulse.Reading{Sensor: s.name}
			if err := b.reading(&r, body); err != nil {
				return err
			}
			s.remember(r.At.UnixMilli())
			w.see(s, r)
			if each != nil {
				each(r)
			}
		}
	})
}

func (w *writer) loadSensors(ctx context.Context) error {
	rows, err := w.db.QueryContext(ctx, `SELECT id, name,
		(SELECT to_ms FROM store_block WHERE sensor = s.id ORDER BY from_ms DESC LIMIT 1) FROM store_sensor s`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		s := &sensor{}
		var to sql.NullInt64
		if err := rows.Scan(&s.id, &s.name, &to); err != nil {
			return err
		}
		if s.packedTo = noTime; to.Valid {
			s.packedTo = to.Int64
		}
		if w.sensors[s.name] == nil {
			w.add(s)
		}
	}
	return rows.Err()
}

func (w *writer) add(s *sensor) {
	w.seen.Lock()
	defer w.seen.Unlock()
	w.sensors[s.name], w.byID[s.id] = s, s
	w.lastID = max(w.lastID, s.id)
}

// see takes note of a stored reading that may be its sensor's latest. Where older ones are packed it may be known
// only in part: then what is in memory is the latest only when it is newer than all that is packed.
func (w *writer) see(s *sensor, r pulse.Reading) {
	if ms := r.At.UnixMilli(); ms < s.packedTo {
		return
	}
	w.seen.Lock()
	defer w.seen.Unlock()
	if s.latest.Sensor == "" || r.At.After(s.latest.At) {
		s.latest = r
	}
}

// remember notes that the sensor has a fresh reading at ms; false means that it had one already.
func (s *sensor) remember(ms int64) bool {
	if n := len(s.fresh); n == 0 || ms > s.fresh[n-1] {
		s.fresh = append(s.fresh, ms)
		return true
	}
	i, had := slices.BinarySearch(s.fresh, ms)
	if had {
		return false
	}
	s.fresh = slices.Insert(s.fresh, i, ms)
	return true
}

func (s *sensor) forget(ms int64) {
	if i, had := slices.BinarySearch(s.fresh, ms); had {
		s.fresh = slices.Delete(s.fresh, i, i+1)
	}
}

// Append stores readings and returns those that were new, in the order given, once they are safe on disk. A reading
// whose sensor and time (in milliseconds) are known already, or stand twice in rs, is left out: the first one stays.
//
// After an error nothing of rs is stored and the call may be repeated. In the rare case that the disk took a batch and
// reported failure, the repetition returns its readings as new, so that whoever follows the results sees each reading
// once. Once started, a commit is not interrupted by ctx.
func (db *DB) Append(ctx context.Context, rs []pulse.Reading) ([]pulse.Reading, error) {
	if db.w == nil {
		return nil, explain(errNoWriter, "append to", db.path)
	}
	for i := range rs {
		if rs[i].Sensor == "" {
			return nil, fmt.Errorf("append to %s: reading %d has no sensor", db.path, i)
		}
	}
	w := db.w
	w.mu.Lock()
	defer w.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	ctx = context.WithoutCancel(ctx)
	fresh, err := w.append(ctx, rs)
	return fresh, explain(err, "append to", db.path)
}

func (w *writer) append(ctx context.Context, rs []pulse.Reading) ([]pulse.Reading, error) {
	if err := w.settle(ctx); err != nil {
		return nil, err
	}
	b := intake{w: w}
	fresh, err := b.sift(ctx, rs)
	if err == nil {
		err = b.commit(ctx, fresh)
	}
	if err != nil {
		b.undo(fresh)
		return nil, err
	}
	for i := range fresh {
		w.see(b.sensors[i], fresh[i])
	}
	if w.found != nil {
		fresh, w.found = append(w.found, fresh...), nil
	}
	return fresh, nil
}

// settle finds out what became of a commit that could not be asked about when it failed. What it had stored goes out
// with the next Append.
func (w *writer) settle(ctx context.Context) error {
	if !w.unsure {
		return nil
	}
	err := w.catchUp(ctx, func(r pulse.Reading) { w.found = append(w.found, r) })
	w.unsure = err != nil
	return err
}

// intake is one Append under way.
type intake struct {
	w       *writer
	sensors []*sensor // of each new reading
	created []*sensor
	blocks  map[*sensor]packedTimes // the last one looked into, for late readings come in runs
}

// packedTimes are the times of the readings in the block that covers from to to.
type packedTimes struct {
	from, to int64
	at       []int64
}

// sift picks the readings that are new and remembers them.
func (b *intake) sift(ctx context.Context, rs []pulse.Reading) ([]pulse.Reading, error) {
	fresh := make([]pulse.Reading, 0, len(rs))
	b.sensors = make([]*sensor, 0, len(rs))
	for _, r := range rs {
		s, ms := b.sensor(r.Sensor), r.At.UnixMilli()
		if ms <= s.packedTo {
			packed, err := b.packed(ctx, s, ms)
			if err != nil {
				return fresh, err
			}
			if packed {
				continue
			}
		}
		if s.remember(ms) {
			b.sensors, fresh = append(b.sensors, s), append(fresh, r)
		}
	}
	return fresh, nil
}

func (b *intake) sensor(name pulse.SensorID) *sensor {
	s := b.w.sensors[name]
	if s == nil {
		s = &sensor{id: b.w.lastID + 1, name: name, packedTo: noTime}
		b.w.add(s)
		b.created = append(b.created, s)
	}
	return s
}

// packed reports whether a packed reading has this sensor and time. A day whose readings were let go counts as
// having them all.
func (b *intake) packed(ctx context.Context, s *sensor, ms int64) (bool, error) {
	if p, ok := b.blocks[s]; ok && p.from <= ms && ms <= p.to {
		_, had := slices.BinarySearch(p.at, ms)
		return had, nil
	}
	if ms < b.w.reduced {
		if gone, err := dayReduced(ctx, b.w.db, s.id, ms); gone || err != nil {
			return gone, err
		}
	}
	p := packedTimes{}
	var data []byte
	err := b.w.db.QueryRowContext(ctx, `SELECT from_ms, to_ms, data FROM store_block
		WHERE sensor = ? AND from_ms <= ? ORDER BY from_ms DESC LIMIT 1`, s.id, ms).Scan(&p.from, &p.to, &data)
	if errors.Is(err, sql.ErrNoRows) || err == nil && p.to < ms {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	at, err := b.w.scratch.times(data)
	if err != nil {
		// What the block had cannot be told any more. To store once too often is better than to lose.
		b.w.log.Error("packed block is damaged", "sensor", s.name, "from_ms", p.from, "err", err)
		return false, nil
	}
	p.at = slices.Clone(at)
	if b.blocks == nil {
		b.blocks = make(map[*sensor]packedTimes)
	}
	b.blocks[s] = p
	_, had := slices.BinarySearch(p.at, ms)
	return had, nil
}

// dayReduced reports whether the readings of the UTC day around ms were let go and only its hours kept.
func dayReduced(ctx context.Context, q queryer, id, ms int64) (gone bool, err error) {
	day := floorTo(ms, dayMS)
	err = q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM store_block
		WHERE sensor = ? AND from_ms >= ? AND from_ms < ? AND data IS NULL)`, id, day, day+dayMS).Scan(&gone)
	return gone, err
}

// commit writes the new readings in one transaction.
func (b *intake) commit(ctx context.Context, fresh []pulse.Reading) error {
	if len(fresh) == 0 {
		return nil
	}
	w := b.w
	tx, err := w.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, s := range b.created {
		if _, err := tx.ExecContext(ctx, `INSERT INTO store_sensor (id, name) VALUES (?, ?)`, s.id, string(s.name)); err != nil {
			return err
		}
	}
	insert := tx.StmtContext(ctx, w.insert)
	ids := make([]int64, 0, min(len(fresh), maxBatch))
	for i := 0; i < len(fresh); i += maxBatch {
		part := fresh[i:min(i+maxBatch, len(fresh))]
		ids = ids[:0]
		for _, s := range b.sensors[i : i+len(part)] {
			ids = append(ids, s.id)
		}
		if _, err := insert.ExecContext(ctx, w.next+int64(i), len(part), appendBatch(nil, ids, part)); err != nil {
			return err
		}
	}
	if err := tx.Commit(); err != nil {
		tx.Rollback()
		if !b.stored(ctx, w.next) {
			return err
		}
		w.log.Warn("commit reported failure but is stored", "err", err)
	}
	w.next += int64(len(fresh))
	return nil
}

// stored finds out whether a commit that reported failure went through.
func (b *intake) stored(ctx context.Context, seq int64) (yes bool) {
	err := b.w.db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM store_fresh WHERE seq = ?)`, seq).Scan(&yes)
	if err != nil {
		b.w.unsure = true
	}
	return yes
}

// undo takes back what sift remembered.
func (b *intake) undo(fresh []pulse.Reading) {
	for i := range fresh {
		b.sensors[i].forget(fresh[i].At.UnixMilli())
	}
	b.w.seen.Lock()
	defer b.w.seen.Unlock()
	for _, s := range b.created {
		delete(b.w.sensors, s.name)
		delete(b.w.byID, s.id)
		b.w.lastID--
	}
}
