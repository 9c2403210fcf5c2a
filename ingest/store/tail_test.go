package store

import (
	"path/filepath"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// takeAll reads a tail to its end and returns the readings by sensor and time, with how often each came.
func takeAll(t *testing.T, tail *Tail, limit int) map[string]int {
	t.Helper()
	seen := map[string]int{}
	for {
		rs, err := tail.Next(t.Context(), limit)
		if err != nil {
			t.Fatal(err)
		}
		if len(rs) == 0 {
			return seen
		}
		for _, r := range rs {
			seen[string(r.Sensor)+r.At.Format(time.RFC3339Nano)]++
		}
		if err := tail.Taken(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
}

// hourly returns a reading an hour of each sensor over days.
func hourly(days int, sensors ...pulse.SensorID) (rs []pulse.Reading) {
	for h := range 24 * days {
		for _, s := range sensors {
			rs = append(rs, volts(s, day0.Add(time.Duration(h)*time.Hour), 5000))
		}
	}
	return rs
}

func mustTail(t *testing.T, db *DB, name string) *Tail {
	t.Helper()
	tail, err := db.Tail(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	// Half a minute passes each time that it is asked.
	at := time.Now()
	tail.now = func() time.Time { at = at.Add(30 * time.Second); return at }
	return tail
}

// settleTail lets what was taken settle, and be written down.
func settleTail(t *testing.T, tail *Tail) {
	t.Helper()
	for range 3 {
		if rs, err := tail.Next(t.Context(), 100); err != nil || len(rs) != 0 {
			t.Fatalf("got %d, %v", len(rs), err)
		}
		if err := tail.Taken(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
}

func TestTailGivesThePastToo(t *testing.T) {
	for name, packed := range map[string]bool{"packed": true, "fresh": false} {
		t.Run(name, func(t *testing.T) {
			db := openTemp(t)
			mustAppend(t, db, hourly(5, "a", "b", "c")...)
			if packed {
				mustPack(t, db)
			}
			tail := mustTail(t, db, "mirror")
			mustAppend(t, db, volts("d", day0.Add(200*time.Hour), 1))
			first, err := tail.Next(t.Context(), 30)
			if err != nil || len(first) != 1 || first[0].Sensor != "d" {
				t.Fatalf("what is new comes first: got %d, %v", len(first), err)
			}
			seen := takeAll(t, tail, 30)
			if want := 5*24*3 + 1; len(seen) != want {
				t.Errorf("got %d readings, want %d", len(seen), want)
			}
			for key, n := range seen {
				if n != 1 {
					t.Errorf("%s came %d times", key, n)
				}
			}
			if left, past, err := tail.Left(t.Context()); left != 0 || past != 0 || err != nil {
				t.Errorf("left %d, %v, %v; want nothing", left, past, err)
			}
		})
	}
}

func TestTailOutlastsRestart(t *testing.T) {
	ctx, path := t.Context(), filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	mustAppend(t, db, hourly(6, "a", "b")...)
	mustPack(t, db)
	tail := mustTail(t, db, "mirror")
	seen := map[string]int{}
	for range 6 { // three days
		rs, err := tail.Next(ctx, 20)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rs {
			seen[string(r.Sensor)+r.At.Format(time.RFC3339Nano)]++
		}
		if err := tail.Taken(ctx); err != nil {
			t.Fatal(err)
		}
	}
	// What is still owed outlasts retention as well as a restart.
	if err := db.Retain(ctx, Retention{Minutes: day0.AddDate(0, 0, 30), Hours: day0.AddDate(0, 0, 30)}); err != nil {
		t.Fatal(err)
	}
	db.Close()
	db = openAt(t, path)
	tail = mustTail(t, db, "mirror")
	again := takeAll(t, tail, 20)
	settleTail(t, tail)
	for key, n := range again {
		seen[key] += n
	}
	if len(again) < 3*24*2 || len(again) > 5*24*2 {
		t.Errorf("%d readings came after the restart, want the three days that were left and at most two that had not settled", len(again))
	}
	if want := 6 * 24 * 2; len(seen) != want {
		t.Errorf("got %d readings, want %d", len(seen), want)
	}
	if err := db.Retain(ctx, Retention{Minutes: day0.AddDate(0, 0, 30), Hours: day0.AddDate(0, 0, 30)}); err != nil {
		t.Fatal(err)
	}
	if n := len(collect(t, db, "a", time.Time{}, time.Time{})); n != 0 {
		t.Errorf("%d readings stay although everybody has them", n)
	}
	if seen := takeAll(t, mustTail(t, db, "mirror"), 20); len(seen) != 0 {
		t.Errorf("%d readings came again", len(seen))
	}
}

// TestTailOfEmptyStore has no past to read.
func TestTailOfEmptyStore(t *testing.T) {
	db := openTemp(t)
	tail := mustTail(t, db, "mirror")
	mustAppend(t, db, numbered(0, 10)...)
	if seen := takeAll(t, tail, 100); len(seen) != 10 {
		t.Errorf("got %d, want 10", len(seen))
	}
	settleTail(t, tail)
	names, err := db.Followers(t.Context())
	if err != nil || len(names) != 1 || names[0] != "mirror" {
		t.Errorf("followers %q, %v", names, err)
	}
	if seen := takeAll(t, mustTail(t, db, "mirror"), 100); len(seen) != 0 {
		t.Errorf("%d came again after Save", len(seen))
	}
}

// TestTailAfterRestore begins anew where the store is another one.
func TestTailAfterRestore(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	mustAppend(t, db, hourly(2, "a")...)
	tail := mustTail(t, db, "mirror")
	tail.at.cursor = 1000 // as of a store that had more
	if seen := takeAll(t, tail, 100); len(seen) != 48 {
		t.Errorf("got %d readings, want all 48", len(seen))
	}
	if _, _, err := tail.Left(ctx); err != nil {
		t.Error(err)
	}
}

func TestFirst(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	check := func(when string, readings, hours time.Time) {
		t.Helper()
		r, h, err := db.First(ctx, "a")
		if err != nil || !r.Equal(readings) || !h.Equal(hours) {
			t.Errorf("%s: readings from %v, hours from %v, %v; want %v and %v", when, r, h, err, readings, hours)
		}
	}
	check("empty", time.Time{}, time.Time{})
	mustAppend(t, db, hourly(10, "a")...)
	check("fresh", day0, day0)
	mustPack(t, db)
	check("packed", day0, day0)
	if err := db.Retain(ctx, Retention{Minutes: day0.AddDate(0, 0, 4), Hours: day0.AddDate(0, 0, 2)}); err != nil {
		t.Fatal(err)
	}
	check("let go", day0.AddDate(0, 0, 4), day0.AddDate(0, 0, 2))
}

// TestTailRewinds gives again what a server may have lost that said it had it, and nothing older.
func TestTailRewinds(t *testing.T) {
	ctx, db := t.Context(), openTemp(t)
	tail := mustTail(t, db, "mirror")
	at := time.Now()
	tail.now = func() time.Time { return at }
	take := func(n int) []pulse.Reading {
		t.Helper()
		rs, err := tail.Next(ctx, n)
		if err != nil {
			t.Fatal(err)
		}
		if err := tail.Taken(ctx); err != nil {
			t.Fatal(err)
		}
		return rs
	}
	mustAppend(t, db, numbered(0, 100)...)
	take(40)
	at = at.Add(settleFor)
	take(20)
	at = at.Add(settleFor)
	take(20)
	tail.Rewind()
	if rs := take(100); diffReadings(numbered(60, 40), rs) != "" {
		t.Errorf("got %d readings from %v, want the last 40", len(rs), rs[0].At)
	}
	// Time alone settles nothing: a server that nobody writes to may be down.
	for range 5 {
		at = at.Add(time.Hour)
		if rs, err := tail.Next(ctx, 100); err != nil || len(rs) != 0 {
			t.Fatal(len(rs), err)
		}
	}
	tail.Rewind()
	if rs := take(100); diffReadings(numbered(60, 40), rs) != "" {
		t.Errorf("after hours without a word got %d readings, want the last 40", len(rs))
	}
}

// TestTailKeepsWhatItOwes packs and lets go while a follower is away: what it has not had stays, fresh or past.
func TestTailKeepsWhatItOwes(t *testing.T) {
	ctx, path := t.Context(), filepath.Join(t.TempDir(), "night.db")
	db := openAt(t, path)
	mustAppend(t, db, hourly(4, "a")...)
	mustPack(t, db)
	mustTail(t, db, "mirror")
	late := numbered(0, 50)
	for i := range late {
		late[i].At = late[i].At.AddDate(0, 0, 10)
	}
	mustAppend(t, db, late...)
	for range 2 {
		mustPack(t, db)
		if err := db.Retain(ctx, Retention{Minutes: day0.AddDate(0, 0, 60), Hours: day0.AddDate(0, 0, 60)}); err != nil {
			t.Fatal(err)
		}
	}
	db.Close()
	db = openAt(t, path)
	tail := mustTail(t, db, "mirror")
	if seen := takeAll(t, tail, 10); len(seen) != 4*24+50 {
		t.Errorf("got %d readings, want %d", len(seen), 4*24+50)
	}
	settleTail(t, tail)
	// One who does not follow any more holds nothing back.
	mustTail(t, db, "another")
	if err := db.Unfollow(ctx, "another"); err != nil {
		t.Fatal(err)
	}
	if err := db.Retain(ctx, Retention{Minutes: day0.AddDate(0, 0, 60), Hours: day0.AddDate(0, 0, 60)}); err != nil {
		t.Fatal(err)
	}
	if n := len(collect(t, db, "a", time.Time{}, time.Time{})); n != 0 {
		t.Errorf("%d readings stay although everybody has them", n)
	}
}

// How much is left may be asked while the follower takes; at the end nothing is.
func TestTailIsAskedWhileItTakes(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, hourly(3, "a", "b")...)
	tail := mustTail(t, db, "mirror")
	done := make(chan struct{})
	go func() {
		defer close(done)
		takeAll(t, tail, 10)
	}()
	for asking := true; asking; {
		if _, _, err := tail.Left(t.Context()); err != nil {
			t.Error(err)
		}
		select {
		case <-done:
			asking = false
		default:
		}
	}
	if fresh, past, err := tail.Left(t.Context()); fresh != 0 || past != 0 || err != nil {
		t.Errorf("%d readings and %v of the past are left, %v", fresh, past, err)
	}
}
