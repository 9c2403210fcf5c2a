package alerts

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/farm"
)

func TestLoud(t *testing.T) {
	for _, tt := range []struct {
		kind MessageKind
		p    Priority
		want bool
	}{
		{TellRaised, High, true}, {TellRepeat, High, true}, {TellEscalated, High, true}, {TellUpdated, High, true}, {TellReminder, High, true},
		{TellTaken, High, false}, {TellReturned, High, false}, {TellRound, High, false}, {TellTest, High, false},
		{TellRaised, Medium, false}, {TellRaised, LowPriority, false}, {TellReminder, Medium, false},
	} {
		t.Run(fmt.Sprint(tt.kind, " ", tt.p), func(t *testing.T) {
			if got := (&Message{Kind: tt.kind, Priority: tt.p}).Loud(); got != tt.want {
				t.Errorf("loud is %t, want %t", got, tt.want)
			}
		})
	}
}

func TestText(t *testing.T) {
	m := Message{Body: "Brook is dead.\n"}
	if got := m.Text(); got != m.Body {
		t.Errorf("without a link: %q", got)
	}
	m.Link = "https://farm.example/a/t"
	if got := m.Text(); !strings.HasPrefix(got, m.Body) || !strings.HasSuffix(got, "\n"+m.Link+"\n") {
		t.Errorf("with a link: %q; want it on a line of its own, after the body", got)
	}
}

// TestMessageKeepsItsFieldsAndNotItsLink goes through JSON, as the outbox does.
func TestMessageKeepsItsFieldsAndNotItsLink(t *testing.T) {
	m := Message{Key: "k", Kind: TellRaised, Farm: "alder-bank", Person: "Orla", Route: farm.Route{Channel: "mail", Address: "a@b"}, Priority: High,
		Created: at(0), Subject: "s", Body: "b", Alarms: []Event{say(0, "raised x brook dead high", "hazel")}, Answers: true, Tries: 2, NextTry: at(1)}
	with := m
	with.Link = "https://farm.example/a/secret"
	data, err := json.Marshal(with)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(data), "secret") {
		t.Errorf("the link is in %s", data)
	}
	var got Message
	if err := json.Unmarshal(data, &got); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(m, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestList(t *testing.T) {
	for want, names := range map[string][]string{"": nil, "brook": {"brook"}, "brook or lane": {"brook", "lane"}, "brook, hazel or lane": {"brook", "hazel", "lane"}} {
		if got := List(names, "or"); got != want {
			t.Errorf("%q is %q, want %q", names, got, want)
		}
	}
}

func TestClockTime(t *testing.T) {
	now := time.Date(2026, 6, 2, 3, 0, 0, 0, time.UTC) // a Tuesday
	for back, want := range map[time.Duration]string{
		time.Hour: "02:00", 3 * time.Hour: "00:00", 4 * time.Hour: "Mon 23:00", -20 * time.Hour: "23:00", -21 * time.Hour: "Wed 00:00",
		6*24*time.Hour - time.Minute: "Wed 03:01", 6 * 24 * time.Hour: "27 May 03:00", -6 * 24 * time.Hour: "8 Jun 03:00", 365 * 24 * time.Hour: "2 Jun 03:00",
	} {
		if got := ClockTime(now, now.Add(-back)); got != want {
			t.Errorf("%v before is %q, want %q", back, got, want)
		}
	}
}

func TestEventKey(t *testing.T) {
	e := say(0, "raised x brook dead high")
	same := e
	same.Time = e.Time.In(time.FixedZone("", 3600))
	same.Text, same.Priority = "other words", LowPriority
	if e.Key() != same.Key() {
		t.Errorf("%s and %s are one event", e.Key(), same.Key())
	}
	for name, change := range map[string]func(*Event){
		"another alarm": func(e *Event) { e.ID = "y" },
		"another kind":  func(e *Event) { e.Kind = Updated },
		"another time":  func(e *Event) { e.Time = e.Time.Add(time.Nanosecond) },
	} {
		other := e
		change(&other)
		if e.Key() == other.Key() {
			t.Errorf("%s has the same key %s", name, e.Key())
		}
	}
}

func TestStep(t *testing.T) {
	var s Step
	if !s.Empty() {
		t.Error("a new step is not empty")
	}
	s.Add(Step{Events: []Event{{ID: "a"}}, Saved: []Saved{{Key: "1"}}})
	s.Add(Step{Events: []Event{{ID: "b"}}, Actions: []Action{{By: "orla"}}, Saved: []Saved{{Key: "2"}}, Messages: []Message{{Key: "m"}}})
	want := Step{Events: []Event{{ID: "a"}, {ID: "b"}}, Actions: []Action{{By: "orla"}}, Saved: []Saved{{Key: "1"}, {Key: "2"}}, Messages: []Message{{Key: "m"}}}
	if diff := cmp.Diff(want, s); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, one := range []Step{{Events: s.Events}, {Actions: s.Actions}, {Saved: s.Saved}, {Messages: s.Messages}} {
		if one.Empty() {
			t.Errorf("%+v counts as empty", one)
		}
	}
}

func TestRetryAfterError(t *testing.T) {
	cause := errors.New("busy")
	err := fmt.Errorf("push: %w", &RetryAfterError{After: time.Minute, Err: cause})
	var asked *RetryAfterError
	if !errors.Is(err, cause) || !errors.As(err, &asked) || asked.After != time.Minute || err.Error() != "push: busy (asked to wait 1m0s)" {
		t.Errorf("got %v", err)
	}
}

func TestFired(t *testing.T) {
	for _, tt := range []struct {
		name string
		late time.Duration
		want float64
	}{
		{"on time", 0, 10}, {"on a busy machine", 59 * time.Second, 10}, {"nothing was running", 2 * time.Minute, 12},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := Fired(at(10), at(10).Add(tt.late)); !got.Equal(at(tt.want)) {
				t.Errorf("got %s, want %s", got, at(tt.want))
			}
		})
	}
}

// TestMustJSON writes what can be written, and breaks with the name of what cannot.
func TestMustJSON(t *testing.T) {
	if got := string(MustJSON(EventKey{ID: "a", Kind: Raised, UnixNano: 7})); got != `{"ID":"a","Kind":"raised","UnixNano":7}` {
		t.Errorf("wrote %s", got)
	}
	defer func() {
		if got := fmt.Sprint(recover()); !strings.Contains(got, "encode alerts.Finding: ") {
			t.Errorf("broke with %q", got)
		}
	}()
	MustJSON(Finding{KV: new(math.NaN())})
}

func TestShorten(t *testing.T) {
	for _, tt := range []struct{ name, in, want string }{
		{"short", "brook is dead.", "brook is dead."},
		{"exactly full", strings.Repeat("x", 120), strings.Repeat("x", 120)},
		{"between words", strings.Repeat("aaaa ", 30), strings.TrimRight(strings.Repeat("aaaa ", 23), " ") + "…"},
		{"one long word", strings.Repeat("é", 130), strings.Repeat("é", 119) + "…"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := Shorten(tt.in); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}
