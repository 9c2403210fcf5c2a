package app

import (
	"context"
	"errors"
	"net"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"
)

func TestManagerHearsFromALivingWatchOnly(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	t.Setenv("WATCHDOG_USEC", "20000")
	m := newManager()
	hear := func(within time.Duration) string {
		buf := make([]byte, 100)
		if err := conn.SetReadDeadline(time.Now().Add(within)); err != nil {
			t.Fatal(err)
		}
		n, err := conn.Read(buf)
		if err != nil {
			return ""
		}
		return string(buf[:n])
	}
	m.tell("READY=1")
	if got := hear(testWait); got != "READY=1" {
		t.Errorf("the manager heard %q", got)
	}
	var stuck atomic.Bool
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- m.feed(ctx, func(context.Context) error {
			if stuck.Load() {
				return errors.New("stuck")
			}
			return nil
		})
	}()
	if got := hear(testWait); got != "WATCHDOG=1" {
		t.Errorf("the manager heard %q", got)
	}
	stuck.Store(true)
	hear(20 * time.Millisecond) // one may have been on its way
	hear(20 * time.Millisecond)
	if got := hear(200 * time.Millisecond); got != "" {
		t.Errorf("the manager heard %q of a watch that is stuck", got)
	}
	cancel()
	if err := wait(t, done); err != nil {
		t.Error(err)
	}
}
