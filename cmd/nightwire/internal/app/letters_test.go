package app

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/journal"
)

// kept reports whether the journal in dir holds a piece of state.
func keptState(t *testing.T, dir, kind string) bool {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Path: filepath.Join(dir, storeFile)})
	if err != nil {
		return false
	}
	defer j.Close()
	past, err := j.Load(t.Context())
	if err != nil {
		return false
	}
	for _, s := range past.Saved {
		if s.Kind == kind {
			return true
		}
	}
	return false
}

// TestEveningRoundIsHonest has one evening with all heard, one with a zone silent, and one that a restart falls into:
// each makes one message to the first person, and only the first says that all is hot.
func TestEveningRoundIsHonest(t *testing.T) {
	cfg, messages := hookedFarm(t)
	day := time.Date(2026, 5, 5, 18, 0, 0, 0, time.UTC) // a Tuesday: no weekly test, no weekly letter
	clock, data := &handClock{at: day}, t.TempDir()
	live, stop := startLive(t, cfg, data, clock)
	at := wait(t, live.addresses)
	clock.set(day.Add(10 * time.Minute))
	waitFor(t, "the plan of the first letters", func() bool { return keptState(t, data, "letters") })

	report := func(live *liveRun, at Addresses, now time.Time, names ...string) {
		p, err := newPublisher(t.Context(), "mqtt://"+at.Broker, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		clock.set(now)
		for i, name := range names {
			if err := p.send(t.Context(), "test-bank/"+name, fmt.Appendf(nil, `{"kv": %.1f}`, 7.5-0.3*float64(i))); err != nil {
				t.Fatal(err)
			}
			wait(t, live.arrived)
			wait(t, live.looked)
		}
		if err := p.close(); err != nil {
			t.Fatal(err)
		}
	}
	evening := func() map[string]any {
		m := waitMessage(t, messages, string(alerts.TellRound))
		if m["person"] != "Ann" || m["priority"] != "low" {
			t.Errorf("round goes to %v at %v priority, want Ann, low", m["person"], m["priority"])
		}
		return m
	}
	report(live, at, day.Add(59*time.Minute), "shed", "brook", "hazel")
	clock.set(day.Add(time.Hour + 2*time.Second))
	if m := evening(); m["subject"] != "All hot." {
		t.Errorf("a hot evening is told as %q", m["subject"])
	}

	next := day.AddDate(0, 0, 1)
	report(live, at, next.Add(59*time.Minute), "shed", "brook")
	clock.set(next.Add(time.Hour + 2*time.Second))
	m := evening()
	if s := fmt.Sprint(m["subject"], m["text"]); strings.Contains(strings.ToLower(s), "all hot") || !strings.Contains(s, "azel is not heard") {
		t.Errorf("an evening without hazel is told as %q", s)
	}

	stop()
	clock.set(next.AddDate(0, 0, 1).Add(2 * time.Hour)) // the third evening passes while nothing runs
	live, stop = startLive(t, cfg, data, clock)
	at = wait(t, live.addresses)
	report(live, at, next.AddDate(0, 0, 1).Add(2*time.Hour+10*time.Minute), "shed", "brook", "hazel")
	evening()
	stop()
	for len(messages) > 0 {
		if m := <-messages; m["kind"] == string(alerts.TellRound) {
			t.Errorf("a fourth round: %v", m["subject"])
		}
	}
}
