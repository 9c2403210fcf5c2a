package farms

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// startNATS starts a real NATS server with JetStream and returns its address.
func startNATS(t *testing.T) string {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server is not ready")
	}
	t.Cleanup(func() {
		s.Shutdown()
		s.WaitForShutdown()
	})
	return s.ClientURL()
}

// daemon is one that takes leases and watches nothing.
type daemon struct {
	*Leases
	kill func() // as a crash: nothing is given up
}

const testTTL = 2 * time.Second

func startDaemon(t *testing.T, url, name string) *daemon {
	t.Helper()
	l, err := Join(t.Context(), LeaseOptions{Server: url, Name: name, Slots: 24, TTL: testTTL, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { _ = l.Run(ctx) })
	kill := sync.OnceFunc(func() {
		cancel()
		wg.Wait()
		l.nc.Close()
	})
	t.Cleanup(kill)
	return &daemon{l, kill}
}

// holders returns how many farms each daemon has, and how many have none or two.
func holders(ds ...*daemon) (each []int, none, two int) {
	each = make([]int, len(ds))
	for i := range 200 {
		n := 0
		for k, d := range ds {
			if d.Has(fmt.Sprintf("farm-%d", i)) {
				each[k]++
				n++
			}
		}
		if n == 0 {
			none++
		} else if n > 1 {
			two++
		}
	}
	return each, none, two
}

// settled waits until every farm is held by exactly one daemon and all hold some, and never by two meanwhile.
func settled(t *testing.T, within time.Duration, ds ...*daemon) (took time.Duration) {
	t.Helper()
	began, end := time.Now(), time.After(within)
	for tick := time.Tick(20 * time.Millisecond); ; {
		each, none, two := holders(ds...)
		if two > 0 {
			t.Fatalf("%d farms are held by two daemons", two)
		}
		idle := false
		for _, n := range each {
			idle = idle || n == 0
		}
		if none == 0 && !idle {
			t.Logf("%v farms after %v", each, time.Since(began).Round(10*time.Millisecond))
			return time.Since(began)
		}
		select {
		case <-tick:
		case <-end:
			t.Fatalf("after %v the farms are with %v, and %d with nobody", within, each, none)
		}
	}
}

func TestLeases(t *testing.T) {
	url := startNATS(t)
	a := startDaemon(t, url, "a")
	settled(t, 10*time.Second, a)
	b, c := startDaemon(t, url, "b"), startDaemon(t, url, "c")
	settled(t, 20*time.Second, a, b, c)
	b.kill()
	settled(t, 3*testTTL+5*time.Second, a, c)
	c.kill()
	if err := c.leaveAnew(t, url); err != nil {
		t.Fatal(err)
	}
	settled(t, testTTL+5*time.Second, a)
}

// leaveAnew gives up what a daemon held, by a connection of its own.
func (d *daemon) leaveAnew(t *testing.T, url string) error {
	t.Helper()
	l, err := Join(t.Context(), d.opts)
	if err != nil {
		return err
	}
	l.held = d.held
	return l.Leave(t.Context())
}

// TestLeaseServerAway keeps the farms that are watched while no lease server answers.
func TestLeaseServerAway(t *testing.T) {
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server is not ready")
	}
	a := startDaemon(t, s.ClientURL(), "a")
	settled(t, 10*time.Second, a)
	s.Shutdown()
	s.WaitForShutdown()
	<-time.After(2 * testTTL)
	if each, none, _ := holders(a); none > 0 {
		t.Errorf("without a lease server %d farms are given up, %v watched", none, each)
	}
	a.kill()
	if _, err := Join(t.Context(), LeaseOptions{Server: "nats://127.0.0.1:1", Name: "a b", Log: slog.New(slog.DiscardHandler)}); err == nil {
		t.Error("a name with a space was taken")
	}
}
