package store

import (
	"errors"
	"path/filepath"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// numbered makes readings that can be told apart, n of them from i on.
func numbered(i, n int) []pulse.Reading {
	rs := make([]pulse.Reading, n)
	for k := range rs {
		rs[k] = volts("a", day0.Add(time.Duration(i+k)*time.Second), float64(i+k))
	}
	return rs
}

func TestFollowerOutlastsPackingAndRestart(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	mustAppend(t, db, numbered(0, 10)...)
	c, err := db.Follow(ctx, "mirror")
	if err != nil || c != 10 {
		t.Fatalf("a new follower begins at %d, %v; want the end, 10", c, err)
	}
	mustAppend(t, db, numbered(10, 10)...)
	mustPack(t, db)
	mustAppend(t, db, numbered(20, 10)...)
	mustPack(t, db)
	db.Close()
	db = openAt(t, path)
	if c, err := db.Follow(ctx, "mirror"); err != nil || c != 10 {
		t.Fatalf("the follower comes back at %d, %v; want 10", c, err)
	}
	rs, next, err := db.Since(ctx, c, 15)
	if diff := diffReadings(numbered(10, 15), rs); diff != "" || next != 25 || err != nil {
		t.Fatalf("next %d, %v (-want +got):\n%s", next, err, diff)
	}
	if err := db.Passed(ctx, "mirror", next); err != nil {
		t.Fatal(err)
	}
	if err := db.Passed(ctx, "mirror", 3); err != nil { // never goes back
		t.Fatal(err)
	}
	mustPack(t, db)
	rs, next, err = db.Since(ctx, next, 100)
	if diff := diffReadings(numbered(25, 5), rs); diff != "" || next != 30 || err != nil {
		t.Fatalf("next %d, %v (-want +got):\n%s", next, err, diff)
	}
	if end, err := db.End(ctx); err != nil || end != 30 {
		t.Errorf("end is %d, %v", end, err)
	}
}

func TestCursorOutsideWhatIsKept(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	mustAppend(t, db, numbered(0, 10)...)
	mustPack(t, db)
	for name, c := range map[string]Cursor{"packed away": 3, "past the end": 11, "negative": -1} {
		if _, _, err := db.Since(ctx, c, 5); !errors.Is(err, ErrCursor) {
			t.Errorf("%s: got %v, want ErrCursor", name, err)
		}
	}
	// Numbers go on where they were although no row is left to count from.
	db.Close()
	db = openAt(t, path)
	mustAppend(t, db, numbered(10, 1)...)
	rs, next, err := db.Since(ctx, 10, 5)
	if diff := diffReadings(numbered(10, 1), rs); diff != "" || next != 11 || err != nil {
		t.Errorf("next %d, %v (-want +got):\n%s", next, err, diff)
	}
}

func TestUnfollowLetsGo(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	for _, name := range []string{"fast", "slow"} {
		if _, err := db.Follow(ctx, name); err != nil {
			t.Fatal(err)
		}
	}
	mustAppend(t, db, numbered(0, 10)...)
	if err := db.Passed(ctx, "fast", 10); err != nil {
		t.Fatal(err)
	}
	mustPack(t, db)
	if rs, _, err := db.Since(ctx, 0, 100); err != nil || len(rs) != 10 {
		t.Fatalf("the slow one sees %d, %v; want 10", len(rs), err)
	}
	if err := db.Unfollow(ctx, "slow"); err != nil {
		t.Fatal(err)
	}
	mustPack(t, db)
	if _, _, err := db.Since(ctx, 0, 100); !errors.Is(err, ErrCursor) {
		t.Errorf("rows that nobody waits for are still kept: %v", err)
	}
	if n := len(collect(t, db, "a", time.Time{}, time.Time{})); n != 10 {
		t.Errorf("%d readings are left, want 10", n)
	}
}

// TestFollowerBacklog is the mirror whose server was away for the length of 200,000 readings, with packing and a
// restart in between: it gets them all, once, in order.
func TestFollowerBacklog(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	c, err := db.Follow(ctx, "mirror")
	if err != nil {
		t.Fatal(err)
	}
	const total, batch = 200_000, 2000
	for i := 0; i < total; i += batch {
		mustAppend(t, db, numbered(i, batch)...)
		if i%(total/4) == 0 {
			mustPack(t, db)
		}
	}
	mustPack(t, db)
	seen := 0
	for {
		rs, next, err := db.Since(ctx, c, 5000)
		if err != nil {
			t.Fatal(err)
		}
		if next == c {
			break
		}
		if diff := diffReadings(numbered(seen, len(rs)), rs); diff != "" {
			t.Fatalf("from %d (-want +got):\n%.1000s", seen, diff)
		}
		seen, c = seen+len(rs), next
		if err := db.Passed(ctx, "mirror", c); err != nil {
			t.Fatal(err)
		}
		if seen == total/2 {
			mustPack(t, db) // drops what was passed
			db.Close()
			db = openAt(t, path)
			if c, err = db.Follow(ctx, "mirror"); err != nil || int(c) != seen {
				t.Fatalf("after the restart the mirror is at %d, %v; want %d", c, err, seen)
			}
		}
	}
	if seen != total {
		t.Errorf("got %d readings, want %d", seen, total)
	}
	mustPack(t, db)
	if _, _, err := db.Since(ctx, 0, 1); !errors.Is(err, ErrCursor) {
		t.Errorf("what everybody has passed is still kept: %v", err)
	}
}

func TestLastIsWhatWasStoredLast(t *testing.T) {
	db := openAt(t, filepath.Join(t.TempDir(), "night.db"))
	mustAppend(t, db, numbered(0, 10)...)
	mustAppend(t, db, numbered(10, 20)...)
	for _, tt := range []struct{ limit, want int }{{0, 0}, {7, 7}, {25, 25}, {100, 30}} {
		got, err := db.Last(t.Context(), tt.limit)
		if err != nil {
			t.Fatal(err)
		}
		if diff := diffReadings(numbered(30-tt.want, tt.want), got); diff != "" {
			t.Errorf("the last %d (-want +got):\n%s", tt.limit, diff)
		}
	}
	mustPack(t, db)
	if got, err := db.Last(t.Context(), 7); err != nil || len(got) > 0 {
		t.Errorf("after packing, with nobody following, Last gave %d readings and %v", len(got), err)
	}
}
