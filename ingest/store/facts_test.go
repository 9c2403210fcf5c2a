package store

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// TestFacts looks into files that are in use, closed, newer, broken and missing. Facts hold no readings.
func TestFacts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	db := openAt(t, path)
	at := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	for i := range 5 {
		r := pulse.Reading{Sensor: "farm/brook", At: at.Add(time.Duration(i) * time.Minute), Arrived: at}
		r.Set(pulse.Volts, 4321+float64(i))
		mustAppend(t, db, r)
	}
	look := func(when string, want ...string) {
		t.Helper()
		text, err := Facts(t.Context(), path)
		if err != nil {
			t.Fatalf("%s: %v", when, err)
		}
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: facts lack %q:\n%s", when, w, text)
			}
		}
		for _, banned := range []string{"brook", "432"} {
			if strings.Contains(text, banned) {
				t.Errorf("%s: facts hold %q:\n%s", when, banned, text)
			}
		}
	}
	look("in use", "quick_check(5): ok", "journal_mode: wal", "rows of store_sensor: 1", "page_size: ")
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	look("closed", "quick_check(5): ok", "rows of store_sensor: 1")
	newer(t, path)
	look("of a newer program", "rows of store_sensor: 1")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := 4096; i < len(text); i++ { // the first page stays, so that it is still a database
		text[i] ^= 0xa5
	}
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := Facts(t.Context(), path); err == nil && strings.Contains(got, "quick_check(5): ok") {
		t.Errorf("a broken file is called sound:\n%s", got)
	}
	if got, err := Facts(t.Context(), filepath.Join(t.TempDir(), "none.db")); err == nil {
		t.Errorf("a file that is not there has facts:\n%s", got)
	}
}
