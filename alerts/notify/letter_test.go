package notify

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// letterDesk has low alarms wait for a letter.
func letterDesk(t *testing.T) *Desk {
	cfg := testConfig(t)
	cfg.Letters = true
	cfg.Farm.People[0].Routes = append(route("orla"), farm.Route{Channel: "push", Address: "orla"})
	return newDesk(t, cfg)
}

// TestLowAlarmsWaitForTheLetter and go along with it, once, to be answered there.
func TestLowAlarmsWaitForTheLetter(t *testing.T) {
	d := letterDesk(t)
	now := clock(t, "21 10:00")
	e := deadZone("x", now, "lane")
	e.Condition, e.Priority = alerts.Growth, alerts.LowPriority
	d.Events(now, e)
	if next := d.Next(); !next.IsZero() {
		t.Errorf("the desk wants to be woken at %s; the letter comes from elsewhere", next)
	}
	evening := clock(t, "21 19:00")
	if s := d.Tick(evening); len(s.Messages) != 0 {
		t.Fatalf("the desk wrote a round of its own: %+v", s.Messages)
	}
	if m := d.Matters(evening); len(m) != 1 || m[0].What != "lane is being grown over" || m[0].Event.ID != "x" {
		t.Errorf("matters are %+v", m)
	}
	l := Letter{Kind: alerts.TellRound, Planned: evening, To: []string{"Orla", "Nobody"}, Subject: "All hot.", Body: "All hot.\n",
		Picture: &alerts.Picture{Name: "season.png", Type: "image/png", Data: []byte{1}}}
	s := d.Send(evening, l)
	if len(s.Messages) != 2 {
		t.Fatalf("got %+v, want one by mail and one by push", s.Messages)
	}
	for _, m := range s.Messages {
		if !m.Answers || len(m.Alarms) != 1 || m.Priority != alerts.LowPriority || m.Loud() {
			t.Errorf("by %s: %+v, want a quiet one that can be answered", m.Route.Channel, m)
		}
		if has := m.Picture != nil; has != (m.Route.Channel == "mail") {
			t.Errorf("by %s: picture %t", m.Route.Channel, has)
		}
	}
	again := d.Send(evening.AddDate(0, 0, 1), l)
	if again.Messages[0].Key != s.Messages[0].Key {
		t.Error("the same letter has another key: it would be sent twice")
	}
	e.Kind, e.Time = alerts.Returned, clock(t, "22 12:00")
	d.Events(e.Time, e)
	if got := d.Ended(clock(t, "22 19:00")); len(got) != 1 {
		t.Errorf("over is %q, want the growth", got)
	}
	l.Planned = clock(t, "22 19:00")
	d.Send(l.Planned, l)
	if got := d.Ended(l.Planned); len(got) != 0 || len(d.Matters(l.Planned)) != 0 {
		t.Errorf("told, and still %q is to be", got)
	}
}

// TestPutAsideIsNoMatter keeps what somebody has shelved, or works at, out of letters.
func TestPutAsideIsNoMatter(t *testing.T) {
	d := letterDesk(t)
	now := clock(t, "21 10:00")
	d.Events(now, deadZone("x", now, "brook"), deadZone("y", now, "hazel"), deadZone("z", now, "lane"))
	for _, a := range []alerts.Action{
		{Kind: alerts.Shelve, Alarm: "x", Until: clock(t, "21 20:00")},
		{Kind: alerts.OutOfService, Source: "zone/hazel", Until: clock(t, "21 20:00")},
	} {
		if _, err := d.Act(now, a); err != nil {
			t.Fatal(err)
		}
	}
	if m := d.Matters(now); len(m) != 1 || m[0].Event.ID != "z" || m[0].First == "" {
		t.Errorf("matters are %+v, want lane with what to do first", m)
	}
}

// TestWithdrawnIsNotOver tells nobody that a fence is well which is only there no more.
func TestWithdrawnIsNotOver(t *testing.T) {
	d := newDesk(t, testConfig(t))
	now := clock(t, "21 02:10")
	d.Events(now, deadZone("x", now, "brook"))
	e := deadZone("x", now.Add(5*time.Minute), "brook")
	e.Kind, e.Withdrawn = alerts.Returned, true
	if s := d.Events(e.Time, e); len(s.Messages) != 0 || len(s.Events) != 1 {
		t.Errorf("got %+v, want the end in the journal and no message", s)
	}
	if s := d.Tick(clock(t, "21 20:00")); len(s.Messages) != 0 {
		t.Errorf("told later: %+v", s.Messages)
	}
}
