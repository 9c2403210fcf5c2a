package farms

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
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

func startDaemon(t *testing.T, url, name string) *daemon { return startDaemonOf(t, 24, url, name) }

func startDaemonOf(t *testing.T, slots int, url, name string) *daemon {
	t.Helper()
	l, err := Join(t.Context(), LeaseOptions{Server: url, Name: name, Slots: slots, TTL: testTTL, Log: slog.New(slog.DiscardHandler)})
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

// TestLeasesOfAFarServer has a server that is 40 ms away, as in another country, and as many slots as there are.
func TestLeasesOfAFarServer(t *testing.T) {
	a := startDaemonOf(t, DefaultSlots, far(t, startNATS(t), 20*time.Millisecond), "a")
	settled(t, 10*time.Second, a)
	for end := time.After(3 * testTTL); ; {
		if _, none, _ := holders(a); none > 0 {
			t.Fatalf("%d farms are held by nobody", none)
		}
		select {
		case <-time.After(20 * time.Millisecond):
		case <-end:
			return
		}
	}
}

// far returns an address at which the server answers later by a delay each way.
func far(t *testing.T, url string, delay time.Duration) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	pass := func(from, to net.Conn) {
		type piece struct {
			due  time.Time
			data []byte
		}
		pieces := make(chan piece, 10_000)
		wg.Go(func() {
			defer close(pieces)
			for b := make([]byte, 64<<10); ; {
				n, err := from.Read(b)
				if n > 0 {
					pieces <- piece{time.Now().Add(delay), slices.Clone(b[:n])}
				}
				if err != nil {
					return
				}
			}
		})
		wg.Go(func() {
			defer to.Close()
			for p := range pieces {
				<-time.After(time.Until(p.due))
				_, _ = to.Write(p.data) // the reader sees that it is closed
			}
		})
	}
	wg.Go(func() {
		for {
			near, err := ln.Accept()
			if err != nil {
				return
			}
			there, err := net.Dial("tcp", strings.TrimPrefix(url, "nats://"))
			if err != nil {
				near.Close()
				continue
			}
			pass(near, there)
			pass(there, near)
		}
	})
	t.Cleanup(func() {
		ln.Close()
		wg.Wait()
	})
	return "nats://" + ln.Addr().String()
}

// TestSlotsAreDealtEvenly wants no daemon to have more than its share, also where there are as many as a plan may have,
// and few slots to move that need not when one dies.
func TestSlotsAreDealtEvenly(t *testing.T) {
	for _, n := range []int{1, 2, 3, 10, 110, 300} {
		var members []string
		for i := range n {
			members = append(members, fmt.Sprintf("daemon%d", i))
		}
		slices.Sort(members)
		before := deal(DefaultSlots, members)
		has := map[string]int{}
		for _, m := range before {
			has[m]++
		}
		for m, slots := range has {
			if slots > (DefaultSlots+n-1)/n {
				t.Errorf("%s of %d has %d of %d slots", m, n, slots, DefaultSlots)
			}
		}
		if n == 1 {
			continue
		}
		moved := 0
		for i, gone := range members {
			for slot, m := range deal(DefaultSlots, slices.Delete(slices.Clone(members), i, i+1)) {
				if before[slot] != gone && before[slot] != m {
					moved++
				}
			}
		}
		if each := float64(moved) / float64(n); each > DefaultSlots/20 {
			t.Errorf("when one of %d dies %.1f slots of others move", n, each)
		}
	}
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
