package notify

import (
	"slices"
	"testing"
	"time"

	"nightwire/alerts"
)

// TestClockSetBackADay goes on calling people although all that was planned lies a day ahead.
func TestClockSetBackADay(t *testing.T) {
	now := clock(t, "22 02:10")
	d := newDesk(t, testConfig(t))
	d.Events(now, deadZone("x", now, "brook"))
	now = now.Add(-24 * time.Hour)
	s := d.NotLater(now)
	if len(s.Saved) == 0 {
		t.Error("the change is not saved")
	}
	var kinds []alerts.MessageKind
	for range 60 {
		now = now.Add(time.Minute)
		for _, m := range d.Tick(now).Messages {
			kinds = append(kinds, m.Kind)
		}
	}
	for _, want := range []alerts.MessageKind{alerts.TellRepeat, alerts.TellEscalated} {
		if !slices.Contains(kinds, want) {
			t.Errorf("in the hour after, people got %q, want %q among it", kinds, want)
		}
	}
}

// TestNotLaterChangesNothingInTime leaves a clock alone that was not set.
func TestNotLaterChangesNothingInTime(t *testing.T) {
	now := clock(t, "22 02:10")
	d := newDesk(t, testConfig(t))
	d.Events(now, deadZone("x", now, "brook"), alerts.Event{ID: "g", Time: now, Kind: alerts.Raised, Finding: alerts.Finding{
		Source: "zone/hazel", Condition: alerts.Growth, Priority: alerts.LowPriority, Text: "Growth."}})
	if s := d.NotLater(now); !s.Empty() {
		t.Errorf("got %+v, want nothing", s)
	}
}
