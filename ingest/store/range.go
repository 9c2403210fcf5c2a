package store

import (
	"context"
	"database/sql"
	"iter"
	"math"
	"slices"
	"time"

	"nightwire/ingest/pulse"
)

// pageReadings is about how many readings Range unpacks at a time: some 2 MB.
const pageReadings = 8 * maxBlock

// ceilMS returns t in milliseconds, rounded up, so that from ≤ time < to holds for readings in whole milliseconds.
func ceilMS(t time.Time) int64 {
	ms := t.UnixMilli()
	if time.UnixMilli(ms).Before(t) {
		ms++
	}
	return ms
}

// window turns from and to into milliseconds; a zero to is no end.
func window(from, to time.Time) (fromMS, toMS int64) {
	if to.IsZero() {
		return ceilMS(from), math.MaxInt64
	}
	return ceilMS(from), ceilMS(to)
}

// Range returns a sensor's readings with from ≤ At < to, in order of time and each once, whether packed or not. A zero
// from is the beginning, a zero to is no end. An error stands for what could not be read; unless it is a damaged block
// (ErrCorrupt), after which the loop may go on, it is the last. The loop may take its time: between pages nothing in
// the file is held.
func (db *DB) Range(ctx context.Context, name pulse.SensorID, from, to time.Time) iter.Seq2[pulse.Reading, error] {
	return func(yield func(pulse.Reading, error) bool) {
		p := pager{db: db, name: name, coarsest: keptReadings, freshFrom: db.w.freshFrom(name)}
		p.from, p.to = window(from, to)
		p.singles(ctx, yield)
	}
}

// Row is a reading, or what is left of the readings of a minute or an hour.
type Row struct {
	pulse.Reading       // for a stretch, the means
	Thin          *Thin // nil for a reading
}

// Thin says what the readings of a minute or an hour were of which no single ones are kept.
type Thin struct {
	Unit      time.Duration // a minute or an hour, in which the row's At lies
	Low, High pulse.Reading // of each field
	N         [pulse.NumFields]int
}

// Until returns where the time that the row stands for ends; of a reading that is when it was measured.
func (r *Row) Until() time.Time {
	if r.Thin == nil {
		return r.At
	}
	return r.At.Truncate(r.Thin.Unit).Add(r.Thin.Unit)
}

// Rows is Range which, where retention has let single readings go, gives the minutes or hours that were kept instead.
// A minute or hour belongs to the range in which it begins; an hour of two blocks comes in two parts.
func (db *DB) Rows(ctx context.Context, name pulse.SensorID, from, to time.Time) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		p := pager{db: db, name: name, coarsest: keptHours, freshFrom: db.w.freshFrom(name)}
		p.from, p.to = window(from, to)
		p.run(ctx, func(r *pulse.Reading, of *Thin, err error) bool { return yield(Row{*r, of}, err) })
	}
}

// RangeEach calls do for one sensor after the other, with what Range gives for it; to be ranged over once, before do
// returns. What is not packed yet is gone through once for all of them instead of once for each.
func (db *DB) RangeEach(ctx context.Context, names []pulse.SensorID, from, to time.Time, do func(pulse.SensorID, iter.Seq2[pulse.Reading, error])) error {
	fromMS, toMS := window(from, to)
	ids, of := make(map[pulse.SensorID]int64, len(names)), make(map[int64]pulse.SensorID, len(names))
	var fresh map[int64][]pulse.Reading
	err := db.snapshot(ctx, func(tx *sql.Tx) error {
		for _, name := range names {
			id, ok, err := sensorID(ctx, tx, name)
			if err != nil {
				return err
			}
			if ok {
				ids[name], of[id] = id, name
			}
		}
		var err error
		fresh, err = db.freshOf(ctx, tx, of, fromMS, toMS)
		return err
	})
	if err != nil {
		return explain(err, "read from", db.path)
	}
	for _, name := range names {
		id, known := ids[name]
		p := pager{db: db, name: name, coarsest: keptReadings, from: fromMS, to: toMS, id: id, fresh: fresh[id], done: !known}
		do(name, func(yield func(pulse.Reading, error) bool) { p.singles(ctx, yield) })
	}
	return nil
}

// pager reads a range page by page.
type pager struct {
	db       *DB
	name     pulse.SensorID
	coarsest kept
	from, to int64 // what is still to be read

	freshFrom int64 // nothing older is fresh

	id      int64           // 0 before the first page, unless what is fresh is known already
	fresh   []pulse.Reading // not packed when the first page was read, and not given out yet
	packed  []pulse.Reading // the page
	thin    []*Thin         // of each, as far as there are any
	horizon int64           // where the page ends
	damaged []error
	done    bool
	unpack  unpacker
}

// singles gives out single readings, page after page.
func (p *pager) singles(ctx context.Context, yield func(pulse.Reading, error) bool) {
	p.run(ctx, func(r *pulse.Reading, _ *Thin, err error) bool { return yield(*r, err) })
}

// giver takes a reading, what it stands for if that is more than itself, or an error.
type giver func(r *pulse.Reading, of *Thin, err error) bool

func (p *pager) run(ctx context.Context, give giver) {
	page, ok := p.db.pages.Get().(*[]pulse.Reading) // making one takes as long as unpacking into it
	if !ok {
		page = new([]pulse.Reading)
	}
	p.packed = *page
	defer func() { *page = p.packed; p.db.pages.Put(page) }()
	for !p.done {
		err := p.db.snapshot(ctx, func(tx *sql.Tx) error { return p.page(ctx, tx) })
		if err != nil {
			give(&pulse.Reading{}, nil, explain(err, "read from", p.db.path))
			return
		}
		if !p.yield(give) {
			return
		}
	}
}

// page reads the next page. Fresh readings are taken with the first one; if they are packed before the last one they
// are met again in a block, and yield leaves them out.
func (p *pager) page(ctx context.Context, tx *sql.Tx) (err error) {
	if p.id == 0 {
		var ok bool
		if p.id, ok, err = sensorID(ctx, tx, p.name); err != nil || !ok {
			p.done = true
			return err
		}
		if p.freshFrom < p.to {
			if p.fresh, err = p.db.freshOfOne(ctx, tx, p.id, p.name, p.from, p.to); err != nil {
				return err
			}
		}
	}
	rows, err := tx.QueryContext(ctx, `SELECT from_ms, to_ms, kept, CASE kept WHEN 2 THEN head ELSE data END
		FROM store_block WHERE sensor = ?1 AND kept <= ?4 AND from_ms >= coalesce((SELECT max(from_ms) FROM store_block WHERE sensor = ?1 AND from_ms <= ?2), ?2)
		AND from_ms < ?3 AND to_ms >= ?2 ORDER BY from_ms`, p.id, p.from, p.to, p.coarsest)
	if err != nil {
		return err
	}
	defer rows.Close()
	p.packed, p.thin, p.damaged = p.packed[:0], nil, p.damaged[:0]
	for len(p.packed) < pageReadings {
		if !rows.Next() {
			p.horizon, p.done = p.to, true
			return rows.Err()
		}
		var (
			fromMS, toMS int64
			kept         kept
			data         sql.RawBytes
		)
		if err := rows.Scan(&fromMS, &toMS, &kept, &data); err != nil {
			return err
		}
		p.horizon = toMS + 1
		if err := p.open(fromMS, kept, data); err != nil {
			p.damaged = append(p.damaged, explain(err, "read a block of "+string(p.name)+" from", p.db.path))
		}
	}
	return nil
}

// open adds what a block has to the page.
func (p *pager) open(from int64, has kept, data []byte) (err error) {
	unit := time.Minute
	switch has {
	case keptReadings:
		p.packed, err = p.unpack.readings(p.packed, p.name, data)
		return err
	case keptHours:
		unit = time.Hour
	}
	rows, err := p.unpack.rows(p.name, from, unit, data)
	p.thin = append(p.thin, make([]*Thin, len(p.packed)-len(p.thin))...)
	for _, r := range rows {
		p.packed, p.thin = append(p.packed, r.Reading), append(p.thin, r.Thin)
	}
	return err
}

// yield gives out the page, merged with the fresh readings that fall into it.
func (p *pager) yield(give giver) bool {
	p.horizon = min(p.horizon, p.to)
	from, horizon := time.UnixMilli(p.from), time.UnixMilli(p.horizon)
	first, _ := slices.BinarySearchFunc(p.packed, from, func(r pulse.Reading, t time.Time) int { return r.At.Compare(t) })
	packed, thin := p.packed[first:], p.thin[min(first, len(p.thin)):]
	for {
		fresh := len(p.fresh) > 0 && p.fresh[0].At.Before(horizon)
		old := len(packed) > 0 && packed[0].At.Before(horizon)
		var (
			r  *pulse.Reading
			of *Thin
		)
		switch {
		case fresh && (!old || p.fresh[0].At.Before(packed[0].At)):
			r, p.fresh = &p.fresh[0], p.fresh[1:]
		case old:
			if fresh && p.fresh[0].At.Equal(packed[0].At) {
				p.fresh = p.fresh[1:]
			}
			r, packed = &packed[0], packed[1:]
			if len(thin) > 0 {
				of, thin = thin[0], thin[1:]
			}
		default:
			p.from = p.horizon
			return p.yieldDamage(give)
		}
		if !give(r, of, nil) {
			return false
		}
	}
}

// yieldDamage says what of the page could not be read.
func (p *pager) yieldDamage(give giver) bool {
	for _, err := range p.damaged {
		if !give(&pulse.Reading{}, nil, err) {
			return false
		}
	}
	return true
}
