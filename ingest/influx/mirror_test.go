package influx

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"

	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

var _ backlog = (*store.Tail)(nil)

func client(tb testing.TB, cfg Config) *Client {
	tb.Helper()
	c, err := New(cfg)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(c.Close)
	return c
}

// listBacklog is a backlog in memory.
type listBacklog struct {
	mu    sync.Mutex
	rs    []pulse.Reading
	given int
	// rewound counts, and gives nothing again.
	rewound int
}

func (b *listBacklog) Next(_ context.Context, limit int) ([]pulse.Reading, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.given = min(limit, len(b.rs))
	return slices.Clone(b.rs[:b.given]), nil
}

func (b *listBacklog) Taken(context.Context) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rs = b.rs[b.given:]
	return nil
}

func (b *listBacklog) Rewind() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.rewound++
}

func (b *listBacklog) left() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.rs)
}

var _ backlog = (*listBacklog)(nil)

// run runs a mirror until the test ends, or the returned function is called.
func run(tb testing.TB, cfg Config, b backlog) (m *Mirror, stop func()) {
	tb.Helper()
	return runWoken(tb, cfg, b, nil)
}

// runWoken is run with a channel that tells of new readings.
func runWoken(tb testing.TB, cfg Config, b backlog, wake <-chan struct{}) (m *Mirror, stop func()) {
	tb.Helper()
	m, err := NewMirror(MirrorOptions{Wake: wake, Client: client(tb, cfg), Backlog: b, Metrics: NewMetrics(prometheus.NewRegistry()), Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := m.Run(ctx); err != nil {
			tb.Error(err)
		}
	})
	stop = sync.OnceFunc(func() {
		cancel()
		wg.Wait()
	})
	tb.Cleanup(stop)
	return m, stop
}

// day0 is a day in the past, since servers keep nothing from far ahead.
var day0 = time.Date(2026, 4, 20, 0, 0, 0, 0, time.UTC)

// someReadings returns readings a minute apart, each with other fields.
func someReadings(sensor pulse.SensorID, from time.Time, n int) []pulse.Reading {
	rs := make([]pulse.Reading, n)
	for i := range rs {
		r := &rs[i]
		r.Sensor, r.At = sensor, from.Add(time.Duration(i)*time.Minute+time.Duration(i%7)*time.Millisecond)
		r.Arrived = r.At.Add(time.Duration(i%3) * 250 * time.Millisecond)
		r.Set(pulse.Volts, 7000+float64(i%500)/10)
		if i%2 == 0 {
			r.Set(pulse.RSSI, -70-float64(i%20))
		}
		if i%5 == 0 {
			r.Set(pulse.BatteryVolts, 3.612)
			r.Set(pulse.Seq, float64(i))
		}
	}
	return rs
}

func TestRoundTrip(t *testing.T) {
	const brook, hazel = "alder-bank/zone/brook", "alder-bank/zone/hazel west=1, two"
	for name, start := range peers() {
		t.Run(name, func(t *testing.T) {
			s := start(t)
			want := someReadings(brook, day0.Add(-3*time.Minute), 3000)
			b := &listBacklog{rs: slices.Concat(want, someReadings(hazel, day0, 500), want)} // twice does no harm
			m, _ := run(t, s.config, b)
			until(t, "all is copied", func() bool { return b.left() == 0 && m.lag() == 0 })
			s.settle(t)
			c := client(t, s.config)
			var got []pulse.Reading
			until(t, "all can be read", func() bool {
				got = nil
				for r, err := range c.Readings(t.Context(), brook, day0, day0.Add(2*24*time.Hour)) {
					if err != nil {
						t.Fatal(err)
					}
					got = append(got, r)
				}
				return len(got) >= 2880
			})
			from, _ := slices.BinarySearchFunc(want, day0, func(r pulse.Reading, t time.Time) int { return r.At.Compare(t) })
			to, _ := slices.BinarySearchFunc(want, day0.Add(2*24*time.Hour), func(r pulse.Reading, t time.Time) int { return r.At.Compare(t) })
			if diff := cmp.Diff(want[from:to], got, cmp.AllowUnexported(pulse.Reading{})); diff != "" {
				t.Errorf("(-want +got):\n%.2000s", diff)
			}
			hours, err := c.Hours(t.Context(), brook, pulse.Volts, day0, day0.Add(36*time.Hour))
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(hoursOf(want, pulse.Volts, day0, day0.Add(36*time.Hour)), hours, cmp.Comparer(near)); diff != "" {
				t.Errorf("hours (-want +got):\n%.2000s", diff)
			}
			if other, err := c.Hours(t.Context(), hazel, pulse.Volts, day0, day0.Add(24*time.Hour)); err != nil || len(other) != 9 {
				t.Errorf("a sensor with an odd name has %d hours, %v; want 9", len(other), err)
			}
		})
	}
}

func near(a, b float64) bool { return a-b < 1e-6 && b-a < 1e-6 }

// hoursOf sums up readings by hour.
func hoursOf(rs []pulse.Reading, f pulse.Field, from, to time.Time) (out []Hour) {
	for _, r := range rs {
		v, ok := r.Get(f)
		if !ok || r.At.Before(from) || !r.At.Before(to) {
			continue
		}
		if h := r.At.Truncate(time.Hour); len(out) == 0 || !out[len(out)-1].From.Equal(h) {
			out = append(out, Hour{From: h, Min: v, Max: v})
		}
		h := &out[len(out)-1]
		h.N++
		h.Min, h.Max = min(h.Min, v), max(h.Max, v)
		h.Mean += (v - h.Mean) / float64(h.N)
	}
	return out
}

// openStore opens a store with a history of days that was there before the mirror.
func openStore(tb testing.TB) (*store.DB, *store.Tail) {
	tb.Helper()
	db, err := store.Open(tb.Context(), store.Options{Path: filepath.Join(tb.TempDir(), "night.db")})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { db.Close() })
	if _, err := db.Append(tb.Context(), someReadings("alder-bank/zone/brook", day0.AddDate(0, 0, -3), 3000)); err != nil {
		tb.Fatal(err)
	}
	if err := db.Pack(tb.Context(), nil); err != nil {
		tb.Fatal(err)
	}
	tail, err := db.Tail(tb.Context(), "mirror")
	if err != nil {
		tb.Fatal(err)
	}
	return db, tail
}

// TestOutageLosesNothing stops the server, as a power cut does, for the length of 200,000 readings. The bar: all there,
// once, with what was stored before there was a mirror.
func TestOutageLosesNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: starts and kills real servers")
	}
	for name, start := range peers() {
		t.Run(name, func(t *testing.T) {
			total := 200_000
			if testing.Short() {
				total = 20_000
			}
			s := start(t)
			db, tail := openStore(t)
			m, stop := run(t, s.config, tail)
			until(t, "the past is copied", func() bool { return s.count(t, "volts") == 3000 })
			s.down(t)
			for i := 0; i < total; i += 2000 {
				rs := make([]pulse.Reading, 2000)
				for k := range rs {
					j := i + k
					rs[k].Sensor = pulse.SensorID(fmt.Sprintf("alder-bank/zone/z%d", j%100))
					rs[k].At = day0.Add(time.Duration(j/100) * time.Second)
					rs[k].Arrived = rs[k].At
					rs[k].Set(pulse.Volts, 6500+float64(j%1000))
				}
				if _, err := db.Append(t.Context(), rs); err != nil {
					t.Fatal(err)
				}
				if i == total/2 {
					if err := db.Pack(t.Context(), nil); err != nil {
						t.Fatal(err)
					}
				}
			}
			if lag := m.lag(); lag == 0 {
				t.Error("the mirror claims to be up to date while its server is down")
			}
			began := time.Now()
			s.up(t)
			until(t, "all is copied", func() bool { left, _, err := tail.Left(t.Context()); return err == nil && left == 0 && m.lag() == 0 })
			t.Logf("%d readings were copied %s after the server came back", total, time.Since(began).Round(time.Millisecond))
			until(t, "all can be read", func() bool { return s.count(t, "volts") >= total+3000 })
			if n := s.count(t, "volts"); n != total+3000 {
				t.Errorf("the server has %d readings, want %d", n, total+3000)
			}
			stop()
		})
	}
}

// TestUnnoticedRestartLosesNothing kills the server and starts it again while the mirror has nothing to write, so that
// no write fails. What the server had taken last was in its memory alone.
func TestUnnoticedRestartLosesNothing(t *testing.T) {
	for name, start := range peers() {
		t.Run(name, func(t *testing.T) {
			s := start(t)
			db, tail := openStore(t)
			wake := make(chan struct{}, 1)
			_, stop := runWoken(t, s.config, tail, wake)
			until(t, "the past is copied", func() bool { return s.count(t, "volts") == 3000 })
			s.down(t)
			s.up(t)
			if _, err := db.Append(t.Context(), someReadings("alder-bank/zone/brook", day0, 1)); err != nil {
				t.Fatal(err)
			}
			wake <- struct{}{}
			until(t, "all is there again", func() bool { return s.count(t, "volts") == 3001 })
			stop()
		})
	}
}

// TestNewConnectionsDoNotHoldTheCopyUp has a server that closes each connection after its answer.
func TestNewConnectionsDoNotHoldTheCopyUp(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Connection", "close")
		w.WriteHeader(http.StatusNoContent)
	}))
	defer srv.Close()
	b := &listBacklog{rs: someReadings("alder-bank/zone/brook", day0, 3*writeReadings)}
	_, stop := run(t, Config{URL: srv.URL, Bucket: "fence"}, b)
	until(t, "all is copied", func() bool { return b.left() == 0 })
	stop()
	if b.rewound == 0 || b.rewound >= loneMost {
		t.Errorf("the backlog gave again %d times, want some, and fewer than %d", b.rewound, loneMost)
	}
}

// TestHungServerSlowsNothing stops the server with SIGSTOP, so that it takes connections and answers nothing, and
// compares how long a durable append takes before and meanwhile. The bar is a minute; here it is shorter.
func TestHungServerSlowsNothing(t *testing.T) {
	hang := 4 * time.Second
	if os.Getenv("NIGHTWIRE_LONG") == "1" {
		hang = time.Minute
	}
	s := startVictoria(t)
	db, tail := openStore(t)
	_, stop := run(t, s.config, tail)
	until(t, "the past is copied", func() bool { return s.count(t, "volts") == 3000 })
	sent := 0
	appends := func(d time.Duration) []time.Duration {
		var took []time.Duration
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for end := time.Now().Add(d); time.Now().Before(end); <-tick.C {
			rs := someReadings("alder-bank/zone/hazel", day0.Add(time.Duration(sent)*time.Minute), 20)
			sent += len(rs)
			began := time.Now()
			if _, err := db.Append(t.Context(), rs); err != nil {
				t.Fatal(err)
			}
			took = append(took, time.Since(began))
		}
		slices.Sort(took)
		return took
	}
	calm := appends(hang / 2)
	s.signal(t, syscall.SIGSTOP)
	hung := appends(hang)
	s.signal(t, syscall.SIGCONT)
	p := func(d []time.Duration, q float64) time.Duration {
		return d[int(q*float64(len(d)-1))].Round(10 * time.Microsecond)
	}
	t.Logf("append, median and p99: before %v and %v, while hung for %v %v and %v", p(calm, 0.5), p(calm, 0.99), hang, p(hung, 0.5), p(hung, 0.99))
	// Noise of a shared machine is not the mirror's doing; a write that waited for the server would take seconds.
	if limit := 2*p(calm, 0.5) + 5*time.Millisecond; p(hung, 0.5) > limit {
		t.Errorf("an append takes %v while the server hangs, and %v before", p(hung, 0.5), p(calm, 0.5))
	}
	if worst := hung[len(hung)-1]; worst > time.Second {
		t.Errorf("an append waited %v", worst)
	}
	until(t, "all is copied", func() bool { return s.count(t, "volts") == 3000+sent })
	stop()
}
