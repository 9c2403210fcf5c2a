package notify

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

func deadZone(id string, at time.Time, zone string) alerts.Event {
	return alerts.Event{ID: id, Time: at, Kind: alerts.Raised, Finding: alerts.Finding{
		Source: farm.ZoneSource(zone), Condition: alerts.Dead, Cause: alerts.Unknown, Priority: alerts.High, Text: "Dead."}}
}

func TestTwentyAtOnceAreOneMessageARoute(t *testing.T) {
	cfg := testConfig(t)
	cfg.Farm.People[0].Routes = append(route("orla"), farm.Route{Channel: "push", Address: "orla"})
	now := clock(t, "21 02:10")
	var events []alerts.Event
	for i := range 20 {
		events = append(events, deadZone(fmt.Sprintf("a%02d", i), now, fmt.Sprintf("zone%02d", i)))
	}
	s := newDesk(t, cfg).Events(now, events...)
	if len(s.Messages) != 2 {
		t.Fatalf("got %d messages, want one by mail and one by push", len(s.Messages))
	}
	for _, m := range s.Messages {
		if len(m.Alarms) != 20 || !m.Answers || m.Priority != alerts.High || !m.Loud() {
			t.Errorf("message by %s: %d alarms, answers %t, %s", m.Route.Channel, len(m.Alarms), m.Answers, m.Priority)
		}
		checkLetter(t, m.Subject, m.Body)
	}
	if s.Messages[0].Key == s.Messages[1].Key {
		t.Error("two routes share a key")
	}
}

// TestPlannedTwiceIsTheSame is a crash between planning and recording: what is planned again after it has the same keys.
func TestPlannedTwiceIsTheSame(t *testing.T) {
	now := clock(t, "21 02:10")
	a := newDesk(t, testConfig(t)).Events(now, deadZone("x", now, "brook"))
	b := newDesk(t, testConfig(t)).Events(now.Add(40*time.Second), deadZone("x", now, "brook"))
	if a.Messages[0].Key != b.Messages[0].Key {
		t.Errorf("keys %q and %q", a.Messages[0].Key, b.Messages[0].Key)
	}
}

func TestRepeatedEventMakesNoStep(t *testing.T) {
	now := clock(t, "21 02:10")
	d := newDesk(t, testConfig(t))
	d.Events(now, deadZone("x", now, "brook"))
	if s := d.Events(now.Add(time.Second), deadZone("x", now, "brook")); !s.Empty() {
		t.Errorf("got %+v, want nothing", s)
	}
}

func TestActRefusedKeepsWhatTimeBrought(t *testing.T) {
	now := clock(t, "21 02:10")
	d := newDesk(t, testConfig(t))
	d.Events(now, deadZone("x", now, "brook"))
	s, err := d.Act(now.Add(11*time.Minute), alerts.Action{Kind: alerts.Acknowledge, Alarm: "nix", By: "Orla"})
	if !errors.Is(err, alerts.ErrNoAlarm) {
		t.Errorf("got %v, want no such alarm", err)
	}
	if len(s.Messages) != 1 || s.Messages[0].Kind != alerts.TellRepeat || len(s.Actions) != 0 {
		t.Errorf("got %+v, want the repeat and no action", s)
	}
}

func TestActOnSeveral(t *testing.T) {
	now := clock(t, "21 02:10")
	d := newDesk(t, testConfig(t))
	d.Events(now, deadZone("x", now, "brook"), deadZone("y", now, "hazel"))
	s, err := d.Act(now.Add(time.Minute), alerts.Action{Kind: alerts.Acknowledge, Alarm: "x\ngone\ny", By: "Orla"})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, a := range s.Actions {
		got = append(got, a.Alarm+" "+a.By)
	}
	if diff := cmp.Diff([]string{"x Orla", "y Orla"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if _, err = d.Act(now.Add(2*time.Minute), alerts.Action{Kind: alerts.Acknowledge, Alarm: "x\ny", By: "Bram"}); err == nil {
		t.Error("answered twice")
	}
}

func TestPeopleChangeWhileAnAlarmGoes(t *testing.T) {
	cfg := testConfig(t)
	d := newDesk(t, cfg)
	now := clock(t, "21 02:10")
	d.Events(now, deadZone("x", now, "brook"))
	cfg.Farm = new(*cfg.Farm)
	cfg.Farm.People = cfg.Farm.People[2:3] // only Fergus is left
	if err := d.SetConfig(cfg); err != nil {
		t.Fatal(err)
	}
	s := d.Tick(now.Add(time.Hour))
	if len(s.Messages) != 1 || s.Messages[0].Person != "Fergus" {
		t.Errorf("got %+v, want Fergus told", s.Messages)
	}
	if next := d.Next(); !next.IsZero() && next.Before(now.Add(time.Hour)) {
		t.Errorf("next is %s, in the past: the daemon would spin", next)
	}
}

// TestLongOutage has nothing running from 02:12 to 09:00: what fell due meanwhile is told once and not thirty times.
func TestLongOutage(t *testing.T) {
	d := newDesk(t, testConfig(t))
	now := clock(t, "21 02:10")
	d.Events(now, deadZone("x", now, "brook"))
	s := d.Tick(clock(t, "21 09:00"))
	if len(s.Messages) != 2 || len(s.Events) != 1 || !s.Events[0].Time.Equal(clock(t, "21 09:00")) {
		t.Errorf("got %d messages, %d escalations; want a repeat, and one escalation dated when it was made", len(s.Messages), len(s.Events))
	}
}

func TestEscalatedEventTellsWho(t *testing.T) {
	d := newDesk(t, testConfig(t))
	now := clock(t, "21 02:10")
	d.Events(now, deadZone("x", now, "brook"))
	var got alerts.Event
	for _, e := range d.Tick(now.Add(15 * time.Minute)).Events {
		got = e
	}
	if got.Kind != alerts.Escalated || got.ID != "x" || got.Text != "Orla has not answered, so Bram is told: Dead." || got.Cause != alerts.Unknown {
		t.Errorf("got %+v", got)
	}
}

func TestTestMessages(t *testing.T) {
	now := clock(t, "21 18:30")
	ms, err := TestMessages(testConfig(t), Test{ID: "test-1"}, now)
	if err != nil {
		t.Fatal(err)
	}
	var who []string
	for _, m := range ms {
		who = append(who, m.Person)
		if m.Kind != alerts.TellTest || !m.Answers || m.Loud() || m.Alarms[0].ID != "test-1" {
			t.Errorf("got %+v", m)
		}
	}
	if got := strings.Join(who, " "); got != "Orla Bram Fergus" {
		t.Errorf("told %s", got)
	}
	if _, err := TestMessages(testConfig(t), Test{Person: "Nobody"}, now); err == nil || !strings.Contains(err.Error(), "hint:") {
		t.Errorf("got %v, want an error with a hint", err)
	}
}

func TestLoadRefusesDamage(t *testing.T) {
	err := newDesk(t, testConfig(t)).Load([]alerts.Saved{{Kind: savedCall, Key: "x", JSON: []byte("{")}}, nil)
	if err == nil || !strings.Contains(err.Error(), "call x") {
		t.Errorf("got %v, want an error that names the piece", err)
	}
}

// TestReminderGoesToWhoeverIsThere has Bram at work, and a stranger, whose reminder goes to the first person.
func TestReminderGoesToWhoeverIsThere(t *testing.T) {
	for _, tt := range []struct{ by, want string }{{"Bram", "Bram"}, {"the vet", "Orla"}, {"", "Orla"}} {
		t.Run("by "+tt.by, func(t *testing.T) {
			d := newDesk(t, testConfig(t))
			now := clock(t, "21 10:00")
			a := alerts.Action{Kind: alerts.OutOfService, Source: "zone/brook", By: tt.by, Until: now.Add(2 * time.Hour)}
			if _, err := d.Act(now, a); err != nil {
				t.Fatal(err)
			}
			s := d.Tick(now.Add(90 * time.Minute))
			if len(s.Messages) != 1 || s.Messages[0].Person != tt.want || s.Messages[0].Loud() {
				t.Errorf("got %+v, want one to %s", s.Messages, tt.want)
			}
		})
	}
}

// TestReminderIsLoudWhenTheFenceIsDown is the most urgent reminder there is.
func TestReminderIsLoudWhenTheFenceIsDown(t *testing.T) {
	d := newDesk(t, testConfig(t))
	now := clock(t, "21 22:00")
	if _, err := d.Act(now, alerts.Action{Kind: alerts.OutOfService, Source: "zone/brook", By: "Orla", Until: now.Add(2 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	d.Events(now.Add(time.Minute), deadZone("x", now.Add(time.Minute), "brook"))
	s := d.Tick(now.Add(90 * time.Minute))
	if len(s.Messages) != 1 || !s.Messages[0].Loud() || len(s.Messages[0].Alarms) != 1 {
		t.Errorf("got %+v, want one that makes a noise", s.Messages)
	}
}

// TestRoundGoesByEveryRoute and is not answered for by an alarm that is over.
func TestRoundGoesByEveryRoute(t *testing.T) {
	cfg := testConfig(t)
	cfg.Farm.People[0].Routes = append(route("orla"), farm.Route{Channel: "push", Address: "orla"})
	d := newDesk(t, cfg)
	now := clock(t, "21 10:00")
	e := deadZone("x", now, "brook")
	e.Condition, e.Priority = alerts.Growth, alerts.LowPriority
	d.Events(now, e)
	s := d.Tick(clock(t, "21 19:00"))
	if len(s.Messages) != 2 || s.Messages[0].Route.Channel != "mail" || s.Messages[1].Route.Channel != "push" || !s.Messages[0].Answers {
		t.Fatalf("got %+v", s.Messages)
	}
	e.Kind, e.Time = alerts.Returned, clock(t, "22 10:00")
	d.Events(e.Time, e)
	s = d.Tick(clock(t, "22 19:00"))
	if len(s.Messages) != 2 || s.Messages[0].Answers {
		t.Errorf("got %+v, want a round that asks for no answer", s.Messages)
	}
	if next := d.Next(); !next.IsZero() {
		t.Errorf("something is still planned for %s", next)
	}
}

// TestNextIsKept asks for the next moment as often as readings come, and wants what a fresh look gives.
func TestNextIsKept(t *testing.T) {
	d := newDesk(t, testConfig(t))
	now := clock(t, "21 02:10")
	for i := range 40 {
		at := now.Add(time.Duration(i) * 7 * time.Minute)
		switch e := deadZone(fmt.Sprint("a", i/2), at, "brook"); i % 4 {
		case 0, 2:
			d.Events(at, e)
		case 1:
			if _, err := d.Act(at, alerts.Action{Kind: alerts.Shelve, Alarm: e.ID, By: "Orla", Until: at.Add(20 * time.Minute)}); err != nil {
				t.Fatal(err)
			}
		case 3:
			e.Kind = alerts.Returned
			d.Events(at, e)
		}
		kept := d.Next()
		d.next = nil
		if fresh := d.Next(); !fresh.Equal(kept) {
			t.Fatalf("step %d: kept %s, fresh %s", i, kept, fresh)
		}
	}
}
