package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"sort"
	"time"

	"nightwire/ingest/pulse"
)

// Bucket says what one field did from From up to To.
type Bucket struct {
	From, To       time.Time
	N              int // readings that carry the field, never 0
	Min, Max, Mean float64
}

// maxBuckets bounds what one query may ask for.
const maxBuckets = 100_000

// Buckets returns what field f of a sensor did in each step of time from from up to to. Steps without such readings
// are left out. Steps of whole UTC hours are read from the heads of blocks where possible. Where retention has kept
// only minutes or hours, each counts to the step in which it begins.
func (db *DB) Buckets(ctx context.Context, name pulse.SensorID, f pulse.Field, from, to time.Time, step time.Duration) ([]Bucket, error) {
	if step < time.Millisecond || to.Sub(from)/step >= maxBuckets {
		return nil, fmt.Errorf("read from %s: a step of %v makes too many parts of %v", db.path, step, to.Sub(from))
	}
	var edges []time.Time
	for t := from; t.Before(to); t = t.Add(step) {
		edges = append(edges, t)
	}
	return db.tally(ctx, name, f, append(edges, to))
}

// Daily returns what field f of a sensor did on each day of loc that from up to to touches, whole days. Days without
// such readings are left out. A day has 23 or 25 hours when the clocks change.
func (db *DB) Daily(ctx context.Context, name pulse.SensorID, f pulse.Field, from, to time.Time, loc *time.Location) ([]Bucket, error) {
	y, m, d := from.In(loc).Date()
	var edges []time.Time
	for {
		edge := midnight(y, m, d, loc)
		edges = append(edges, edge)
		if !edge.Before(to) || len(edges) > maxBuckets {
			break
		}
		d++
	}
	return db.tally(ctx, name, f, edges)
}

// midnight returns the first moment of a day. Where the clocks go forward at midnight that is later than 00:00, and
// where they go back over it, the first of two.
func midnight(y int, m time.Month, d int, loc *time.Location) time.Time {
	want := time.Date(y, m, d, 12, 0, 0, 0, loc).Day() // d may be beyond the month's end
	t := time.Date(y, m, d, 0, 0, 0, 0, loc)
	for t.Day() != want {
		t = t.Add(15 * time.Minute) // all offsets ever in force since 1972 are multiples of it; from memory, tz database
	}
	for before := t.Add(-15 * time.Minute); before.Day() == want; before = t.Add(-15 * time.Minute) {
		t = before
	}
	return t
}

// tally sums up field f between neighbouring edges.
func (db *DB) tally(ctx context.Context, name pulse.SensorID, f pulse.Field, edges []time.Time) ([]Bucket, error) {
	if len(edges) < 2 {
		return nil, nil
	}
	g := gauge{db: db, name: name, field: f, tallies: make([]tally, len(edges)-1), freshFrom: db.w.freshFrom(name)}
	for _, e := range edges {
		g.edges = append(g.edges, ceilMS(e))
	}
	err := db.snapshot(ctx, func(tx *sql.Tx) error { return g.read(ctx, tx) })
	if err != nil {
		return nil, explain(err, "read from", db.path)
	}
	var out []Bucket
	for i, t := range g.tallies {
		if t.n > 0 {
			out = append(out, Bucket{From: edges[i], To: edges[i+1], N: t.n, Min: t.min, Max: t.max, Mean: t.mean})
		}
	}
	return out, nil
}

// gauge is a tally under way.
type gauge struct {
	db      *DB
	name    pulse.SensorID
	field   pulse.Field
	edges   []int64 // ascending, milliseconds
	tallies []tally // one fewer
	last    int     // where the last reading went; the next mostly goes there too
	fresh   []value // not packed yet, in order of time
	unpack  unpacker

	freshFrom int64 // nothing older is fresh
	units     []unitTally
}

// place returns the index of the part that ms falls into, or -1.
func (g *gauge) place(ms int64) int {
	if ms < g.edges[0] || ms >= g.edges[len(g.edges)-1] {
		return -1
	}
	if ms < g.edges[g.last] || ms >= g.edges[g.last+1] {
		g.last = sort.Search(len(g.edges), func(i int) bool { return g.edges[i] > ms }) - 1
	}
	return g.last
}

func (g *gauge) add(ms int64, t tally) {
	if i := g.place(ms); i >= 0 {
		g.tallies[i].add(t)
	}
}

// blockHead is a block without its readings.
type blockHead struct {
	id, from, to int64
	head         []byte
	kept         kept
}

func (g *gauge) read(ctx context.Context, tx *sql.Tx) error {
	id, ok, err := sensorID(ctx, tx, g.name)
	if err != nil || !ok {
		return err
	}
	from, to := g.edges[0], g.edges[len(g.edges)-1]
	if g.freshFrom < to {
		if g.fresh, err = g.db.freshValues(ctx, tx, id, g.field, from, to); err != nil {
			return err
		}
	}
	heads, err := blockHeads(ctx, tx, id, from, to)
	if err != nil {
		return err
	}
	stmt, err := tx.PrepareContext(ctx, `SELECT data FROM store_block WHERE id = ?`)
	if err != nil {
		return err
	}
	defer stmt.Close()
	for _, h := range heads {
		err := g.block(ctx, stmt, h)
		if errors.Is(err, errDamaged) { // the rest of the season is worth seeing
			g.db.log.Error("packed block is damaged", "sensor", g.name, "from_ms", h.from, "err", err)
			continue
		}
		if err != nil {
			return err
		}
	}
	for _, f := range g.fresh {
		g.add(f.at, tally{n: 1, min: f.v, max: f.v, mean: f.v})
	}
	return nil
}

func blockHeads(ctx context.Context, tx *sql.Tx, id, from, to int64) (heads []blockHead, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT id, from_ms, to_ms, head, kept FROM store_block WHERE sensor = ?1
		AND from_ms >= coalesce((SELECT max(from_ms) FROM store_block WHERE sensor = ?1 AND from_ms <= ?2), ?2)
		AND from_ms < ?3 AND to_ms >= ?2 ORDER BY from_ms`, id, from, to)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var h blockHead
		if err := rows.Scan(&h.id, &h.from, &h.to, &h.head, &h.kept); err != nil {
			return nil, err
		}
		heads = append(heads, h)
	}
	return heads, rows.Err()
}

// block adds a block: by its head when no hour of it lies across an edge, else by what it still has beside.
func (g *gauge) block(ctx context.Context, data *sql.Stmt, h blockHead) (err error) {
	if g.units, err = g.unpack.summary(g.units[:0], h.head, g.field); err != nil {
		return err
	}
	overlap := h.kept == keptReadings && g.freshWithin(h.from, h.to)
	if h.kept == keptHours || !overlap && g.fits(h) {
		g.addUnits(h)
		return nil
	}
	var b []byte
	if err := data.QueryRowContext(ctx, h.id).Scan(&b); err != nil {
		return err
	}
	if h.kept == keptMinutes {
		g.units, err = g.unpack.summary(g.units[:0], b, g.field)
		g.addUnits(h)
		return err
	}
	if overlap {
		if err := g.dropFresh(b); err != nil {
			return err
		}
	}
	at, vals, err := g.unpack.field(b, g.field)
	g.addAll(at, vals)
	return err
}

// addUnits adds the hours or minutes of a block.
func (g *gauge) addUnits(h blockHead) {
	for _, u := range g.units {
		g.add(max(u.from, h.from), u.tally)
	}
}

// addAll adds values in order of time, a stretch that falls into one part at a time.
func (g *gauge) addAll(at []int64, vals []float64) {
	for i := 0; i < len(at); {
		p := g.place(at[i])
		if p < 0 {
			i++
			continue
		}
		t := tally{min: vals[i], max: vals[i]}
		sum := 0.0
		for end := g.edges[p+1]; i < len(at) && at[i] < end; i++ {
			v := vals[i]
			t.n, t.min, t.max = t.n+1, min(t.min, v), max(t.max, v)
			sum += v
		}
		t.mean = sum / float64(t.n)
		g.tallies[p].add(t)
	}
}

// fits reports whether each hour of a block lies within one part.
func (g *gauge) fits(h blockHead) bool {
	for _, hour := range g.units {
		first := g.place(max(hour.from, h.from))
		if g.place(min(hour.from+hourMS-1, h.to)) != first {
			return false
		}
	}
	return true
}

// freshWithin reports whether a reading that is not packed yet lies within a block.
func (g *gauge) freshWithin(from, to int64) bool {
	i := sort.Search(len(g.fresh), func(i int) bool { return g.fresh[i].at >= from })
	return i < len(g.fresh) && g.fresh[i].at <= to
}

// dropFresh leaves out those fresh readings that the block has too: packing was interrupted, or is under way.
func (g *gauge) dropFresh(data []byte) error {
	at, err := g.unpack.times(data)
	if err != nil {
		return err
	}
	g.fresh = slices.DeleteFunc(g.fresh, func(f value) bool {
		_, had := slices.BinarySearch(at, f.at)
		return had
	})
	return nil
}
