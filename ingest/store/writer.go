package store

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"math"
	"slices"
	"sync"
	"sync/atomic"

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
	oldest   atomic.Int64  // the first of fresh, noTimeYet without any; for readers
	latest   pulse.Reading // Sensor is empty while it is not known
}

func newSensor(id int64, name pulse.SensorID, packedTo int64) *sensor {
	s := &sensor{id: id, name: name, packedTo: packedTo}
	s.setFresh(nil)
	return s
}

// setFresh takes ms for the times of the readings not packed yet.
func (s *sensor) setFresh(ms []int64) {
	s.fresh = ms
	oldest := int64(noTimeYet)
	if len(ms) > 0 {
		oldest = ms[0]
	}
	if s.oldest.Load() != oldest {
		s.oldest.Store(oldest)
	}
}

const (
	noTime    = math.MinInt64
	noTimeYet = math.MaxInt64
)

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
	return w.catchUp(ctx, nil)
}

// catchUp takes in sensors and fresh rows that are in the file and not in memory, and calls each with the readings.
func (w *writer) catchUp(ctx context.Context, each func(pulse.Reading)) error {
	if err := w.loadSensors(ctx); err != nil {
		return err
	}
	err := scanFresh(ctx, w.db, w.next, rowLimit, logDamaged(w.log), func(_ int64, _ int, b *batch) error {
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
	if err != nil {
		return err
	}
	_, w.next, err = bounds(ctx, w.db) // damaged rows count too
	return err
}

func (w *writer) loadSensors(ctx context.Context) error {
	rows, err := w.db.QueryContext(ctx, `SELECT id, name,
		(SELECT to_ms FROM store_block WHERE sensor = s.id ORDER BY from_ms DESC LIMIT 1) FROM store_sensor s`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var (
			id   int64
			name pulse.SensorID
			to   sql.NullInt64
		)
		if err := rows.Scan(&id, &name, &to); err != nil {
			return err
		}
		packedTo := int64(noTime)
		if to.Valid {
			packedTo = to.Int64
		}
		if w.sensors[name] == nil {
			w.add(newSensor(id, name, packedTo))
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
		s.setFresh(append(s.fresh, ms))
		return true
	}
	i, had := slices.BinarySearch(s.fresh, ms)
	if had {
		return false
	}
	s.setFresh(slices.Insert(s.fresh, i, ms))
	return true
}

func (s *sensor) forget(ms int64) {
	if i, had := slices.BinarySearch(s.fresh, ms); had {
		s.setFresh(slices.Delete(s.fresh, i, i+1))
	}
}

// freshFrom returns the time of a sensor's oldest reading that is not packed, in milliseconds; what is older need not be
// looked for among the fresh ones, all of which have to be gone through. It is to be asked before a snapshot is begun:
// what is packed between the two is in the blocks that the snapshot sees.
func (w *writer) freshFrom(name pulse.SensorID) int64 {
	if w == nil {
		return noTime // not known
	}
	w.seen.RLock()
	defer w.seen.RUnlock()
	if s := w.sensors[name]; s != nil {
		return s.oldest.Load()
	}
	return noTimeYet
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

// latest returns the latest reading of a sensor from memory; its Sensor is empty when it is not there.
func (w *writer) latest(name pulse.SensorID) pulse.Reading {
	if w == nil {
		return pulse.Reading{}
	}
	w.seen.RLock()
	defer w.seen.RUnlock()
	if s := w.sensors[name]; s != nil {
		return s.latest
	}
	return pulse.Reading{}
}

// name returns the name of the sensor with the given number, or "" when it is not in memory.
func (w *writer) name(id int64) pulse.SensorID {
	if w == nil {
		return ""
	}
	w.seen.RLock()
	defer w.seen.RUnlock()
	if s := w.byID[id]; s != nil {
		return s.name
	}
	return ""
}

// note keeps a sensor's latest reading in memory, once it had to be read from the file.
func (w *writer) note(r pulse.Reading) {
	if w == nil || r.Sensor == "" {
		return
	}
	w.seen.Lock()
	defer w.seen.Unlock()
	if s := w.sensors[r.Sensor]; s != nil && s.latest.Sensor == "" {
		s.latest = r
	}
}
