package store

import (
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

// day0 is a winter midnight, UTC.
var day0 = time.Date(2026, 1, 12, 0, 0, 0, 0, time.UTC)

// sameReading lets cmp see what a reading carries.
var sameReading = cmp.AllowUnexported(pulse.Reading{})

// diffReadings is cmp.Diff for readings, but quick when they are the same: there are many.
func diffReadings(want, got []pulse.Reading) string {
	if slices.Equal(want, got) {
		return ""
	}
	return cmp.Diff(want, got, sameReading)
}

func openAt(t testing.TB, path string) *DB {
	t.Helper()
	db, err := Open(t.Context(), Options{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return db
}

func openTemp(t testing.TB) *DB {
	t.Helper()
	return openAt(t, filepath.Join(t.TempDir(), "night.db"))
}

// volts makes a reading that carries only the peak.
func volts(sensor pulse.SensorID, at time.Time, v float64) pulse.Reading {
	r := pulse.Reading{Sensor: sensor, At: at, Arrived: at}
	r.Set(pulse.Volts, v)
	return r
}

func mustAppend(t testing.TB, db *DB, rs ...pulse.Reading) []pulse.Reading {
	t.Helper()
	fresh, err := db.Append(t.Context(), rs)
	if err != nil {
		t.Fatal(err)
	}
	return fresh
}

func mustPack(t testing.TB, db *DB) {
	t.Helper()
	if err := db.Pack(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
}

func collect(t testing.TB, db *DB, sensor pulse.SensorID, from, to time.Time) []pulse.Reading {
	t.Helper()
	var out []pulse.Reading
	for r, err := range db.Range(t.Context(), sensor, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

// collectEach is collect for many sensors.
func collectEach(t testing.TB, db *DB, sensors []pulse.SensorID, from, to time.Time) map[pulse.SensorID][]pulse.Reading {
	t.Helper()
	out := make(map[pulse.SensorID][]pulse.Reading)
	err := db.RangeEach(t.Context(), sensors, from, to, func(name pulse.SensorID, rs iter.Seq2[pulse.Reading, error]) {
		for r, err := range rs {
			if err != nil {
				t.Fatal(err)
			}
			out[name] = append(out[name], r)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// series makes n readings of a zone as sensors send them: once a minute give or take, in steps of 10 V, with noise of
// one in a hundred about a level.
func series(rng *rand.Rand, sensor pulse.SensorID, start time.Time, n int, jitter time.Duration) []pulse.Reading {
	rs := make([]pulse.Reading, n)
	for i := range rs {
		at := start.Add(time.Duration(i) * time.Minute)
		if jitter > 0 {
			at = at.Add(time.Duration(rng.Int64N(int64(2*jitter))) - jitter).Truncate(time.Millisecond)
		}
		v := 7400 * (1 + rng.NormFloat64()*0.01)
		rs[i] = volts(sensor, at, float64(int(v/10))*10)
	}
	return rs
}

// full adds everything that a sensor can send.
func full(rng *rand.Rand, rs []pulse.Reading) []pulse.Reading {
	for i := range rs {
		r := &rs[i]
		r.Arrived = r.At.Add(time.Duration(40+rng.IntN(400)) * time.Millisecond)
		r.Set(pulse.Pulses, float64(46+rng.IntN(2)))
		r.Set(pulse.IntervalMS, 1300+float64(rng.IntN(5)))
		r.Set(pulse.SupplyVolts, float64(1270-i/200+rng.IntN(3))/100)
		r.Set(pulse.EarthVolts, float64(180+10*rng.IntN(8)))
		r.Set(pulse.BatteryVolts, float64(3610-i/500+rng.IntN(4))/1000)
		r.Set(pulse.RSSI, float64(-71-rng.IntN(6)))
		r.Set(pulse.Seq, float64(i))
	}
	return rs
}

func TestAppendTellsNewFromKnown(t *testing.T) {
	const brook, hazel = "alder-bank/zone/brook", "alder-bank/zone/hazel"
	at := func(s int) time.Time { return day0.Add(time.Duration(s) * time.Second) }
	old := volts(brook, at(-400*86400), 5000)
	steps := []struct {
		name  string
		pack  bool
		give  []pulse.Reading
		fresh []pulse.Reading
	}{
		{name: "nothing", give: nil, fresh: []pulse.Reading{}},
		{name: "first", give: []pulse.Reading{volts(brook, at(0), 7000)}, fresh: []pulse.Reading{volts(brook, at(0), 7000)}},
		{name: "the same again with another value", give: []pulse.Reading{volts(brook, at(0), 1)}, fresh: []pulse.Reading{}},
		{name: "same time, another sensor", give: []pulse.Reading{volts(hazel, at(0), 6000)}, fresh: []pulse.Reading{volts(hazel, at(0), 6000)}},
		{
			name:  "twice in one batch",
			give:  []pulse.Reading{volts(brook, at(2), 1), volts(brook, at(2), 2), volts(brook, at(1), 3), volts(brook, at(2), 4)},
			fresh: []pulse.Reading{volts(brook, at(2), 1), volts(brook, at(1), 3)},
		},
		{name: "packed and again", pack: true, give: []pulse.Reading{volts(brook, at(2), 9)}, fresh: []pulse.Reading{}},
		{name: "late, between packed ones", give: []pulse.Reading{volts(brook, at(1).Add(time.Millisecond), 9)}, fresh: []pulse.Reading{volts(brook, at(1).Add(time.Millisecond), 9)}},
		{name: "a year late", give: []pulse.Reading{old}, fresh: []pulse.Reading{old}},
		{name: "a year late, packed and again", pack: true, give: []pulse.Reading{old, old}, fresh: []pulse.Reading{}},
	}
	db := openTemp(t)
	for _, step := range steps {
		if step.pack {
			mustPack(t, db)
		}
		if diff := diffReadings(step.fresh, mustAppend(t, db, step.give...)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", step.name, diff)
		}
	}
	want := []pulse.Reading{old, volts(brook, at(0), 7000), volts(brook, at(1), 3), volts(brook, at(1).Add(time.Millisecond), 9), volts(brook, at(2), 1)}
	if diff := diffReadings(want, collect(t, db, brook, time.Time{}, time.Time{})); diff != "" {
		t.Errorf("range (-want +got):\n%s", diff)
	}
}

func TestAppendWantsASensor(t *testing.T) {
	db := openTemp(t)
	if _, err := db.Append(t.Context(), []pulse.Reading{volts("a", day0, 1), volts("", day0, 1)}); err == nil {
		t.Error("a reading without a sensor was taken")
	}
	if rs := collect(t, db, "a", time.Time{}, time.Time{}); len(rs) != 0 {
		t.Errorf("part of a refused batch was stored: %v", rs)
	}
}

func TestRangeBounds(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, volts("a", day0, 1), volts("a", day0.Add(time.Second), 2))
	mustPack(t, db)
	mustAppend(t, db, volts("a", day0.Add(2*time.Second), 3), volts("a", day0.Add(3*time.Second), 4))
	tests := []struct {
		name     string
		from, to time.Time
		want     []float64
	}{
		{"all", time.Time{}, time.Time{}, []float64{1, 2, 3, 4}},
		{"from is inside", day0, time.Time{}, []float64{1, 2, 3, 4}},
		{"from between milliseconds", day0.Add(time.Microsecond), time.Time{}, []float64{2, 3, 4}},
		{"to is outside", time.Time{}, day0.Add(3 * time.Second), []float64{1, 2, 3}},
		{"to between milliseconds", time.Time{}, day0.Add(3*time.Second + 1), []float64{1, 2, 3, 4}},
		{"across the seam", day0.Add(time.Second), day0.Add(3 * time.Second), []float64{2, 3}},
		{"before", time.Time{}, day0, nil},
		{"after", day0.Add(time.Hour), time.Time{}, nil},
		{"backwards", day0.Add(time.Hour), day0, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []float64
			for _, r := range collect(t, db, "a", tt.from, tt.to) {
				v, _ := r.Get(pulse.Volts)
				got = append(got, v)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
	if rs := collect(t, db, "nobody", time.Time{}, time.Time{}); rs != nil {
		t.Errorf("a sensor that never was has %v", rs)
	}
}

func TestRangeMayBeLeft(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, series(rand.New(rand.NewPCG(1, 1)), "a", day0, 3000, 0)...)
	mustPack(t, db)
	for range 2 * readers { // left open, snapshots would use up the connections
		for range db.Range(t.Context(), "a", time.Time{}, time.Time{}) {
			break
		}
	}
	if n := len(collect(t, db, "a", time.Time{}, time.Time{})); n != 3000 {
		t.Errorf("got %d readings, want 3000", n)
	}
}

// TestRangeWhilePacking begins a range over many pages and packs, with late readings, before it is through.
func TestRangeWhilePacking(t *testing.T) {
	db := openTemp(t)
	rs := series(rand.New(rand.NewPCG(1, 2)), "a", day0, 3*pageReadings, 0)
	mustAppend(t, db, rs[:2*pageReadings]...)
	mustPack(t, db)
	mustAppend(t, db, rs[2*pageReadings:]...)
	var got []pulse.Reading
	for r, err := range db.Range(t.Context(), "a", time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		if got = append(got, r); len(got) == 10 {
			mustAppend(t, db, volts("a", day0.Add(-time.Hour), 1))
			mustPack(t, db)
		}
	}
	if diff := diffReadings(rs, got); diff != "" {
		t.Errorf("(-want +got):\n%.2000s", diff)
	}
}

func TestLatest(t *testing.T) {
	path := filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	check := func(name string, want float64) {
		t.Helper()
		ro, err := Open(t.Context(), Options{Path: path, ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer ro.Close()
		for kind, db := range map[string]*DB{"writer": db, "reader": ro} {
			r, ok, err := db.Latest(t.Context(), "a")
			if v, _ := r.Get(pulse.Volts); err != nil || ok != (want != 0) || v != want {
				t.Errorf("%s, %s: got %v %v %v, want %v", name, kind, v, ok, err, want)
			}
			all, err := db.LatestAll(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			var wantAll []pulse.Reading
			if ok {
				wantAll = []pulse.Reading{r, volts("b", day0, 7)}
			}
			if diff := diffReadings(wantAll, all); diff != "" {
				t.Errorf("%s, %s, all (-want +got):\n%s", name, kind, diff)
			}
		}
	}
	check("empty", 0)
	mustAppend(t, db, volts("b", day0, 7), volts("a", day0.Add(time.Minute), 2), volts("a", day0, 1))
	check("fresh", 2)
	mustPack(t, db)
	check("packed", 2)
	mustAppend(t, db, volts("a", day0.Add(30*time.Second), 3))
	check("a late one after", 2)
	db.Close()
	db = openAt(t, path)
	check("opened again", 2)
	db.Close()
	db = openAt(t, path)
	mustAppend(t, db, volts("a", day0.Add(40*time.Second), 4))
	check("a late one before anything was asked", 2)
	mustAppend(t, db, volts("a", day0.Add(2*time.Minute), 5))
	check("newer", 5)
	mustPack(t, db)
	db.Close()
	db = openAt(t, path)
	check("all packed, opened again", 5)
}

func TestSensorsAndStats(t *testing.T) {
	db := openTemp(t)
	for i := range 5 {
		mustAppend(t, db, volts(pulse.SensorID(fmt.Sprint("s", 4-i)), day0, 1))
	}
	got, err := db.Sensors(t.Context())
	if diff := cmp.Diff([]pulse.SensorID{"s0", "s1", "s2", "s3", "s4"}, got); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	s, err := db.Stats(t.Context())
	if err != nil || s.Sensors != 5 || s.Fresh != 5 || s.Bytes == 0 {
		t.Errorf("got %+v, %v", s, err)
	}
	mustPack(t, db)
	if s, err := db.Stats(t.Context()); err != nil || s.Fresh != 0 {
		t.Errorf("after packing: %+v, %v", s, err)
	}
}

// TestCommitsAreSynced holds on to what makes a commit survive a power cut, which no test can cause.
func TestCommitsAreSynced(t *testing.T) {
	db := openTemp(t)
	for pragma, want := range map[string]string{"synchronous": "2", "journal_mode": "wal"} {
		var got string
		if err := db.w.db.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got); err != nil || got != want {
			t.Errorf("%s is %q, %v; want %q", pragma, got, err, want)
		}
	}
}

func TestFileIsPrivate(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, numbered(0, 1)...)
	for _, suffix := range []string{"", "-wal", "-lock"} {
		info, err := os.Stat(db.path + suffix)
		if err != nil {
			t.Fatal(err)
		}
		if mode := info.Mode().Perm(); mode&0o077 != 0 {
			t.Errorf("%s%s has mode %v", filepath.Base(db.path), suffix, mode)
		}
	}
}

// TestRangeEachWhilePacking packs between two sensors' turns: what was fresh when it began is in blocks by then, and
// still comes once.
func TestRangeEachWhilePacking(t *testing.T) {
	db := openTemp(t)
	rng := rand.New(rand.NewPCG(3, 4))
	want := map[pulse.SensorID][]pulse.Reading{"a": series(rng, "a", day0, 300, 0), "b": series(rng, "b", day0, 300, 0)}
	mustAppend(t, db, want["a"][:200]...)
	mustPack(t, db)
	mustAppend(t, db, slices.Concat(want["a"][200:], want["b"])...)
	got := map[pulse.SensorID][]pulse.Reading{}
	err := db.RangeEach(t.Context(), []pulse.SensorID{"a", "b"}, day0, day0.AddDate(0, 0, 1), func(name pulse.SensorID, rs iter.Seq2[pulse.Reading, error]) {
		for r, err := range rs {
			if err != nil {
				t.Fatal(err)
			}
			got[name] = append(got[name], r)
		}
		mustPack(t, db)
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range want {
		if diff := diffReadings(want[name], got[name]); diff != "" {
			t.Errorf("%s (-want +got):\n%.2000s", name, diff)
		}
	}
}

// TestReadWhilePacking reads again and again while readings come and are packed: whatever was stored when a read began
// is in it, whether it was fresh or packed when the read came to it.
func TestReadWhilePacking(t *testing.T) {
	db := openTemp(t)
	rs := series(rand.New(rand.NewPCG(5, 6)), "a", day0, 3000, 0)
	var stored atomic.Int64
	var wg sync.WaitGroup
	wg.Go(func() {
		defer stored.Store(int64(len(rs)))
		for part := range slices.Chunk(rs, 60) {
			_, err := db.Append(t.Context(), part)
			stored.Add(int64(len(part)))
			if err = errors.Join(err, db.Pack(t.Context(), nil)); err != nil {
				t.Error(err)
				return
			}
		}
	})
	for before := 0; before < len(rs); {
		before = int(stored.Load())
		for _, n := range []int{before, before / 2} { // up to what is new, and what may all be packed
			to := day0.Add(time.Duration(n) * time.Minute)
			if got := collect(t, db, "a", day0, to); len(got) != n {
				t.Fatalf("%d of %d readings after %d were stored", len(got), n, before)
			}
			buckets, err := db.Buckets(t.Context(), "a", pulse.Volts, day0, to.Add(time.Millisecond), time.Hour)
			sum := 0
			for _, b := range buckets {
				sum += b.N
			}
			if err != nil || sum < n || sum > n+1 { // perhaps with the next one
				t.Fatalf("the hours count %d of %d readings after %d were stored (%v)", sum, n, before, err)
			}
		}
	}
	wg.Wait()
}
