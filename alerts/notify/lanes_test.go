package notify

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

func TestSupersede(t *testing.T) {
	now := time.Date(2026, 4, 21, 9, 0, 0, 0, time.UTC)
	old := func(m alerts.Message) alerts.Message { m.Created = now.Add(-time.Hour); return m }
	fresh := func(m alerts.Message) alerts.Message { m.Created = now.Add(-time.Second); return m }
	for _, tt := range []struct {
		name    string
		waiting []alerts.Message
		live    string
		stale   string
	}{
		{"a return tells of an unsent raise", []alerts.Message{old(letter("raised", "Orla", "mail", alerts.TellRaised, "x")),
			old(letter("returned", "Orla", "mail", alerts.TellReturned, "x"))}, "returned", "raised<returned"},
		{"of many repeats only the last", []alerts.Message{old(letter("raised", "Orla", "mail", alerts.TellRaised, "x")),
			old(letter("r1", "Orla", "mail", alerts.TellRepeat, "x")), old(letter("r2", "Orla", "mail", alerts.TellRepeat, "x"))},
			"r2", "r1<r2 raised<r2"},
		{"another alarm is another matter", []alerts.Message{old(letter("a", "Orla", "mail", alerts.TellRaised, "x")),
			old(letter("b", "Orla", "mail", alerts.TellRaised, "y"))}, "a b", ""},
		{"another person's or route's does not count", []alerts.Message{old(letter("a", "Orla", "mail", alerts.TellRaised, "x")),
			old(letter("b", "Bram", "mail", alerts.TellTaken, "x")), old(letter("c", "Orla", "push", alerts.TellTaken, "x"))}, "a b c", ""},
		{"a group stays while one of it has no newer", []alerts.Message{old(letter("ab", "Orla", "mail", alerts.TellRaised, "x", "y")),
			old(letter("x", "Orla", "mail", alerts.TellReturned, "x"))}, "ab x", ""},
		{"a group goes when each has", []alerts.Message{old(letter("ab", "Orla", "mail", alerts.TellRaised, "x", "y")),
			old(letter("x", "Orla", "mail", alerts.TellReturned, "x")), old(letter("y", "Orla", "mail", alerts.TellReturned, "y"))}, "x y", "ab<y"},
		{"in the ordinary case each goes out", []alerts.Message{fresh(letter("raised", "Orla", "mail", alerts.TellRaised, "x")),
			fresh(letter("updated", "Orla", "mail", alerts.TellUpdated, "x"))}, "raised updated", ""},
		{"the newest evening round", []alerts.Message{old(letter("mon", "Orla", "mail", alerts.TellRound, "x")),
			old(letter("tue", "Orla", "mail", alerts.TellRound, "y"))}, "tue", "mon<tue"},
		{"a round takes no alarm's place", []alerts.Message{old(letter("raised", "Orla", "mail", alerts.TellRaised, "x")),
			old(letter("tue", "Orla", "mail", alerts.TellRound, "x"))}, "raised tue", ""},
		{"tests and reminders stay", []alerts.Message{old(letter("t1", "Orla", "mail", alerts.TellTest, "t")), old(letter("t2", "Orla", "mail", alerts.TellTest, "t")),
			old(letter("m1", "Orla", "mail", alerts.TellReminder)), old(letter("m2", "Orla", "mail", alerts.TellReminder))}, "t1 t2 m1 m2", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			live, stale := supersede(tt.waiting, now)
			var gotLive, gotStale []string
			for _, m := range live {
				gotLive = append(gotLive, m.Key)
			}
			for k, by := range stale {
				gotStale = append(gotStale, k+"<"+by)
			}
			slices.Sort(gotStale)
			if diff := cmp.Diff([]string{tt.live, tt.stale}, []string{strings.Join(gotLive, " "), strings.Join(gotStale, " ")}); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestBackoff(t *testing.T) {
	for tries := 1; tries < 60; tries++ {
		low, high := backoff(tries, 0), backoff(tries, 1)
		if low < 4*time.Second || high > 6*time.Minute || low >= high {
			t.Errorf("after %d tries: %s to %s", tries, low, high)
		}
	}
}
