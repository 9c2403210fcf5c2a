package influx

import (
	"bufio"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// forgetful is a server that brings what it took to its disk some seconds later, and loses the rest when it crashes.
// Connections to it are pipes, so that its clock can be the test's.
type forgetful struct {
	down  bool
	conns chan net.Conn

	mu      sync.Mutex
	open    []net.Conn
	disk    map[string]bool
	memory  map[string]time.Time // since when
	crashes int
	lost    int // how many were in memory alone when it crashed
}

// flushAfter is how long VictoriaMetrics takes at most: two seconds until rows are parts, and five until parts are on
// the disk (pendingRowsFlushInterval and -inmemoryDataFlushInterval).
const flushAfter = 7 * time.Second

func newForgetful() *forgetful {
	return &forgetful{conns: make(chan net.Conn), disk: map[string]bool{}, memory: map[string]time.Time{}}
}

// Accept, Close and Addr make it a listener.
func (s *forgetful) Accept() (net.Conn, error) {
	c, ok := <-s.conns
	if !ok {
		return nil, net.ErrClosed
	}
	return c, nil
}

func (s *forgetful) Close() error   { close(s.conns); return nil }
func (s *forgetful) Addr() net.Addr { return &net.TCPAddr{} }

func (s *forgetful) dial(context.Context, string, string) (net.Conn, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.down {
		return nil, errors.New("connection refused")
	}
	ours, theirs := net.Pipe()
	s.open = append(s.open, theirs)
	s.conns <- theirs
	return ours, nil
}

func (s *forgetful) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	in, err := gzip.NewReader(r.Body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for lines := bufio.NewScanner(in); lines.Scan(); {
		words := strings.Fields(lines.Text())
		s.memory[words[0]+" "+words[len(words)-1]] = time.Now()
	}
	w.WriteHeader(http.StatusNoContent)
}

// turn turns it off or on.
func (s *forgetful) turn(down bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.down = down
}

// crash kills it; it is back at once.
func (s *forgetful) crash() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.crashes++
	for key, since := range s.memory {
		if time.Since(since) >= flushAfter {
			s.disk[key] = true
		} else if !s.disk[key] {
			s.lost++
		}
	}
	clear(s.memory)
	for _, c := range s.open {
		c.Close()
	}
	s.open = nil
}

// has counts what it has.
func (s *forgetful) has() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := len(s.disk)
	for key := range s.memory {
		if !s.disk[key] {
			n++
		}
	}
	return n
}

// TestNoCrashLosesReadings lets a server crash at any moment, noticed by a write or not, twice within a minute or hours
// apart, while the past is copied and afterwards: at the end it has all.
func TestNoCrashLosesReadings(t *testing.T) {
	seeds := uint64(10)
	if testing.Short() {
		seeds = 3
	}
	lost := 0
	for seed := range seeds {
		synctest.Test(t, func(t *testing.T) { lost += crashes(t, seed) })
	}
	t.Logf("%d readings were lost by crashes and copied again", lost)
	if lost == 0 {
		t.Error("no crash lost anything: the test shows nothing")
	}
}

// story is a store, a mirror and a server that crashes.
type story struct {
	t    *testing.T
	rng  *rand.Rand
	db   *store.DB
	s    *forgetful
	wake chan struct{}
	sent int
}

// crashes tells one story and returns how many readings were lost on the way.
func crashes(t *testing.T, seed uint64) (lost int) {
	db, err := store.Open(t.Context(), store.Options{Path: filepath.Join(t.TempDir(), "night.db")})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	y := story{t: t, rng: rand.New(rand.NewPCG(seed, 5)), db: db, s: newForgetful(), wake: make(chan struct{}, 1)}
	y.add(y.rng.IntN(12_000)) // the past, if there is any
	defer y.mirror()()
	for range 60 {
		switch y.rng.IntN(6) {
		case 0:
			y.s.crash()
		case 1:
			y.s.turn(true)
			y.s.crash()
			y.pass(2 * time.Minute)
			y.s.turn(false)
		default:
			y.add(1 + y.rng.IntN(40))
		}
		// Mostly moments pass, sometimes minutes.
		y.pass([]time.Duration{time.Second, 4 * time.Second, 40 * time.Second, 5 * time.Minute}[y.rng.IntN(4)])
	}
	for range 3 { // what a crash took is noticed with the next reading
		y.add(1)
		<-time.After(time.Minute)
	}
	if n := y.s.has(); n != y.sent {
		t.Errorf("seed %d: the server has %d of %d readings after %d crashes", seed, n, y.sent, y.s.crashes)
	}
	return y.s.lost
}

// pass lets some time pass, less than limit.
func (y *story) pass(limit time.Duration) { <-time.After(time.Duration(y.rng.Int64N(int64(limit)))) }

// add stores n readings.
func (y *story) add(n int) {
	rs := make([]pulse.Reading, n)
	for i := range rs {
		rs[i].Sensor = pulse.SensorID(fmt.Sprintf("alder-bank/zone/z%d", i%5))
		rs[i].At = day0.Add(time.Duration(y.sent+i) * time.Second)
		rs[i].Arrived = rs[i].At
		rs[i].Set(pulse.Volts, 7000)
	}
	y.sent += n
	if _, err := y.db.Append(y.t.Context(), rs); err != nil {
		y.t.Fatal(err)
	}
	select {
	case y.wake <- struct{}{}:
	default:
	}
}

// mirror starts server and mirror; the returned function ends both.
func (y *story) mirror() (end func()) {
	tail, err := y.db.Tail(y.t.Context(), "mirror")
	if err != nil {
		y.t.Fatal(err)
	}
	c := client(y.t, Config{URL: "http://server.example.org", Bucket: "fence"})
	c.dialBy(y.s.dial)
	m, err := NewMirror(MirrorOptions{Client: c, Backlog: tail, Wake: y.wake, Metrics: NewMetrics(prometheus.NewRegistry()), Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		y.t.Fatal(err)
	}
	server := http.Server{Handler: y.s}
	ctx, stop := context.WithCancel(y.t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { _ = server.Serve(y.s) }) // ends when it is closed
	wg.Go(func() {
		if err := m.Run(ctx); err != nil {
			y.t.Error(err)
		}
	})
	return func() {
		stop()
		c.Close()
		if err := server.Close(); err != nil {
			y.t.Error(err)
		}
		wg.Wait()
	}
}
