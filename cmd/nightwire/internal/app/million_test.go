package app

import (
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

// millionNight returns a watch of ten zones, the first of which has a million readings of the last 120 days. The newest
// 20,000 are not packed, the most that a live run lets come together.
func millionNight(tb testing.TB) *night {
	tb.Helper()
	const readings, span = 1_000_000, 120 * 24 * time.Hour
	now := start.Add(span)
	n := newNight(Options{Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return now }, Speed: 1, DataDir: tb.TempDir()}, parse(tb, tenZones()))
	path := filepath.Join(n.opts.DataDir, storeFile)
	var err error
	if n.store, err = store.Open(tb.Context(), store.Options{Path: path, Log: n.log}); err != nil {
		tb.Fatal(err)
	}
	n.archive.store = n.store
	tb.Cleanup(func() { n.store.Close() })
	if n.journal, err = journal.Open(tb.Context(), journal.Options{Path: path}); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { n.journal.Close() })
	id := pulse.SensorID("test-bank/" + farm.ZoneSource("zone0"))
	var rs []pulse.Reading
	for i := range readings {
		at := start.Add(span / readings * time.Duration(i)).Truncate(time.Millisecond)
		r := pulse.Reading{Sensor: id, At: at, Arrived: at}
		r.Set(pulse.Volts, float64(5000+(i*7919)%977))
		rs = append(rs, r)
		if len(rs) < 20_000 && i+1 < readings {
			continue
		}
		if i+1 == readings {
			if err := n.store.Pack(tb.Context(), nil); err != nil {
				tb.Fatal(err)
			}
		}
		if _, err := n.store.Append(tb.Context(), rs); err != nil {
			tb.Fatal(err)
		}
		rs = rs[:0]
	}
	lastDays(tb, n)
	if err := n.openEngine(tb.Context()); err != nil {
		tb.Fatal(err)
	}
	return n
}

// lastDays gives the other zones, and the energizer, a day of readings a minute apart.
func lastDays(tb testing.TB, n *night) {
	tb.Helper()
	sources := []farm.Source{farm.EnergizerSource("cartshed")}
	for i := 1; i < 10; i++ {
		sources = append(sources, farm.ZoneSource(fmt.Sprintf("zone%d", i)))
	}
	for _, src := range sources {
		var rs []pulse.Reading
		for at := n.now().Add(-sparkSpan); at.Before(n.now()); at = at.Add(time.Minute) {
			r := pulse.Reading{Sensor: pulse.SensorID("test-bank/" + src), At: at, Arrived: at}
			r.Set(pulse.Volts, 6000)
			rs = append(rs, r)
		}
		if _, err := n.store.Append(tb.Context(), rs); err != nil {
			tb.Fatal(err)
		}
	}
}

// TestPagesOfAMillionReadings asks for the pages over and over: what a reader waits for is the bar, though other work on
// the machine may stretch one answer or another, so the best of a few counts.
func TestPagesOfAMillionReadings(t *testing.T) {
	if os.Getenv("NIGHTWIRE_LONG") == "" {
		t.Skip("skipped: NIGHTWIRE_LONG is not set")
	}
	n := millionNight(t)
	site, err := n.site()
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name, path string
		bar        time.Duration
		want       string
	}{
		{"season plot", "/zone/zone0?view=season", 100 * time.Millisecond, "dry-hour level"},
		{"first view", "/", 5 * time.Millisecond, "zone9"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			best, first := time.Hour, time.Duration(0)
			for i := range 8 {
				r := httptest.NewRequestWithContext(t.Context(), "GET", tt.path, nil)
				r.Host = "localhost"
				w := httptest.NewRecorder()
				began := time.Now()
				site.Handler().ServeHTTP(w, r)
				took := time.Since(began)
				if best = min(best, took); i == 0 {
					first = took
				}
				if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), tt.want) {
					t.Fatalf("got %d without %q: %.300s", w.Code, tt.want, w.Body)
				}
			}
			t.Logf("%s: first %v, best %v, bar %v", tt.name, first, best, tt.bar)
			if best > tt.bar {
				t.Errorf("%s took %v at best, want under %v", tt.name, best, tt.bar)
			}
		})
	}
}
