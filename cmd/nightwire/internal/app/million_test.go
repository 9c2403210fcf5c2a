package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightwire/alerts/journal"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// tenZones is a farm file of ten zones in a row.
func tenZones() string {
	var b strings.Builder
	b.WriteString("farm: test-bank\ntimezone: Europe/Dublin\nenergizers: [{name: cartshed, open_kv: 8.2, sensor: {topic: out}}]\nzones:\n")
	fed := "cartshed"
	for i := range 10 {
		name := fmt.Sprintf("zone%d", i)
		fmt.Fprintf(&b, "  - {name: %s, fed_by: %s, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: %[1]s}}\n", name, fed)
		fed = name
	}
	return b.String()
}

// millionSpan is how long a million readings of a zone go on.
const millionSpan = 120 * 24 * time.Hour

// millionFolder fills a data folder for ten zones. The first has a million readings up to the end of millionSpan, with
// two hours out every other day, the newest 20,000 not packed: the most that a live run lets come together. The others,
// and the energizer, have a day of readings. What is not packed came in minute by minute, as it does.
func millionFolder(tb testing.TB) (dir string) {
	tb.Helper()
	const slots, fresh = 1_050_000, 20_000
	dir = tb.TempDir()
	db, err := store.Open(tb.Context(), store.Options{Path: filepath.Join(dir, storeFile)})
	if err != nil {
		tb.Fatal(err)
	}
	reading := func(i int) pulse.Reading {
		at := start.Add(millionSpan / slots * time.Duration(i)).Truncate(time.Millisecond)
		r := pulse.Reading{Sensor: pulse.SensorID("test-bank/" + farm.ZoneSource("zone0")), At: at, Arrived: at}
		r.Set(pulse.Volts, float64(5000+(i*7919)%977))
		return r
	}
	var rs []pulse.Reading
	count := 0
	for i := range slots {
		if r := reading(i); r.At.Sub(start)%(48*time.Hour) >= 2*time.Hour {
			rs = append(rs, r)
			count++
		}
		if n := i + 1; n == slots || n%10_000 == 0 || n > slots-fresh && n%6 == 0 {
			err = errors.Join(err, appended(tb, db, rs))
			rs = rs[:0]
			if n == slots-fresh {
				err = errors.Join(err, db.Pack(tb.Context(), nil))
			}
		}
	}
	if count < 1_000_000 {
		tb.Fatalf("only %d readings", count)
	}
	if err := errors.Join(err, lastDays(tb, db), db.Close()); err != nil {
		tb.Fatal(err)
	}
	return dir
}

func appended(tb testing.TB, db *store.DB, rs []pulse.Reading) error {
	_, err := db.Append(tb.Context(), rs)
	return err
}

// lastDays gives the other zones, and the energizer, a day of readings a minute apart.
func lastDays(tb testing.TB, db *store.DB) (err error) {
	sources := []farm.Source{farm.EnergizerSource("cartshed")}
	for i := 1; i < 10; i++ {
		sources = append(sources, farm.ZoneSource(fmt.Sprintf("zone%d", i)))
	}
	end := start.Add(millionSpan)
	for at := end.Add(-sparkSpan); at.Before(end); at = at.Add(time.Minute) {
		var rs []pulse.Reading
		for _, src := range sources {
			r := pulse.Reading{Sensor: pulse.SensorID("test-bank/" + src), At: at, Arrived: at}
			r.Set(pulse.Volts, 6000)
			rs = append(rs, r)
		}
		err = errors.Join(err, appended(tb, db, rs))
	}
	return err
}

// openMillion starts a watch on a folder that millionFolder filled, up to where its page could be served.
func openMillion(tb testing.TB, dir string) (page http.Handler, stop func()) {
	tb.Helper()
	ctx := context.WithoutCancel(tb.Context())
	n := newNight(Options{Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return start.Add(millionSpan) }, Speed: 1, DataDir: dir}, parse(tb, tenZones()))
	path := filepath.Join(dir, storeFile)
	var err error
	if n.store, err = store.Open(ctx, store.Options{Path: path, Log: n.log}); err != nil {
		tb.Fatal(err)
	}
	n.archive.store = n.store
	if n.journal, err = journal.Open(ctx, journal.Options{Path: path}); err != nil {
		tb.Fatal(err)
	}
	if err := n.openEngine(ctx); err != nil {
		tb.Fatal(err)
	}
	site, err := n.site()
	if err != nil {
		tb.Fatal(err)
	}
	return site.Handler(), func() {
		n.save(ctx) // so that the next start need not go through the past
		if err := errors.Join(n.journal.Close(), n.store.Close()); err != nil {
			tb.Fatal(err)
		}
	}
}

// millionPages are the pages that are asked for, and what they must have.
func millionPages() []struct{ name, path, want string } {
	return []struct{ name, path, want string }{
		{"season plot", "/zone/zone0?view=season", "dry-hour level"},
		{"first view", "/", "zone9"},
	}
}

// ask fetches a page and returns how long that took.
func ask(tb testing.TB, page http.Handler, path, want string) time.Duration {
	tb.Helper()
	r := httptest.NewRequestWithContext(tb.Context(), "GET", path, nil)
	r.Host = "localhost"
	w := httptest.NewRecorder()
	began := time.Now()
	page.ServeHTTP(w, r)
	took := time.Since(began)
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), want) {
		tb.Fatalf("got %d without %q: %.300s", w.Code, want, w.Body)
	}
	return took
}

// TestPagesOfAMillionReadings asks a watch that has just started, and then again, and says how long each took.
func TestPagesOfAMillionReadings(t *testing.T) {
	if os.Getenv("NIGHTWIRE_LONG") == "" {
		t.Skip("skipped: NIGHTWIRE_LONG is not set")
	}
	dir := millionFolder(t)
	for _, tt := range millionPages() {
		t.Run(tt.name, func(t *testing.T) {
			page, stop := openMillion(t, dir)
			defer stop()
			first, best := ask(t, page, tt.path, tt.want), time.Hour
			for range 8 {
				best = min(best, ask(t, page, tt.path, tt.want))
			}
			t.Logf("%s: %v after a start, %v at best", tt.name, first, best)
		})
	}
}

// BenchmarkPagesOfAMillionReadings times the first answer after a start, and later ones. The bar for the season plot is
// 100 ms.
func BenchmarkPagesOfAMillionReadings(b *testing.B) {
	dir := millionFolder(b)
	for _, bc := range millionPages() {
		b.Run(bc.name+", after a start", func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				page, stop := openMillion(b, dir)
				b.StartTimer()
				ask(b, page, bc.path, bc.want)
				b.StopTimer()
				stop()
				b.StartTimer()
			}
		})
		b.Run(bc.name, func(b *testing.B) {
			page, stop := openMillion(b, dir)
			defer stop()
			for b.Loop() {
				ask(b, page, bc.path, bc.want)
			}
		})
	}
}
