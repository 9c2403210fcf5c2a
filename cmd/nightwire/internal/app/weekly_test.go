package app

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

// monday is a minute before the weekly test of the small farm.
func monday() time.Time { return time.Date(2026, 5, 4, 9, 59, 0, 0, time.UTC) }

// waitMessage waits for a message of a kind.
func waitMessage(t *testing.T, messages <-chan map[string]any, kind string) map[string]any {
	t.Helper()
	for {
		if m := wait(t, messages); m["kind"] == kind {
			return m
		}
	}
}

// waitFor looks again and again until ok.
func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick, late := time.NewTicker(20*time.Millisecond), time.After(testWait)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("never came: %s", what)
		}
	}
}

// TestWeeklyTestByTheRealRoute lets a weekly test go out by webhook. The first is answered by its link, the second by
// nobody, which everybody is told; answering that ends it. Replaying what people did says nothing of tests.
func TestWeeklyTestByTheRealRoute(t *testing.T) {
	cfg, messages := hookedFarm(t)
	clock, data := &handClock{at: monday().Add(-2 * time.Hour)}, t.TempDir()
	live, stop := startLive(t, cfg, data, clock)
	at := wait(t, live.addresses)
	waitFor(t, "the plan of the first test", func() bool { r, err := LastTest(t.Context(), data); return err == nil && !r.Next.IsZero() })

	clock.set(monday().Add(2 * time.Minute))
	m := waitMessage(t, messages, "test")
	if wait(t, messages)["kind"] != "test" {
		t.Error("the second person got no test")
	}
	acknowledge(t, at.Page, m)
	r, err := LastTest(t.Context(), data)
	if err != nil || len(r.Answers) != 1 || r.Answers[0].By != m["person"] || len(r.To) != 2 {
		t.Errorf("kept %+v, %v, want the answer of %v", r, err, m["person"])
	}

	clock.set(monday().AddDate(0, 0, 7).Add(2 * time.Minute))
	waitMessage(t, messages, "test")
	waitMessage(t, messages, "test")
	clock.set(monday().AddDate(0, 0, 7).Add(5 * time.Hour))
	m = waitMessage(t, messages, "raised")
	if waitMessage(t, messages, "raised")["person"] == m["person"] {
		t.Error("only one person hears that nobody answered")
	}
	acknowledge(t, at.Page, m)
	waitMessage(t, messages, "returned")
	stop()
	r, err = LastTest(t.Context(), data)
	if err != nil || r.Complaint != "" || r.Last.By != m["person"] {
		t.Errorf("kept %+v, %v, want the complaint answered by %v", r, err, m["person"])
	}
	var kinds []string
	for _, e := range live.events {
		kinds = append(kinds, string(e.Condition)+" "+string(e.Kind))
	}
	if got := strings.Join(kinds, ", "); got != "test raised, test returned" {
		t.Errorf("events are %q", got)
	}
	var actions bytes.Buffer
	if err := ExportActions(t.Context(), data, &actions); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(actions.String(), string(alerts.Answered)) {
		t.Errorf("actions are %q, want the answer", actions.String())
	}
}
