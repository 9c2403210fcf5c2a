package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// wantFor checks that err is of a kind and tells people what to do.
func wantFor(t *testing.T, doing string, err, kind error) {
	t.Helper()
	var known *fault
	if !errors.Is(err, kind) || !errors.As(kind, &known) {
		t.Errorf("%s: got %v, want %v", doing, err, kind)
		return
	}
	if !strings.HasSuffix(err.Error(), "\nhint: "+known.hint) || strings.Count(err.Error(), "\nhint: ") != 1 {
		t.Errorf("%s: the error has no hint, or several:\n%v", doing, err)
	}
}

func TestOpenRefuses(t *testing.T) {
	write := func(text string) func(t *testing.T, path string) {
		return func(t *testing.T, path string) {
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	tests := []struct {
		name     string
		prepare  func(t *testing.T, path string)
		readOnly bool
		want     error
	}{
		{"a file of another kind", write(strings.Repeat("not a database\n", 600)), false, ErrCorrupt},
		{"a file of another kind, reading", write(strings.Repeat("not a database\n", 600)), true, ErrCorrupt},
		{"no file, reading", func(*testing.T, string) {}, true, ErrMissing},
		{"no folder", func(t *testing.T, path string) {
			if err := os.Remove(filepath.Dir(path)); err != nil {
				t.Fatal(err)
			}
		}, false, ErrMissing},
		{"a newer version", newer, false, ErrNewer},
		{"a newer version, reading", newer, true, ErrNewer},
		{"another writer", func(t *testing.T, path string) { openAt(t, path) }, false, ErrLocked},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "data")
			if err := os.Mkdir(dir, 0o700); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, "night.db")
			tt.prepare(t, path)
			db, err := Open(t.Context(), Options{Path: path, ReadOnly: tt.readOnly})
			if err == nil {
				db.Close()
			}
			wantFor(t, "open", err, tt.want)
		})
	}
	if _, err := Open(t.Context(), Options{}); err == nil {
		t.Error("a store without a path was opened")
	}
}

func newer(t *testing.T, path string) {
	db := openAt(t, path)
	if _, err := db.w.db.ExecContext(t.Context(), `UPDATE store_state SET value = 99 WHERE key = 'schema'`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestReadOnlyRefusesChanges(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	mustAppend(t, openAt(t, path), volts("a", day0, 1))
	db, err := Open(ctx, Options{Path: path, ReadOnly: true}) // while the other has it open
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	_, err = db.Append(ctx, numbered(0, 1))
	wantFor(t, "append", err, ErrReadOnly)
	wantFor(t, "pack", db.Pack(ctx, nil), ErrReadOnly)
	wantFor(t, "retain", db.Retain(ctx, Retention{Hours: day0}), ErrReadOnly)
	_, err = db.Follow(ctx, "x")
	wantFor(t, "follow", err, ErrReadOnly)
	if rs := collect(t, db, "a", time.Time{}, time.Time{}); len(rs) != 1 {
		t.Errorf("got %d readings, want 1", len(rs))
	}
}

// TestLockedByAnother has another connection keep the file locked for longer than we wait.
func TestLockedByAnother(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	if _, err := db.w.db.ExecContext(ctx, `PRAGMA busy_timeout = 20`); err != nil {
		t.Fatal(err)
	}
	other, err := connect(db.path, writing)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	tx, err := other.BeginTx(ctx, nil)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Append(ctx, numbered(0, 3))
	wantFor(t, "append", err, ErrLocked)
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	if diff := diffReadings(numbered(0, 3), mustAppend(t, db, numbered(0, 3)...)); diff != "" {
		t.Errorf("tried again (-want +got):\n%s", diff)
	}
}

func TestAppendHeedsContextBeforeItStarts(t *testing.T) {
	db := openTemp(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := db.Append(ctx, numbered(0, 3)); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if fresh := mustAppend(t, db, numbered(0, 3)...); len(fresh) != 3 {
		t.Errorf("%d of 3 are new after a call that did nothing", len(fresh))
	}
}

// TestFailedAppendLeavesNothing makes the write itself fail, in the middle and for new sensors too.
func TestFailedAppendLeavesNothing(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	mustAppend(t, db, numbered(0, 1)...)
	if _, err := db.w.db.ExecContext(ctx, `CREATE TRIGGER spoil BEFORE INSERT ON store_fresh WHEN new.n > 1
		BEGIN SELECT raise(ABORT, 'spoilt'); END`); err != nil {
		t.Fatal(err)
	}
	batch := append(numbered(0, 3), volts("new", day0, 1))
	if _, err := db.Append(ctx, batch); err == nil || !strings.Contains(err.Error(), "spoilt") {
		t.Fatalf("got %v", err)
	}
	if _, ok, err := db.Latest(ctx, "new"); ok || err != nil {
		t.Errorf("a sensor whose reading failed is known: %v", err)
	}
	if _, err := db.w.db.ExecContext(ctx, `DROP TRIGGER spoil`); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, db, volts("other", day0, 1)) // takes the number that "new" would have had
	if diff := diffReadings(batch[1:], mustAppend(t, db, batch...)); diff != "" {
		t.Errorf("tried again (-want +got):\n%s", diff)
	}
	if got := collect(t, db, "new", time.Time{}, time.Time{}); len(got) != 1 {
		t.Errorf("got %v", got)
	}
}

// TestCommitThatWentThroughUnseen plays the disk that takes a batch, reports failure and cannot be asked.
func TestCommitThatWentThroughUnseen(t *testing.T) {
	for _, packFirst := range []bool{false, true} {
		t.Run(fmt.Sprint("pack first ", packFirst), func(t *testing.T) { commitUnseen(t, packFirst) })
	}
}

func commitUnseen(t *testing.T, packFirst bool) {
	ctx := t.Context()
	db := openTemp(t)
	if _, err := db.Follow(ctx, "mirror"); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, db, numbered(0, 2)...)
	lost := append(numbered(2, 3), volts("new", day0, 1))
	if _, err := db.w.db.ExecContext(ctx, `INSERT INTO store_sensor (id, name) VALUES (2, 'new')`); err != nil {
		t.Fatal(err)
	}
	if _, err := db.w.insert.ExecContext(ctx, 2, len(lost), appendBatch(nil, []int64{1, 1, 1, 2}, lost)); err != nil {
		t.Fatal(err)
	}
	db.w.unsure = true
	if packFirst {
		mustPack(t, db)
	}
	again := append(lost, volts("a", day0.Add(time.Hour), 9))
	if diff := diffReadings(again, mustAppend(t, db, again...)); diff != "" {
		t.Errorf("reported (-want +got):\n%s", diff)
	}
	if fresh := mustAppend(t, db, again...); len(fresh) != 0 {
		t.Errorf("reported twice: %v", fresh)
	}
	if diff := diffReadings(append(numbered(0, 2), again...), follow(t, db, 0, 100)); diff != "" {
		t.Errorf("stored (-want +got):\n%s", diff)
	}
}

// spoilBlob changes a byte in the middle of a stored blob.
func spoilBlob(t *testing.T, db *DB, table, where string) {
	t.Helper()
	var b []byte
	if err := db.w.db.QueryRowContext(t.Context(), `SELECT data FROM `+table+` WHERE `+where).Scan(&b); err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if _, err := db.w.db.ExecContext(t.Context(), `UPDATE `+table+` SET data = ? WHERE `+where, b); err != nil {
		t.Fatal(err)
	}
}

func countDamaged(t *testing.T, db *DB) (n int) {
	t.Helper()
	if err := db.read.QueryRowContext(t.Context(), `SELECT count(*) FROM store_damaged WHERE length(data) > 0 AND found_ms > 0`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestDamagedBlockCostsOneDay(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	rs := series(rand.New(rand.NewPCG(1, 1)), "a", day0, 3*1440, 0)
	mustAppend(t, db, rs...)
	mustPack(t, db)
	spoilBlob(t, db, "store_block", fmt.Sprint("from_ms = ", rs[1440].At.UnixMilli()))

	var got []pulse.Reading
	faults := 0
	for r, err := range db.Range(ctx, "a", time.Time{}, time.Time{}) {
		if err != nil {
			faults++
			wantFor(t, "range", err, ErrCorrupt)
			continue
		}
		got = append(got, r)
	}
	rest := append(rs[:1440:1440], rs[2*1440:]...)
	if diff := diffReadings(rest, got); diff != "" || faults != 1 {
		t.Errorf("%d faults (-want +got):\n%.2000s", faults, diff)
	}
	if days, err := db.Buckets(ctx, "a", pulse.Volts, day0, day0.AddDate(0, 0, 3), 7*time.Minute); err != nil || len(days) < 400 {
		t.Errorf("%d parts, %v", len(days), err)
	}

	again := rs[1440+700] // the store cannot know any more that it had this one
	if fresh := mustAppend(t, db, again); len(fresh) != 1 {
		t.Fatal("a reading of the damaged day was refused")
	}
	mustPack(t, db)
	if n := countDamaged(t, db); n != 1 {
		t.Errorf("%d blocks put aside, want 1", n)
	}
	rest = append(append(rs[:1440:1440], again), rs[2*1440:]...)
	if diff := diffReadings(rest, collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("after packing (-want +got):\n%.2000s", diff)
	}
	checkBlocks(t, db)
}

func TestDamagedRowCostsOneBatch(t *testing.T) {
	for _, row := range []int{0, 10, 20} {
		t.Run(fmt.Sprint("row ", row), func(t *testing.T) { damagedRow(t, row) })
	}
}

func damagedRow(t *testing.T, row int) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	if _, err := db.Follow(ctx, "mirror"); err != nil {
		t.Fatal(err)
	}
	var want []pulse.Reading
	for i := 0; i < 30; i += 10 {
		mustAppend(t, db, numbered(i, 10)...)
		if i != row {
			want = append(want, numbered(i, 10)...)
		}
	}
	spoilBlob(t, db, "store_fresh", fmt.Sprint("seq = ", row))
	db.Close()
	db = openAt(t, path)
	mustAppend(t, db, numbered(30, 1)...)
	want = append(want, numbered(30, 1)...)
	for _, when := range []string{"fresh", "packed"} {
		if diff := diffReadings(want, collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", when, diff)
		}
		for _, limit := range []int{3, 10, 100} { // also when the damage fills what is asked for
			if diff := diffReadings(want, follow(t, db, 0, limit)); diff != "" {
				t.Errorf("%s, followed by %d (-want +got):\n%s", when, limit, diff)
			}
		}
		mustPack(t, db)
	}
	if n := countDamaged(t, db); n != 1 {
		t.Errorf("%d rows put aside, want 1", n)
	}
	if fresh := mustAppend(t, db, numbered(31, 1)...); len(fresh) != 1 {
		t.Error("the store does not go on")
	}
}

// TestSharedFile has another package write its own tables in the same file while readings come in and are packed and
// read: nobody may see an error.
func TestSharedFile(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	other, err := sql.Open("sqlite", "file:"+db.path+"?_pragma=busy_timeout(10000)&_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if _, err := other.ExecContext(ctx, `CREATE TABLE diary (n INTEGER)`); err != nil {
		t.Fatal(err)
	}
	const rounds = 60
	var all sync.WaitGroup
	run := func(what string, do func(i int) error) {
		all.Go(func() {
			for i := range rounds {
				if err := do(i); err != nil {
					t.Errorf("%s %d: %v", what, i, err)
					return
				}
			}
		})
	}
	run("append", func(i int) error {
		_, err := db.Append(ctx, append(numbered(i*20, 20), volts("b", day0.Add(time.Duration(i)*time.Hour), 1)))
		return err
	})
	run("diary", func(i int) error { _, err := other.ExecContext(ctx, `INSERT INTO diary VALUES (?)`, i); return err })
	run("pack", func(int) error { return db.Pack(ctx, nil) })
	for range 3 {
		last := 0
		run("range", func(int) error {
			n := 0
			for r, err := range db.Range(ctx, "a", time.Time{}, time.Time{}) {
				if v, _ := r.Get(pulse.Volts); err != nil || int(v) != n {
					return fmt.Errorf("reading %d is %v: %w", n, v, err)
				}
				n++
			}
			if n < last || n%20 != 0 {
				return fmt.Errorf("%d readings after %d", n, last)
			}
			last = n
			return nil
		})
	}
	run("latest", func(int) error { _, err := db.LatestAll(ctx); return err })
	run("daily", func(int) error {
		_, err := db.Daily(ctx, "b", pulse.Volts, day0, day0.AddDate(0, 0, 3), time.UTC)
		return err
	})
	all.Wait()
	if n := len(collect(t, db, "a", time.Time{}, time.Time{})); n != rounds*20 {
		t.Errorf("%d readings, want %d", n, rounds*20)
	}
	var n int
	if err := other.QueryRowContext(ctx, `SELECT count(*) FROM diary`).Scan(&n); err != nil || n != rounds {
		t.Errorf("the diary has %d lines, %v", n, err)
	}
}
