package app

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/farm"
)

// smallFarm is a farm of one energizer and two zones that report every minute.
const smallFarm = `
farm: test-bank
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: 60s}}
zones:
  - {name: brook, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/brook, every: 60s}}
  - {name: hazel, fed_by: brook, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/hazel, every: 60s}}
`

const twoPeople = `
people:
  - {name: Ann, webhook: "http://127.0.0.1:9/ann"}
  - {name: Bob, webhook: "http://127.0.0.1:9/bob"}
channels: {webhook: {secret_file: secret}}
`

func parse(t testing.TB, text string) *config.Config {
	t.Helper()
	cfg, err := config.Parse("farm.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

var start = time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC)

// troubledNight is a capture of the small farm: all well, hazel dead from dead until well, and then all well until end.
func troubledNight(dead, well, end time.Duration) string {
	var b strings.Builder
	for at := time.Duration(0); at < end; at += time.Minute {
		hazel := 7.0 + 0.01*float64(at/time.Minute%5)
		if at >= dead && at < well {
			hazel = 0
		}
		for i, s := range []struct {
			topic string
			kv    float64
		}{{"shed", 7.8}, {"brook", 7.4}, {"hazel", hazel}} {
			kv := s.kv + 0.01*float64((at/time.Minute+time.Duration(i))%3)*min(s.kv, 1)
			fmt.Fprintf(&b, `{"tst":"%s","topic":"test-bank/%s","payload":{"kv":%.2f}}`+"\n",
				start.Add(at+time.Duration(i)*time.Second).Format("2006-01-02T15:04:05.000000Z+0000"), s.topic, kv)
		}
	}
	return b.String()
}

// replayed returns what a replay says.
func replayed(t testing.TB, cfg *config.Config, capture, journal string) ([]alerts.Event, Counts) {
	t.Helper()
	var out bytes.Buffer
	counts, err := Replay(t.Context(), ReplayOptions{Config: cfg, Capture: strings.NewReader(capture), Journal: strings.NewReader(journal), Out: &out})
	if err != nil {
		t.Fatal(err)
	}
	var events []alerts.Event
	for dec := json.NewDecoder(&out); dec.More(); {
		var e alerts.Event
		if err := dec.Decode(&e); err != nil {
			t.Fatal(err)
		}
		events = append(events, e)
	}
	return events, counts
}

// outline is what matters of events here.
func outline(events []alerts.Event) []string {
	var out []string
	for _, e := range events {
		out = append(out, fmt.Sprintf("%s %s %s %s", e.Time.Format("15:04"), e.Kind, e.Source, e.Condition))
	}
	return out
}

func TestReplayTellsOfADeadZone(t *testing.T) {
	events, counts := replayed(t, parse(t, smallFarm), troubledNight(2*time.Hour, 3*time.Hour, 4*time.Hour), "")
	got := outline(events)
	if len(got) < 2 || got[0] != "08:01 raised zone/hazel dead" || !strings.HasSuffix(got[len(got)-1], "returned zone/hazel dead") {
		t.Errorf("events are %q", got)
	}
	if events[0].ID != events[len(events)-1].ID {
		t.Error("the alarm changed its name")
	}
	if counts.Readings != 4*60*3 || counts.Bad+counts.Unknown+counts.Refused != 0 {
		t.Errorf("counts are %s", counts)
	}
}

func TestReplayEscalates(t *testing.T) {
	capture := troubledNight(2*time.Hour, 3*time.Hour, 4*time.Hour)
	events, _ := replayed(t, parse(t, smallFarm+twoPeople), capture, "")
	var escalated []alerts.Event
	for _, e := range events {
		if e.Kind == alerts.Escalated {
			escalated = append(escalated, e)
		}
	}
	if len(escalated) != 1 || escalated[0].Time.Sub(events[0].Time) != 15*time.Minute {
		t.Fatalf("escalated are %q, raised at %s", outline(escalated), events[0].Time)
	}
	ack := fmt.Sprintf(`{"time":"2026-05-01T08:05:00Z","action":"ack","alarm":%q,"by":"Ann"}`, events[0].ID)
	events, counts := replayed(t, parse(t, smallFarm+twoPeople), capture, ack+"\nnot an action\n")
	for _, e := range events {
		if e.Kind == alerts.Escalated {
			t.Errorf("escalated at %s, though Ann had answered", e.Time)
		}
	}
	if counts.Bad != 1 {
		t.Errorf("bad lines: %d, want the one of the journal", counts.Bad)
	}
}

func TestReplayIsTheSameTwice(t *testing.T) {
	cfg, capture := season(t, "demo", 4)
	var first, second bytes.Buffer
	for _, out := range []*bytes.Buffer{&first, &second} {
		if _, err := Replay(t.Context(), ReplayOptions{Config: cfg, Capture: bytes.NewReader(capture), Out: out}); err != nil {
			t.Fatal(err)
		}
	}
	if first.Len() == 0 {
		t.Fatal("a season with a broken wire gave no events")
	}
	if diff := cmp.Diff(first.String(), second.String()); diff != "" {
		t.Errorf("second run differs (-first +second):\n%s", diff)
	}
	last := time.Time{}
	for line := range strings.Lines(first.String()) {
		var e alerts.Event
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if e.Time.Before(last) {
			t.Errorf("%s at %s comes after %s", e.ID, e.Time, last)
		}
		last = e.Time
	}
}

func TestReplayCountsWhatItCannotUse(t *testing.T) {
	const tst = `{"tst":"2026-05-01T06:00:00Z","topic":"test-bank/brook","payload":`
	capture := tst + `{"kv":7}}` + "\n" + tst + `{"kv":7}}` + "\n\n" + tst + `"rubbish"}` + "\n" + tst + `7,"retain":1}` + "\n" +
		`{"tst":"2026-05-01T06:00:00Z","topic":"elsewhere","payload":7}` + "\nrubbish\n" + strings.Repeat("x", 2*maxLine) + "\n" +
		`{"tst":"2026-05-01T06:01:00Z","topic":"test-bank/brook","payload":7}` // and no line end
	_, counts := replayed(t, parse(t, smallFarm), capture, "")
	counts.FirstBad = nil
	want := Counts{Lines: 6, Readings: 2, Repeats: 1, Unknown: 1, Retained: 1, Refused: 1, Bad: 2}
	if diff := cmp.Diff(want, counts); diff != "" {
		t.Errorf("counts (-want +got):\n%s", diff)
	}
}

func TestRules(t *testing.T) {
	at := func(m int) time.Time { return start.Add(time.Duration(m) * time.Minute) }
	event := func(m int, kind alerts.EventKind, id string, c alerts.Condition) alerts.Event {
		return alerts.Event{ID: id, Time: at(m), Kind: kind, Finding: alerts.Finding{Source: farm.Source("zone/brook"), Condition: c, Priority: alerts.High}}
	}
	delays := map[string]config.Rule{"low": {OnDelay: 10 * time.Minute, OffDelay: 5 * time.Minute}, "weak": {Priority: alerts.LowPriority}}
	for _, tt := range []struct {
		name string
		in   []alerts.Event
		want []string
	}{
		{"no rule", []alerts.Event{event(0, alerts.Raised, "a", alerts.Dead)}, []string{"0 raised a dead high"}},
		{"priority", []alerts.Event{event(0, alerts.Raised, "a", alerts.Weak)}, []string{"0 raised a weak low"}},
		{"lasts", []alerts.Event{event(0, alerts.Raised, "a", alerts.Low)}, []string{"10 raised a low high"}},
		{"too short", []alerts.Event{event(0, alerts.Raised, "a", alerts.Low), event(9, alerts.Returned, "a", alerts.Low)}, nil},
		{"worse while it waits", []alerts.Event{event(0, alerts.Raised, "a", alerts.Low), event(3, alerts.Updated, "a", alerts.Dead)},
			[]string{"3 updated a dead high"}},
		{"over", []alerts.Event{event(0, alerts.Raised, "a", alerts.Low), event(20, alerts.Returned, "a", alerts.Low)},
			[]string{"10 raised a low high", "25 returned a low high"}},
		{"back again", []alerts.Event{event(0, alerts.Raised, "a", alerts.Low), event(20, alerts.Returned, "a", alerts.Low), event(22, alerts.Raised, "b", alerts.Low)},
			[]string{"10 raised a low high", "22 raised b low high"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := newRules(delays)
			var got []string
			say := func(events []alerts.Event) {
				for _, e := range events {
					got = append(got, fmt.Sprintf("%d %s %s %s %s", int(e.Time.Sub(start).Minutes()), e.Kind, e.ID, e.Condition, e.Priority))
				}
			}
			until := func(now time.Time) {
				for n := r.next(); !n.IsZero() && !n.After(now); n = r.next() {
					say(r.release(n))
				}
			}
			for _, e := range tt.in {
				until(e.Time)
				say(r.apply([]alerts.Event{e}))
			}
			until(at(100))
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("said (-want +got):\n%s", diff)
			}
		})
	}
}
