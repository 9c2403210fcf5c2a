package app

import (
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"nightwire/alerts"
)

// TestFailingChannelIsAnAlarm lets the only channel fail for a quarter of an hour while a test waits to be sent. That
// nobody can be told is an alarm of high priority, for the page and a lamp, until the channel works again.
func TestFailingChannelIsAnAlarm(t *testing.T) {
	var down atomic.Bool
	var asked atomic.Int64
	down.Store(true)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		asked.Add(1)
		if down.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
	}))
	t.Cleanup(hook.Close)
	cfg, _ := hookedFarm(t)
	for i := range cfg.Farm.People {
		cfg.Farm.People[i].Routes[0].Address = hook.URL
	}
	clock, data := &handClock{at: monday().Add(-2 * time.Hour)}, t.TempDir()
	live, stop := startLive(t, cfg, data, clock)
	wait(t, live.addresses)
	said := func(kind alerts.EventKind, p alerts.Priority) func() bool {
		return func() bool {
			live.mu.Lock()
			defer live.mu.Unlock()
			for _, e := range live.events {
				if e.Condition == alerts.Channel && e.Kind == kind && e.Priority == p {
					return true
				}
			}
			return false
		}
	}
	waitFor(t, "the first turn", func() bool { r, err := LastTest(t.Context(), data); return err == nil && !r.Next.IsZero() })
	clock.set(monday().Add(2 * time.Minute))
	waitFor(t, "a message that is not taken", func() bool { return asked.Load() > 0 })
	clock.set(monday().Add(20 * time.Minute))
	waitFor(t, "an alarm that nobody can be told", said(alerts.Raised, alerts.High))
	down.Store(false)
	clock.set(monday().Add(40 * time.Minute))
	waitFor(t, "the end of it", said(alerts.Returned, alerts.Medium))
	stop()
}
