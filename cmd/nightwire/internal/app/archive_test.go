package app

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/ingest/influx"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
	"nightwire/sim/outside"
)

// startVictoria starts a VictoriaMetrics and returns its address.
func startVictoria(t *testing.T) string {
	t.Helper()
	path, addr := outside.Program(t, "victoria-metrics"), outside.Address(t)
	cmd := exec.Command(path, "-httpListenAddr", addr, "-storageDataPath", t.TempDir(), "-retentionPeriod", "100y", "-dedup.minScrapeInterval", "1ms")
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()
	})
	poll(t, "it listens", func() bool {
		res, err := http.Get("http://" + addr + "/internal/force_flush")
		if err == nil {
			res.Body.Close()
		}
		return err == nil
	})
	return "http://" + addr
}

func poll(t *testing.T, what string, ok func() bool) {
	t.Helper()
	end := time.After(time.Minute)
	for tick := time.Tick(50 * time.Millisecond); !ok(); {
		select {
		case <-tick:
		case <-end:
			t.Fatalf("never: %s", what)
		}
	}
}

// TestOldReadingsComeBackFromTheMirror copies ten days, lets the store go of eight and of five, and reads all of them.
func TestOldReadingsComeBackFromTheMirror(t *testing.T) {
	const brook, days = "alder-bank/zone/brook", 10
	ctx, address := t.Context(), startVictoria(t)
	start := time.Now().UTC().AddDate(0, 0, -30).Truncate(24 * time.Hour)
	db, err := store.Open(ctx, store.Options{Path: filepath.Join(t.TempDir(), storeFile)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	var rs []pulse.Reading
	for i := range days * 144 {
		r := pulse.Reading{Sensor: brook, At: start.Add(time.Duration(i) * 10 * time.Minute)}
		r.Arrived = r.At
		r.Set(pulse.Volts, 5000+float64(i))
		rs = append(rs, r)
	}
	if _, err := db.Append(ctx, rs); err != nil {
		t.Fatal(err)
	}
	if err := db.Pack(ctx, nil); err != nil {
		t.Fatal(err)
	}
	client, err := influx.New(influx.Config{URL: address, Bucket: "fence", Query: influx.PromQL})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(client.Close)
	copyAll(t, client, db)
	if err := db.Retain(ctx, store.Retention{Minutes: start.AddDate(0, 0, 8), Hours: start.AddDate(0, 0, 5)}); err != nil {
		t.Fatal(err)
	}
	a := &archive{store: db, mirror: client, log: slog.New(slog.DiscardHandler)}
	var got []pulse.Reading
	poll(t, "the mirror shows what it took", func() bool {
		got = nil
		for r, err := range a.readings(ctx, brook, start, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, r)
		}
		return len(got) >= days*144
	})
	for i, r := range got {
		if v, _ := r.Get(pulse.Volts); v != 5000+float64(i) || !r.At.Equal(start.Add(time.Duration(i)*10*time.Minute)) {
			t.Fatalf("reading %d of %d is %v V at %v", i, len(got), v, r.At)
		}
	}
	hours, err := a.hours(ctx, brook, pulse.Volts, start, start.AddDate(0, 0, days))
	if err != nil || len(hours) != days*24 {
		t.Fatalf("got %d hours, %v; want %d", len(hours), err, days*24)
	}
	for i, h := range hours {
		if lo := 5000 + float64(6*i); h.N != 6 || h.Min != lo || h.Max != lo+5 || !h.From.Equal(start.Add(time.Duration(i)*time.Hour)) {
			t.Errorf("hour %d is %+v, want 6 from %g to %g", i, h, lo, lo+5)
		}
	}
}

// copyAll copies a store to a mirror.
func copyAll(t *testing.T, client *influx.Client, db *store.DB) {
	t.Helper()
	tail, err := db.Tail(t.Context(), "mirror")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	m, err := influx.NewMirror(influx.MirrorOptions{Client: client, Backlog: tail, Metrics: influx.NewMetrics(prometheus.NewRegistry()), Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- m.Run(ctx) }()
	poll(t, "all is copied", func() bool {
		fresh, past, err := tail.Left(t.Context())
		return err == nil && fresh == 0 && past == 0
	})
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	// Retention waits until what was copied has settled, which would take a while.
	if err := db.Unfollow(t.Context(), "mirror"); err != nil {
		t.Fatal(err)
	}
}

// TestMirrorThatCannotBeRead gives what the store has, and is not asked again and again.
func TestMirrorThatCannotBeRead(t *testing.T) {
	ctx := t.Context()
	db, err := store.Open(ctx, store.Options{Path: filepath.Join(t.TempDir(), storeFile)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	now := time.Now().UTC().Truncate(time.Hour)
	for z := range 3 {
		r := pulse.Reading{Sensor: pulse.SensorID(fmt.Sprintf("alder-bank/zone/z%d", z)), At: now, Arrived: now}
		r.Set(pulse.Volts, 5000)
		if _, err := db.Append(ctx, []pulse.Reading{r}); err != nil {
			t.Fatal(err)
		}
	}
	asked := 0
	client, err := influx.New(influx.Config{URL: "http://127.0.0.1:1", Bucket: "fence"})
	if err != nil {
		t.Fatal(err)
	}
	a := &archive{store: db, mirror: client, log: slog.New(slog.DiscardHandler)}
	for z := range 3 {
		n := 0
		for _, err := range a.readings(ctx, pulse.SensorID(fmt.Sprintf("alder-bank/zone/z%d", z)), now.AddDate(0, 0, -1), time.Time{}) {
			if err != nil {
				asked++
				continue
			}
			n++
		}
		if n != 1 {
			t.Errorf("zone %d has %d readings, want the store's one", z, n)
		}
	}
	if asked != 1 {
		t.Errorf("the mirror was asked %d times, want once", asked)
	}
}
