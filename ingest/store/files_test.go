package store

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

func TestBackupAndRestore(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, copied := filepath.Join(dir, "night #1%.db"), filepath.Join(dir, "copy?.db") // names that a URL would trip over
	db := openAt(t, path)
	if _, err := db.w.db.ExecContext(ctx, `CREATE TABLE diary (line TEXT); INSERT INTO diary VALUES ('trimmed')`); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, db, numbered(0, 100)...)
	mustPack(t, db)
	mustAppend(t, db, numbered(100, 50)...)
	if err := db.Backup(ctx, copied); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, db, numbered(150, 50)...)
	wantFor(t, "backup over a file", db.Backup(ctx, copied), ErrExists)
	wantFor(t, "backup to nowhere", db.Backup(ctx, filepath.Join(dir, "absent", "copy.db")), ErrMissing)
	wantFor(t, "restore under a running store", Restore(ctx, copied, path), ErrLocked)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if err := Restore(ctx, copied, path); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		path string
		n    int
	}{{path, 150}, {path + ".replaced", 200}} {
		db := openAt(t, tt.path)
		if diff := diffReadings(numbered(0, tt.n), collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.path, diff)
		}
		var line string
		if err := db.read.QueryRowContext(ctx, `SELECT line FROM diary`).Scan(&line); err != nil || line != "trimmed" {
			t.Errorf("%s: the other table has %q, %v", tt.path, line, err)
		}
	}
	left, err := filepath.Glob(filepath.Join(dir, "*.part"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestRestoreDropsTheOldLog restores over a store that was killed, whose log is still there.
func TestRestoreDropsTheOldLog(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, copied, killed := filepath.Join(dir, "night.db"), filepath.Join(dir, "copy.db"), filepath.Join(dir, "killed.db")
	db := openAt(t, path)
	mustAppend(t, db, numbered(0, 10)...)
	if err := db.Backup(ctx, copied); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, db, numbered(10, 500)...)
	for _, suffix := range []string{"", "-wal"} { // as a kill would leave them
		if err := copyFile(path+suffix, killed+suffix); err != nil {
			t.Fatal(err)
		}
	}
	if err := Restore(ctx, copied, killed); err != nil {
		t.Fatal(err)
	}
	if n := len(collect(t, openAt(t, killed), "a", time.Time{}, time.Time{})); n != 10 {
		t.Errorf("%d readings, want the 10 of the backup", n)
	}
	if n := len(collect(t, openAt(t, killed+".replaced"), "a", time.Time{}, time.Time{})); n != 510 {
		t.Errorf("%d readings in what was replaced, want 510", n)
	}
}

func TestRestoreRefuses(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	good, path := filepath.Join(dir, "good.db"), filepath.Join(dir, "night.db")
	db := openAt(t, filepath.Join(dir, "first.db"))
	mustAppend(t, db, numbered(0, 5000)...)
	mustPack(t, db)
	if err := db.Backup(ctx, good); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	empty := openAt(t, filepath.Join(dir, "newer.db"))
	if _, err := empty.w.db.ExecContext(ctx, `UPDATE store_state SET value = 99 WHERE key = 'schema'; PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		text []byte // nil takes the file of that name
		want error
	}{
		{"absent.db", nil, ErrMissing},
		{"newer.db", nil, ErrNewer},
		{"half.db", text[:len(text)/2], ErrCorrupt},
		{"words.db", []byte(strings.Repeat("words ", 1000)), ErrCorrupt},
		{"empty.db", []byte{}, ErrCorrupt},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			file := filepath.Join(dir, tt.name)
			if tt.text != nil {
				if err := os.WriteFile(file, tt.text, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			wantFor(t, "restore", Restore(ctx, file, path), tt.want)
			if exists(path) {
				t.Error("something was put in place")
			}
		})
	}
}

func TestExportCSV(t *testing.T) {
	db := openTemp(t)
	at := time.Date(2026, 3, 29, 0, 59, 59, 500e6, time.UTC) // the clocks in Dublin go forward half a second later
	a := volts("alder-bank/zone/brook", at, 7412.5)
	a.Arrived = at.Add(1250 * time.Millisecond)
	a.Set(pulse.RSSI, -71)
	b := pulse.Reading{Sensor: "odd \"name\", with a comma", At: at, Arrived: at}
	b.Set(pulse.BatteryVolts, 3.605)
	mustAppend(t, db, a, b)
	var out bytes.Buffer
	n, err := db.ExportCSV(t.Context(), &out, Export{Sensors: []pulse.SensorID{a.Sensor, b.Sensor, "nobody"}, Location: location(t, "Europe/Dublin")})
	if err != nil || n.Readings != 2 {
		t.Fatal(n, err)
	}
	want := "sensor,measured,arrived,peak (V),pulses,pulse interval (ms),energizer supply (V),earth (V),sensor battery (V),signal (dBm),message number,what\r\n" +
		"alder-bank/zone/brook,2026-03-29T00:59:59.500Z,2026-03-29T02:00:00.750+01:00,7412.5,,,,,,-71,,reading\r\n" +
		"\"odd \"\"name\"\", with a comma\",2026-03-29T00:59:59.500Z,2026-03-29T00:59:59.500Z,,,,,,3.605,,,reading\r\n"
	if diff := cmp.Diff(want, out.String()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if _, err := csv.NewReader(&out).ReadAll(); err != nil {
		t.Error(err)
	}
}

// TestExportCSVSaysWhatIsMissing leaves out a damaged day and says so.
func TestExportCSVSaysWhatIsMissing(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, volts("a", day0, 1), volts("a", day0.AddDate(0, 0, 1), 2))
	mustPack(t, db)
	spoilBlob(t, db, "store_block", "id = 1")
	var out bytes.Buffer
	n, err := db.ExportCSV(t.Context(), &out, Export{Sensors: []pulse.SensorID{"a"}, Location: time.UTC})
	wantFor(t, "export", err, ErrCorrupt)
	if n.Readings != 1 || strings.Count(out.String(), "\n") != 2 {
		t.Errorf("%v:\n%s", n, out.String())
	}
}
