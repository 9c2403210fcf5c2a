package store

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// TestLogCutAnywhere plays the power cut: the log ends at any byte, and what was written after the last sync may be
// there in part or garbled. What comes up must be whole batches from the first on, with everything that was committed
// before the cut.
func TestLogCutAnywhere(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "night.db")
	db := openAt(t, path)
	var ends []int64 // length of the log after each commit
	const batches, size = 12, 30
	for i := range batches {
		mustAppend(t, db, numbered(i*size, size)...)
		info, err := os.Stat(path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		ends = append(ends, info.Size())
	}
	log, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(4, 2))
	cuts := []int64{ends[0], ends[batches-1], ends[5] - 1, ends[5], ends[5] + 1}
	for range 25 {
		cuts = append(cuts, ends[0]+rng.Int64N(ends[batches-1]-ends[0]))
	}
	for i, cut := range cuts {
		torn := slices.Clone(log[:cut])
		if i%2 == 1 { // blocks of the disk that were given to the log but never written
			torn = append(torn, make([]byte, 5000)...)
		}
		name := filepath.Join(dir, fmt.Sprintf("torn%d.db", i))
		if err := errors.Join(os.WriteFile(name, file, 0o600), os.WriteFile(name+"-wal", torn, 0o600)); err != nil {
			t.Fatal(err)
		}
		committed := 0
		for committed < batches && ends[committed] <= cut {
			committed++
		}
		db := openAt(t, name)
		if diff := diffReadings(numbered(0, committed*size), collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
			t.Errorf("cut at %d of %d, %d batches before it (-want +got):\n%.1000s", cut, len(log), committed, diff)
		}
		// The broker sends the rest again.
		fresh := mustAppend(t, db, numbered(0, batches*size)...)
		if want := (batches - committed) * size; len(fresh) != want {
			t.Errorf("cut at %d: %d readings of the repetition are new, want %d", cut, len(fresh), want)
		}
		mustPack(t, db)
		if n := len(collect(t, db, "a", time.Time{}, time.Time{})); n != batches*size {
			t.Errorf("cut at %d: %d readings in the end, want %d", cut, n, batches*size)
		}
		db.Close()
	}
}

// TestPackFailsAnywhere makes each statement of packing fail in turn: all readings stay to be read, once, new ones are
// still told from known ones, and the next run packs everything.
func TestPackFailsAnywhere(t *testing.T) {
	tests := []struct{ name, trigger string }{
		{"first block", `BEFORE INSERT ON store_block`},
		{"a later block of another sensor", `BEFORE INSERT ON store_block WHEN new.sensor = 100`},
		{"taking an old block away", `BEFORE DELETE ON store_block`},
		{"noting what is packed", `BEFORE INSERT ON store_state WHEN new.key = 'packed'`},
		{"dropping rows", `BEFORE DELETE ON store_fresh`},
		{"noting what was dropped", `BEFORE INSERT ON store_state WHEN new.key = 'floor'`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			ctx := t.Context()
			path := filepath.Join(t.TempDir(), "night.db")
			db := openAt(t, path)
			want := make(map[pulse.SensorID][]pulse.Reading)
			give := func(minute int) {
				var rs []pulse.Reading
				for k := range 3 * packSensors / 2 { // two transactions
					r := volts(pulse.SensorID(fmt.Sprint("s", k)), day0.Add(time.Duration(minute)*time.Minute), float64(minute))
					want[r.Sensor] = append(want[r.Sensor], r)
					rs = append(rs, r)
				}
				rs = append(rs, volts("late", day0.Add(-time.Duration(minute)*time.Hour), 1))
				mustAppend(t, db, rs...)
			}
			give(0)
			mustPack(t, db)
			give(1)
			give(2)
			spoil := strings.Replace(`CREATE TRIGGER spoil `+tt.trigger+` BEGIN SELECT raise(ABORT, 'spoilt'); END`, "100", fmt.Sprint(packSensors+5), 1)
			if _, err := db.w.db.ExecContext(ctx, spoil); err != nil {
				t.Fatal(err)
			}
			if err := db.Pack(ctx, nil); err == nil || !strings.Contains(err.Error(), "spoilt") {
				t.Fatalf("pack: got %v", err)
			}
			check := func(when string) {
				t.Helper()
				for name, rs := range want {
					hasOnce(t, db, when, name, rs)
				}
			}
			check("after the failure")
			give(3)
			db.Close()
			db = openAt(t, path)
			check("opened again")
			if _, err := db.w.db.ExecContext(ctx, `DROP TRIGGER spoil`); err != nil {
				t.Fatal(err)
			}
			mustPack(t, db)
			check("packed at last")
			if s, err := db.Stats(ctx); err != nil || s.Fresh != 0 {
				t.Errorf("%+v, %v", s, err)
			}
			checkBlocks(t, db)
		})
	}
}

// hasOnce fails unless the store reads, counts and knows just these readings of a sensor, all within the first hour.
func hasOnce(t *testing.T, db *DB, when string, name pulse.SensorID, rs []pulse.Reading) {
	t.Helper()
	if diff := diffReadings(rs, collect(t, db, name, time.Time{}, time.Time{})); diff != "" {
		t.Fatalf("%s, %s (-want +got):\n%s", when, name, diff)
	}
	hours, err := db.Buckets(t.Context(), name, pulse.Volts, day0, day0.Add(time.Hour), time.Hour)
	if err != nil || len(hours) != 1 || hours[0].N != len(rs) {
		t.Fatalf("%s, %s: counted %v, %v; want %d", when, name, hours, err, len(rs))
	}
	if fresh := mustAppend(t, db, rs...); len(fresh) != 0 {
		t.Fatalf("%s, %s: known readings were taken for new: %v", when, name, fresh)
	}
}

// TestBackupWhileBusy takes copies while readings come in and are packed: each copy holds whole batches from the first
// on, as one moment had them.
func TestBackupWhileBusy(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	db := openTemp(t)
	dir := t.TempDir()
	const size = 40
	var busy sync.WaitGroup
	busy.Go(func() {
		for i := 0; ctx.Err() == nil; i++ {
			if _, err := db.Append(t.Context(), numbered(i*size, size)); err != nil {
				t.Error(err)
			}
		}
	})
	busy.Go(func() {
		for ctx.Err() == nil {
			if err := db.Pack(t.Context(), nil); err != nil {
				t.Error(err)
			}
		}
	})
	last := 0
	for i := range 5 {
		copied := filepath.Join(dir, fmt.Sprint("copy", i))
		if err := db.Backup(ctx, copied); err != nil {
			t.Fatal(err)
		}
		ro, err := Open(ctx, Options{Path: copied, ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		got := collect(t, ro, "a", time.Time{}, time.Time{})
		if diff := diffReadings(numbered(0, len(got)), got); diff != "" || len(got)%size != 0 || len(got) < last {
			t.Errorf("copy %d has %d readings after %d (-want +got):\n%.1000s", i, len(got), last, diff)
		}
		last = len(got)
		ro.Close()
	}
	cancel()
	busy.Wait()
}

// TestRetainWhileBusy lets days go while late readings come in for them and are packed. Kept days lose nothing.
func TestRetainWhileBusy(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	rs := series(rand.New(rand.NewPCG(1, 1)), "a", day0, 6*1440, 0)
	mustAppend(t, db, rs...)
	mustPack(t, db)
	kept := slices.Clone(rs[3*1440:])
	var busy sync.WaitGroup
	for day := range 6 {
		busy.Go(func() {
			for i := range 20 {
				at := day0.AddDate(0, 0, day).Add(time.Duration(i)*time.Minute + time.Second)
				if _, err := db.Append(ctx, []pulse.Reading{volts("a", at, 1)}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for day := 3; day < 6; day++ {
		for i := range 20 {
			kept = append(kept, volts("a", day0.AddDate(0, 0, day).Add(time.Duration(i)*time.Minute+time.Second), 1))
		}
	}
	for day := range 4 {
		busy.Go(func() {
			if err := errors.Join(db.Pack(ctx, nil), db.Retain(ctx, Retention{Minutes: day0.AddDate(0, 0, day)})); err != nil {
				t.Error(err)
			}
		})
	}
	busy.Wait()
	mustPack(t, db)
	if diff := diffReadings(once(kept), collect(t, db, "a", day0.AddDate(0, 0, 3), time.Time{})); diff != "" {
		t.Errorf("(-want +got):\n%.2000s", diff)
	}
	if rs := collect(t, db, "a", time.Time{}, day0.AddDate(0, 0, 3)); len(rs) != 0 {
		t.Errorf("%d readings are left of days that were let go", len(rs))
	}
	checkBlocks(t, db)
}
