package store

import (
	"path/filepath"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// writeOld makes a file of schema 1 with ten packed and ten fresh readings.
func writeOld(t *testing.T, path string) {
	t.Helper()
	ctx := t.Context()
	db, err := connect(path, writing)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	head, data := new(packer).block(numbered(0, 10))
	fresh := appendBatch(nil, []int64{1, 1, 1, 1, 1, 1, 1, 1, 1, 1}, numbered(10, 10))
	for _, step := range []struct {
		query string
		args  []any
	}{
		{`CREATE TABLE store_state (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID`, nil},
		{schema[0], nil},
		{`INSERT INTO store_state VALUES ('schema', 1), ('packed', 10), ('floor', 10)`, nil},
		{`INSERT INTO store_sensor VALUES (1, 'a')`, nil},
		{`INSERT INTO store_block VALUES (1, 1, ?, ?, 10, ?, ?)`, []any{day0.UnixMilli(), day0.UnixMilli() + 9000, head, data}},
		{`INSERT INTO store_fresh VALUES (10, 10, ?)`, []any{fresh}},
	} {
		if _, err := db.ExecContext(ctx, step.query, step.args...); err != nil {
			t.Fatal(step.query, err)
		}
	}
}

func TestOlderFileIsUpgraded(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	writeOld(t, path)
	if _, err := Open(ctx, Options{Path: path, ReadOnly: true}); err == nil {
		t.Error("an old file was opened for reading only, without an upgrade")
	}
	db := openAt(t, path)
	if diff := diffReadings(numbered(0, 20), collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if v, err := version(ctx, db.read); v != len(schema) || err != nil {
		t.Errorf("version %d, %v; want %d", v, err, len(schema))
	}
	if fresh := mustAppend(t, db, numbered(0, 21)...); len(fresh) != 1 {
		t.Errorf("%d of the readings are new, want 1", len(fresh))
	}
	if _, err := db.Follow(ctx, "mirror"); err != nil { // what version 2 brought
		t.Error(err)
	}
	mustPack(t, db)
	if diff := diffReadings(numbered(0, 21), collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("packed (-want +got):\n%s", diff)
	}
}

// TestUpgradeIsWholeOrNot makes the second step fail.
func TestUpgradeIsWholeOrNot(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "night.db")
	writeOld(t, path)
	db, err := connect(path, writing)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, `CREATE TABLE store_damaged (in_the_way INTEGER)`); err != nil {
		t.Fatal(err)
	}
	if db, err := Open(ctx, Options{Path: path}); err == nil {
		db.Close()
		t.Fatal("the upgrade cannot have worked")
	}
	if v, err := version(ctx, db); v != 1 || err != nil {
		t.Errorf("version %d, %v; want 1 as before", v, err)
	}
	var followers int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name = 'store_follower'`).Scan(&followers); err != nil || followers != 0 {
		t.Errorf("half of the upgrade stayed: %d, %v", followers, err)
	}
	if _, err := db.ExecContext(ctx, `DROP TABLE store_damaged`); err != nil {
		t.Fatal(err)
	}
	want := append(numbered(0, 20), pulse.Reading{})[:20]
	if diff := diffReadings(want, collect(t, openAt(t, path), "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
