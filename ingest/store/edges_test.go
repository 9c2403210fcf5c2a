package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

// TestOddReadings stores what no sensor should send, and gets it back.
func TestOddReadings(t *testing.T) {
	at := func(y int) time.Time { return time.Date(y, 2, 28, 23, 59, 59, 999e6, time.UTC) }
	with := func(at, arrived time.Time, f pulse.Field, v float64) pulse.Reading {
		r := pulse.Reading{Sensor: "a", At: at, Arrived: arrived}
		r.Set(f, v)
		return r
	}
	want := []pulse.Reading{
		{Sensor: "a"}, // no times at all
		with(at(1890), at(2026), pulse.Volts, 0),
		with(time.UnixMilli(-1).UTC(), at(2026), pulse.RSSI, -300),
		with(time.UnixMilli(0).UTC(), at(2026), pulse.RSSI, -0.001),
		with(at(2026), at(2025), pulse.Volts, 30_000), // arrived before it was measured
		{Sensor: "a", At: at(2027), Arrived: at(2027)},
		with(at(2028), at(2028), pulse.Seq, 1<<53),
		with(at(2029), at(2029), pulse.Seq, 1<<53-1),
		with(at(2030), at(2030), pulse.Seq, math.MaxFloat64),
		with(at(2031), at(2031), pulse.Volts, math.Inf(1)),
		with(at(2032), at(2032), pulse.Volts, 1e-9),
		with(at(9999), at(2026), pulse.Volts, 1234.567),
	}
	path := filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	if fresh := mustAppend(t, db, want...); len(fresh) != len(want) {
		t.Fatalf("%d of %d were new", len(fresh), len(want))
	}
	for _, when := range []string{"fresh", "packed", "opened again"} {
		if diff := diffReadings(want, collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", when, diff)
		}
		if fresh := mustAppend(t, db, want...); len(fresh) != 0 {
			t.Errorf("%s: %d were taken for new", when, len(fresh))
		}
		if when == "packed" {
			db.Close()
			db = openAt(t, path)
			continue
		}
		mustPack(t, db)
	}
	checkBlocks(t, db)
}

func TestOddNames(t *testing.T) {
	db := openTemp(t)
	names := []pulse.SensorID{"a", "A", " a", "naïve/zóna/β", "'; DROP TABLE store_fresh; --", "\x00", "\xff\xfe", pulse.SensorID(strings.Repeat("x", 5000))}
	for i, name := range names {
		mustAppend(t, db, volts(name, day0, float64(i)))
	}
	mustPack(t, db)
	for i, name := range names {
		want := []pulse.Reading{volts(name, day0, float64(i))}
		if diff := diffReadings(want, collect(t, db, name, time.Time{}, time.Time{})); diff != "" {
			t.Errorf("%q (-want +got):\n%s", name, diff)
		}
	}
	if got, err := db.Sensors(t.Context()); len(got) != len(names) || err != nil {
		t.Errorf("%d sensors, %v; want %d", len(got), err, len(names))
	}
}

// TestBatchLargerThanARow is split, and followed across the splits.
func TestBatchLargerThanARow(t *testing.T) {
	db := openTemp(t)
	want := numbered(0, 2*maxBatch+7)
	mustAppend(t, db, want...)
	for _, limit := range []int{1000, maxBatch, 3 * maxBatch} {
		if diff := diffReadings(want, follow(t, db, 0, limit)); diff != "" {
			t.Errorf("by %d (-want +got):\n%.1000s", limit, diff)
		}
	}
	if diff := diffReadings(want[maxBatch-1:maxBatch+2], firstSince(t, db, maxBatch-1, 3)); diff != "" {
		t.Errorf("across the seam (-want +got):\n%s", diff)
	}
	if rs := firstSince(t, db, 5, 0); len(rs) != 0 {
		t.Errorf("asked for none, got %d", len(rs))
	}
}

func firstSince(t *testing.T, db *DB, c Cursor, limit int) []pulse.Reading {
	t.Helper()
	rs, next, err := db.Since(t.Context(), c, limit)
	if err != nil || next != c+Cursor(len(rs)) {
		t.Fatalf("next is %d after %d readings from %d, %v", next, len(rs), c, err)
	}
	return rs
}

// TestCancelled stops each method by its context and finds the store in order.
func TestCancelled(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, numbered(0, 100)...)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	calls := map[string]func() error{
		"pack":     func() error { return db.Pack(ctx, nil) },
		"retain":   func() error { return db.Retain(ctx, Retention{Hours: day0.AddDate(1, 0, 0)}) },
		"backup":   func() error { return db.Backup(ctx, filepath.Join(t.TempDir(), "copy.db")) },
		"sensors":  func() error { _, err := db.Sensors(ctx); return err },
		"stats":    func() error { _, err := db.Stats(ctx); return err },
		"all":      func() error { _, err := db.LatestAll(ctx); return err },
		"since":    func() error { _, _, err := db.Since(ctx, 0, 9); return err },
		"end":      func() error { _, err := db.End(ctx); return err },
		"follow":   func() error { _, err := db.Follow(ctx, "x"); return err },
		"passed":   func() error { return db.Passed(ctx, "x", 1) },
		"unfollow": func() error { return db.Unfollow(ctx, "x") },
		"daily": func() error {
			_, err := db.Daily(ctx, "a", pulse.Volts, day0, day0.AddDate(0, 0, 1), time.UTC)
			return err
		},
		"export": func() error {
			_, err := db.ExportCSV(ctx, io.Discard, Export{Sensors: []pulse.SensorID{"a"}, Location: time.UTC})
			return err
		},
		"range": func() error {
			for _, err := range db.Range(ctx, "a", time.Time{}, time.Time{}) {
				return err
			}
			return nil
		},
		"open": func() error {
			db, err := Open(ctx, Options{Path: filepath.Join(t.TempDir(), "other.db")})
			if err == nil {
				db.Close()
			}
			return err
		},
	}
	for name, call := range calls {
		if err := call(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	mustPack(t, db)
	if diff := diffReadings(numbered(0, 100), collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestClosed(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, numbered(0, 1)...)
	for range 2 { // the second time does nothing
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := db.Append(t.Context(), numbered(1, 1)); err == nil {
		t.Error("a closed store took a reading")
	}
	if _, err := db.Stats(t.Context()); err == nil {
		t.Error("a closed store has figures")
	}
}

func TestExplain(t *testing.T) {
	plain := errors.New("plain")
	tests := []struct {
		name string
		give error
		want error
	}{
		{"no error", nil, nil},
		{"of no kind", plain, plain},
		{"no space", &fs.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}, ErrFull},
		{"over quota", &fs.PathError{Op: "write", Path: "x", Err: syscall.EDQUOT}, ErrFull},
		{"not permitted", &fs.PathError{Op: "open", Path: "x", Err: syscall.EACCES}, ErrReadOnly},
		{"read-only disk", &fs.PathError{Op: "open", Path: "x", Err: syscall.EROFS}, ErrReadOnly},
		{"absent", &fs.PathError{Op: "open", Path: "x", Err: syscall.ENOENT}, ErrMissing},
		{"in the way", &fs.PathError{Op: "open", Path: "x", Err: syscall.EEXIST}, ErrExists},
		{"damaged bytes", fmt.Errorf("read: %w", errDamaged), ErrCorrupt},
		{"named already", fmt.Errorf("version 9: %w", ErrNewer), ErrNewer},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := explain(tt.give, "read from", "night.db")
			if tt.want == nil || tt.want == plain {
				if !errors.Is(got, tt.want) || got != nil && got.Error() != "read from night.db: plain" {
					t.Errorf("got %v", got)
				}
				return
			}
			wantFor(t, "explain", got, tt.want)
			if !errors.Is(got, tt.give) {
				t.Error("the cause is lost")
			}
			if n := strings.Count(got.Error(), tt.want.Error()); n != 1 {
				t.Errorf("says what is wrong %d times: %v", n, got)
			}
		})
	}
}

// TestReaderSeesWhatIsWritten looks on from a second store while the first one is written and packed.
func TestReaderSeesWhatIsWritten(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	ro, err := Open(ctx, Options{Path: db.path, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer ro.Close()
	if _, err := db.Follow(ctx, "mirror"); err != nil { // keeps what Since is asked for below
		t.Fatal(err)
	}
	for i := range 6 {
		mustAppend(t, db, numbered(i*10, 10)...)
		mustAppend(t, db, volts(pulse.SensorID(fmt.Sprint("s", i)), day0, float64(i)))
		if i%2 == 1 {
			mustPack(t, db)
		}
		if diff := diffReadings(numbered(0, i*10+10), collect(t, ro, "a", time.Time{}, time.Time{})); diff != "" {
			t.Errorf("step %d (-want +got):\n%s", i, diff)
		}
		want, err := db.LatestAll(ctx)
		if err != nil {
			t.Fatal(err)
		}
		got, err := ro.LatestAll(ctx)
		if diff := diffReadings(want, got); diff != "" || err != nil || len(got) != i+2 {
			t.Errorf("step %d: %d latest, %v (-want +got):\n%s", i, len(got), err, diff)
		}
		wantHours, err := db.Buckets(ctx, "a", pulse.Volts, day0, day0.Add(time.Hour), time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		gotHours, err := ro.Buckets(ctx, "a", pulse.Volts, day0, day0.Add(time.Hour), time.Minute)
		if diff := cmp.Diff(wantHours, gotHours); diff != "" || err != nil {
			t.Errorf("step %d: %v (-want +got):\n%s", i, err, diff)
		}
		end, err := db.End(ctx)
		if err != nil {
			t.Fatal(err)
		}
		want = []pulse.Reading{volts(pulse.SensorID(fmt.Sprint("s", i)), day0, float64(i))}
		if diff := diffReadings(want, firstSince(t, ro, end-1, 5)); diff != "" {
			t.Errorf("step %d, the last one stored (-want +got):\n%s", i, diff)
		}
	}
}

// TestLatestWhenTheLastBlockIsDamaged falls back on what can be read.
func TestLatestWhenTheLastBlockIsDamaged(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	mustAppend(t, db, volts("a", day0, 1), volts("b", day0, 2))
	mustPack(t, db)
	spoilBlob(t, db, "store_block", "sensor = 1")
	db.Close()
	db = openAt(t, path)
	if r, ok, err := db.Latest(ctx, "a"); ok || err != nil {
		t.Errorf("got %v, %v from a damaged block", r, err)
	}
	all, err := db.LatestAll(ctx)
	if diff := diffReadings([]pulse.Reading{volts("b", day0, 2)}, all); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	mustAppend(t, db, volts("a", day0.Add(time.Minute), 3))
	if r, ok, err := db.Latest(ctx, "a"); !ok || err != nil || r != volts("a", day0.Add(time.Minute), 3) {
		t.Errorf("got %v, %v, %v", r, ok, err)
	}
}

// brokenWriter takes a few bytes and then fails, like a pipe whose reader has gone.
type brokenWriter struct{ left int }

func (w *brokenWriter) Write(b []byte) (int, error) {
	if w.left -= len(b); w.left < 0 {
		return 0, io.ErrClosedPipe
	}
	return len(b), nil
}

func TestExportToABrokenPipe(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, numbered(0, 5000)...)
	for _, left := range []int{0, 100, 5000} {
		n, err := db.ExportCSV(t.Context(), &brokenWriter{left: left}, Export{Sensors: []pulse.SensorID{"a"}, Location: time.UTC})
		if !errors.Is(err, io.ErrClosedPipe) || n.Readings == 5000 {
			t.Errorf("after %d bytes: %d readings, %v", left, n, err)
		}
	}
}
