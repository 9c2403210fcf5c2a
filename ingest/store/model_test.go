package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

// model is a store as simple as can be.
type model struct {
	at    map[pulse.SensorID]map[int64]pulse.Reading
	order []pulse.Reading
}

func (m *model) append(rs []pulse.Reading) (fresh []pulse.Reading) {
	fresh = []pulse.Reading{}
	for _, r := range rs {
		ms := r.At.UnixMilli()
		if _, had := m.at[r.Sensor][ms]; had {
			continue
		}
		if m.at[r.Sensor] == nil {
			m.at[r.Sensor] = make(map[int64]pulse.Reading)
		}
		m.at[r.Sensor][ms] = r
		fresh = append(fresh, r)
	}
	m.order = append(m.order, fresh...)
	return fresh
}

func (m *model) readings(name pulse.SensorID, from, to time.Time) (out []pulse.Reading) {
	for _, ms := range slices.Sorted(maps.Keys(m.at[name])) {
		r := m.at[name][ms]
		if !r.At.Before(from) && (to.IsZero() || r.At.Before(to)) {
			out = append(out, r)
		}
	}
	return out
}

// story drives a store and the model through the same random life.
type story struct {
	t    *testing.T
	rng  *rand.Rand
	path string
	db   *DB
	m    model
	now  time.Time
	log  []string
}

func (s *story) batch() []pulse.Reading {
	rs := make([]pulse.Reading, s.rng.IntN(60))
	for i := range rs {
		sensor := pulse.SensorID(fmt.Sprint("zone/", s.rng.IntN(5)))
		at := s.now
		switch s.rng.IntN(10) {
		case 0: // seen before, perhaps
			if n := len(s.m.order); n > 0 {
				known := s.m.order[s.rng.IntN(n)]
				sensor, at = known.Sensor, known.At
			}
		case 1: // late
			at = s.now.Add(-time.Duration(s.rng.Int64N(int64(10 * 24 * time.Hour)))).Truncate(time.Minute)
		case 2: // years late
			at = s.now.AddDate(-s.rng.IntN(4), 0, -s.rng.IntN(3)).Truncate(time.Hour)
		}
		rs[i] = pulse.Reading{Sensor: sensor, At: at, Arrived: s.now}
		for f := range pulse.NumFields {
			if s.rng.IntN(3) == 0 {
				rs[i].Set(f, float64(s.rng.IntN(10_000)))
			}
		}
		s.now = s.now.Add(time.Duration(s.rng.IntN(90_000)) * time.Millisecond)
	}
	return rs
}

func (s *story) step() {
	ctx := s.t.Context()
	switch k := s.rng.IntN(20); {
	case k < 14:
		rs := s.batch()
		want := s.m.append(rs)
		if diff := diffReadings(want, mustAppend(s.t, s.db, rs...)); diff != "" {
			s.t.Fatalf("%v\nnew ones of a batch (-want +got):\n%s", s.log, diff)
		}
		s.log = append(s.log, fmt.Sprint("append ", len(rs)))
	case k < 16:
		mustPack(s.t, s.db)
		s.log = append(s.log, "pack")
	case k < 18:
		// Everything is written to blocks but the rows are still there.
		cut, cancel := context.WithCancel(ctx)
		if err := s.db.Pack(cut, func(int64, int64) { cancel() }); err != nil && !errors.Is(err, context.Canceled) {
			s.t.Fatal(err)
		}
		cancel()
		s.log = append(s.log, "pack cut short")
	default:
		if err := s.db.Close(); err != nil {
			s.t.Fatal(err)
		}
		s.db = openAt(s.t, s.path)
		s.log = append(s.log, "open again")
	}
}

func (s *story) check() {
	s.checkTogether()
	for i := range 5 {
		name := pulse.SensorID(fmt.Sprint("zone/", i))
		from, to := time.Time{}, time.Time{}
		if s.rng.IntN(2) == 0 {
			from = s.now.Add(-time.Duration(s.rng.Int64N(int64(48 * time.Hour))))
			to = from.Add(time.Duration(s.rng.Int64N(int64(24 * time.Hour))))
		}
		if diff := diffReadings(s.m.readings(name, from, to), collect(s.t, s.db, name, from, to)); diff != "" {
			s.t.Fatalf("%v\n%s from %v to %v (-want +got):\n%.3000s", s.log, name, from, to, diff)
		}
		all := s.m.readings(name, time.Time{}, time.Time{})
		r, ok, err := s.db.Latest(s.t.Context(), name)
		if err != nil || ok != (len(all) > 0) || ok && !cmp.Equal(r, all[len(all)-1], sameReading) {
			s.t.Fatalf("%v\nlatest of %s is %v %v %v", s.log, name, r, ok, err)
		}
		s.checkBuckets(name)
	}
}

// checkTogether reads all sensors at once, and one that was never heard.
func (s *story) checkTogether() {
	names := []pulse.SensorID{"zone/none"}
	for i := range 5 {
		names = append(names, pulse.SensorID(fmt.Sprint("zone/", i)))
	}
	from := s.now.Add(-time.Duration(s.rng.Int64N(int64(48 * time.Hour))))
	to := from.Add(time.Duration(s.rng.Int64N(int64(24 * time.Hour))))
	got := collectEach(s.t, s.db, names, from, to)
	for _, name := range names {
		if diff := diffReadings(s.m.readings(name, from, to), got[name]); diff != "" {
			s.t.Fatalf("%v\n%s among all from %v to %v (-want +got):\n%.3000s", s.log, name, from, to, diff)
		}
	}
}

func (s *story) checkBuckets(name pulse.SensorID) {
	step := []time.Duration{7 * time.Minute, time.Hour, 90 * time.Minute, 24 * time.Hour}[s.rng.IntN(4)]
	to := s.now.Truncate(time.Hour).Add(time.Hour)
	from := to.Add(-5 * 24 * time.Hour)
	got, err := s.db.Buckets(s.t.Context(), name, pulse.EarthVolts, from, to, step)
	if err != nil {
		s.t.Fatal(err)
	}
	var want []Bucket
	rest := s.m.readings(name, from, to)
	for at := from; at.Before(to); at = at.Add(step) {
		end := at.Add(step)
		if end.After(to) {
			end = to
		}
		n := 0
		for n < len(rest) && rest[n].At.Before(end) {
			n++
		}
		if b := bucketOf(rest[:n], pulse.EarthVolts, at, end); b.N > 0 {
			want = append(want, b)
		}
		rest = rest[n:]
	}
	if diff := cmp.Diff(want, got, nearly); diff != "" {
		s.t.Fatalf("%v\n%s in steps of %v (-want +got):\n%s", s.log, name, step, diff)
	}
}

// nearly lets means differ by their rounding in heads.
var nearly = cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 0.001 })

// bucketOf sums up readings the plain way.
func bucketOf(rs []pulse.Reading, f pulse.Field, from, to time.Time) Bucket {
	b := Bucket{From: from, To: to}
	for i := range rs {
		v, ok := rs[i].Get(f)
		if !ok {
			continue
		}
		if b.N == 0 {
			b.Min, b.Max = v, v
		}
		b.N++
		b.Min, b.Max = min(b.Min, v), max(b.Max, v)
		b.Mean += (v - b.Mean) / float64(b.N)
	}
	return b
}

// TestStoreAgainstModel: what went in comes out, in order, once.
func TestStoreAgainstModel(t *testing.T) {
	for seed := range uint64(6) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			s := story{
				t: t, rng: rand.New(rand.NewPCG(seed, 42)), now: day0,
				path: filepath.Join(t.TempDir(), "night.db"),
				m:    model{at: make(map[pulse.SensorID]map[int64]pulse.Reading)},
			}
			s.db = openAt(t, s.path)
			if _, err := s.db.Follow(t.Context(), "mirror"); err != nil { // so that Since has all
				t.Fatal(err)
			}
			for range 10 {
				for range 6 {
					s.step()
				}
				s.check()
			}
			if diff := diffReadings(s.m.order, follow(t, s.db, 0, 1+s.rng.IntN(100))); diff != "" {
				t.Errorf("order of storing (-want +got):\n%.3000s", diff)
			}
		})
	}
}

// follow reads everything from a cursor on, some at a time.
func follow(t *testing.T, db *DB, c Cursor, limit int) (all []pulse.Reading) {
	t.Helper()
	for {
		rs, next, err := db.Since(t.Context(), c, limit)
		if err != nil {
			t.Fatal(err)
		}
		if len(rs) > limit {
			t.Fatalf("%d readings at once, want at most %d", len(rs), limit)
		}
		if next == c {
			return all
		}
		all, c = append(all, rs...), next
	}
}

// TestManyInADay packs more of a day than a block holds, in order, then out of order.
func TestManyInADay(t *testing.T) {
	db := openTemp(t)
	rng := rand.New(rand.NewPCG(9, 9))
	rs := make([]pulse.Reading, 5*maxBlock)
	for i := range rs {
		rs[i] = volts("a", day0.Add(time.Duration(i)*7*time.Second), float64(rng.IntN(8000)))
	}
	for i := 0; i < len(rs); i += 1500 {
		mustAppend(t, db, rs[i:min(i+1500, len(rs))]...)
		mustPack(t, db)
	}
	late := make([]pulse.Reading, 0, 600)
	for _, i := range rng.Perm(len(rs))[:cap(late)] {
		late = append(late, volts("a", rs[i].At.Add(time.Second), 1))
	}
	mustAppend(t, db, late...)
	mustPack(t, db)
	if fresh := mustAppend(t, db, slices.Concat(late, rs)...); len(fresh) != 0 {
		t.Errorf("%d known readings were taken for new", len(fresh))
	}
	want := once(slices.Concat(rs, late))
	if diff := diffReadings(want, collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("(-want +got):\n%.2000s", diff)
	}
	checkBlocks(t, db)
}

// checkBlocks checks what the schema promises of blocks.
func checkBlocks(t *testing.T, db *DB) {
	t.Helper()
	rows, err := db.read.QueryContext(t.Context(), `SELECT sensor, from_ms, to_ms, n FROM store_block ORDER BY sensor, from_ms`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var lastSensor, lastTo int64 = -1, 0
	for rows.Next() {
		var sensor, from, to int64
		var n int
		if err := rows.Scan(&sensor, &from, &to, &n); err != nil {
			t.Fatal(err)
		}
		if sensor == lastSensor && from <= lastTo {
			t.Errorf("blocks of sensor %d overlap at %d", sensor, from)
		}
		if floorTo(from, dayMS) != floorTo(to, dayMS) || n < 1 || n > maxBlock {
			t.Errorf("block of sensor %d from %d to %d has %d readings", sensor, from, to, n)
		}
		lastSensor, lastTo = sensor, to
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
}

// TestManySensorsAndRows packs in several groups and spans.
func TestManySensorsAndRows(t *testing.T) {
	db := openTemp(t)
	const sensors, each = 1000, 30
	want := make(map[pulse.SensorID]int)
	for i := range each {
		rs := make([]pulse.Reading, sensors)
		for k := range rs {
			rs[k] = volts(pulse.SensorID(fmt.Sprint("s", k)), day0.Add(time.Duration(i)*time.Minute), float64(k))
			want[rs[k].Sensor]++
		}
		mustAppend(t, db, rs...)
	}
	mustAppend(t, db, series(rand.New(rand.NewPCG(1, 1)), "long", day0, packReadings+10_000, 0)...)
	var last, total int64
	if err := db.Pack(t.Context(), func(done, of int64) {
		if done < last || done > of {
			t.Errorf("progress went from %d to %d of %d", last, done, of)
		}
		last, total = done, of
	}); err != nil {
		t.Fatal(err)
	}
	if last != total || total != sensors*each+packReadings+10_000 {
		t.Errorf("packed %d of %d", last, total)
	}
	for _, k := range []int{0, 1, 17, sensors - 1} {
		name := pulse.SensorID(fmt.Sprint("s", k))
		if n := len(collect(t, db, name, time.Time{}, time.Time{})); n != each {
			t.Errorf("%s has %d readings, want %d", name, n, each)
		}
	}
	if n := len(collect(t, db, "long", time.Time{}, time.Time{})); n != packReadings+10_000 {
		t.Errorf("the long one has %d readings", n)
	}
	var rows int
	if err := db.read.QueryRowContext(t.Context(), `SELECT count(*) FROM store_fresh`).Scan(&rows); err != nil || rows != 0 {
		t.Errorf("%d rows are left, %v", rows, err)
	}
	checkBlocks(t, db)
}
