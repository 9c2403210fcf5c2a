package journal

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

// TestRecordAndSettleTogether has the watch record and the sender settle at the same time, while the page reads.
func TestRecordAndSettleTogether(t *testing.T) {
	const many = 60
	path := filepath.Join(t.TempDir(), "f.db")
	j := open(t, path)
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := range many {
			if err := j.Record(t.Context(), step(fmt.Sprint(i), alerts.Raised, i)); err != nil {
				t.Error(err)
				return
			}
		}
	})
	wg.Go(func() {
		for done := 0; done < many && t.Context().Err() == nil && !t.Failed(); {
			for _, m := range j.Pending() {
				if err := j.Settle(t.Context(), alerts.Delivery{Key: m.Key, Outcome: alerts.Taken, At: at(0), Tries: 1}); err != nil {
					t.Error(err)
					return
				}
				done++
			}
		}
	})
	wg.Go(func() {
		for range 20 {
			if _, err := j.Alarms(t.Context(), Filter{OpenOnly: true}); err != nil {
				t.Error(err)
				return
			}
		}
	})
	wg.Wait()
	wantPending(t, j)
	j.Close()
	j = open(t, path)
	wantPending(t, j)
	sent, err := j.Messages(t.Context(), "")
	if err != nil || len(sent) != many {
		t.Errorf("%d messages, %v; want %d", len(sent), err, many)
	}
}

func TestEventsOfOneAlarm(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	record(t, j, step("x", alerts.Raised, 0))
	record(t, j, step("y", alerts.Raised, 1))
	record(t, j, step("x", alerts.Escalated, 15))
	record(t, j, step("x", alerts.Returned, 20))
	for _, tt := range []struct {
		id   string
		want []alerts.EventKind
	}{
		{"x", []alerts.EventKind{alerts.Raised, alerts.Escalated, alerts.Returned}},
		{"y", []alerts.EventKind{alerts.Raised}},
		{"", []alerts.EventKind{alerts.Raised, alerts.Raised, alerts.Escalated, alerts.Returned}},
		{"nix", nil},
	} {
		t.Run("of "+tt.id, func(t *testing.T) {
			es, err := j.Events(t.Context(), tt.id)
			if err != nil {
				t.Fatal(err)
			}
			var got []alerts.EventKind
			for _, e := range es {
				got = append(got, e.Kind)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
	as, err := j.Alarms(t.Context(), Filter{ID: "x"})
	if err != nil || len(as) != 1 || as[0].Escalated != 1 || !as[0].Returned.Equal(at(20)) {
		t.Errorf("got %+v, %v", as, err)
	}
}

// TestAnUpdateChangesTheAlarm keeps when it was raised and takes over what is known now.
func TestAnUpdateChangesTheAlarm(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	record(t, j, step("x", alerts.Raised, 0))
	e := event("x", alerts.Updated, 3)
	e.Condition, e.Cause, e.DistanceM = alerts.Low, alerts.Short, new(120.0)
	record(t, j, alerts.Step{Events: []alerts.Event{e}})
	late := event("x", alerts.Raised, 0) // said again after a restart
	record(t, j, alerts.Step{Events: []alerts.Event{late}})
	got, err := j.Alarms(t.Context(), Filter{Condition: alerts.Low})
	if err != nil {
		t.Fatal(err)
	}
	want := []Alarm{{ID: "x", Raised: at(0), Updated: at(3), Finding: e.Finding}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestReturnWithoutRaise keeps an alarm in the history although only its end was ever seen.
func TestReturnWithoutRaise(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	record(t, j, step("x", alerts.Returned, 5))
	as, err := j.Alarms(t.Context(), Filter{})
	if err != nil || len(as) != 1 || !as[0].Returned.Equal(at(5)) || !as[0].Raised.Equal(at(5)) {
		t.Errorf("got %+v, %v", as, err)
	}
}

func TestStateIsForgotten(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "f.db"))
	put := func(key, json string) alerts.Step {
		s := alerts.Saved{Kind: "call", Key: key}
		if json != "" {
			s.JSON = []byte(json)
		}
		return alerts.Step{Saved: []alerts.Saved{s}}
	}
	record(t, j, put("a", `1`))
	record(t, j, put("b", `2`))
	record(t, j, put("a", `3`))
	record(t, j, put("b", ""))
	past, err := j.Load(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(put("a", `3`).Saved, past.Saved); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestSaidIsTheNewest keeps the newest events in order, however many there were.
func TestSaidIsTheNewest(t *testing.T) {
	j := open(t, "")
	const many = 10_050
	run(t, j.w, fmt.Sprintf(`WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < %d)
		INSERT INTO event (id, kind, time, json) SELECT i, 'raised', i, '{}' FROM n`, many-1))
	past, err := j.Load(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if n := len(past.Said); n != 10_000 || past.Said[0].ID != "50" || past.Said[n-1].ID != fmt.Sprint(many-1) {
		t.Errorf("%d events, from %s to %s", n, past.Said[0].ID, past.Said[n-1].ID)
	}
}

// TestEndedContext is a shutdown: what is recorded then is kept, and written when the journal is closed.
func TestEndedContext(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	j := open(t, path)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := j.Record(ctx, step("x", alerts.Raised, 0)); err == nil {
		t.Fatal("recorded with a context that had ended")
	}
	wantPending(t, j, "xraised")
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	wantPending(t, open(t, path), "xraised")
}

// TestOpenWritesNothingToAFileThatIsUpToDate, so that a daemon can start on a full disk.
func TestOpenWritesNothingToAFileThatIsUpToDate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	j := open(t, path)
	var before, after int
	if err := j.r.QueryRow(`PRAGMA data_version`).Scan(&before); err != nil {
		t.Fatal(err)
	}
	open(t, path)
	if err := j.r.QueryRow(`PRAGMA data_version`).Scan(&after); err != nil {
		t.Fatal(err)
	}
	if before != after {
		t.Error("opening it again wrote to it")
	}
}

func TestEmptyStepIsNothing(t *testing.T) {
	j := open(t, "")
	run(t, j.w, `PRAGMA query_only = 1`)
	if err := j.Record(t.Context(), alerts.Step{}); err != nil {
		t.Errorf("got %v", err)
	}
	if err := j.Settle(t.Context()); err != nil {
		t.Errorf("got %v", err)
	}
}

// BenchmarkRecord is one alarm with its message and state, synced to the disk.
func BenchmarkRecord(b *testing.B) {
	j := open(b, filepath.Join(b.TempDir(), "f.db"))
	i := 0
	for b.Loop() {
		i++
		record(b, j, step(fmt.Sprint(i), alerts.Raised, i))
	}
}
