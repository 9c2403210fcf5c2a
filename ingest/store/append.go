package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"nightwire/ingest/pulse"
)

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
		s = newSensor(b.w.lastID+1, name, noTime)
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

// dayReduced reports whether the single readings of the UTC day around ms were let go.
func dayReduced(ctx context.Context, q queryer, id, ms int64) (gone bool, err error) {
	day := floorTo(ms, dayMS)
	err = q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM store_block
		WHERE sensor = ? AND from_ms >= ? AND from_ms < ? AND kept > 0)`, id, day, day+dayMS).Scan(&gone)
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
