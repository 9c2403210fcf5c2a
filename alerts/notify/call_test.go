package notify

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

func TestChangesErrand(t *testing.T) {
	base := func() alerts.Finding {
		return alerts.Finding{Source: "zone/brook", Condition: alerts.Low, Cause: alerts.Short, Priority: alerts.High, Zones: []string{"hazel", "lane"},
			KV: new(1.8), DistanceM: new(120.0), DistanceLowM: new(90.0), DistanceHighM: new(150.0), Text: "Text."}
	}
	day := time.Date(2026, 4, 24, 0, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name     string
		old, now func(*alerts.Finding)
		want     bool
	}{
		{name: "nothing new"},
		{name: "a little lower", now: func(f *alerts.Finding) { f.KV, f.Text = new(1.7), "Other words." }},
		{name: "more evidence", now: func(f *alerts.Finding) { f.Evidence = []string{"hazel rose"} }},
		{name: "another condition", now: func(f *alerts.Finding) { f.Condition = alerts.Dead }, want: true},
		{name: "another cause", now: func(f *alerts.Finding) { f.Cause = alerts.Open }, want: true},
		{name: "another cause may be it", now: func(f *alerts.Finding) { f.Or = alerts.EnergizerWeak }, want: true},
		{name: "only when wet", now: func(f *alerts.Finding) { f.WhenWet = true }, want: true},
		{name: "another priority", now: func(f *alerts.Finding) { f.Priority = alerts.Medium }, want: true},
		{name: "another zone", now: func(f *alerts.Finding) { f.Source = "zone/lane" }, want: true},
		{name: "one zone more", now: func(f *alerts.Finding) { f.Zones = append(f.Zones, "mill") }, want: true},
		{name: "the same zones in another order", now: func(f *alerts.Finding) { f.Zones = []string{"lane", "hazel"} }},
		{name: "moved within what was said", now: func(f *alerts.Finding) { f.DistanceM = new(149.0) }},
		{name: "moved a stroll beyond", now: func(f *alerts.Finding) { f.DistanceM = new(170.0) }},
		{name: "moved well beyond", now: func(f *alerts.Finding) { f.DistanceM = new(180.0) }, want: true},
		{name: "moved well before", now: func(f *alerts.Finding) { f.DistanceM = new(60.0) }, want: true},
		{name: "place known only now", old: func(f *alerts.Finding) { f.DistanceM = nil }, want: true},
		{name: "place no longer known", now: func(f *alerts.Finding) { f.DistanceM = nil }},
		{name: "moved, without bounds", old: func(f *alerts.Finding) { f.DistanceLowM, f.DistanceHighM = nil, nil },
			now: func(f *alerts.Finding) { f.DistanceM = new(149.0) }, want: true},
		{name: "growth is given a day", now: func(f *alerts.Finding) { f.BelowMinimumOn = new(day) }, want: true},
		{name: "growth by some hours", old: func(f *alerts.Finding) { f.BelowMinimumOn = new(day) }, now: func(f *alerts.Finding) { f.BelowMinimumOn = new(day.Add(time.Hour)) }},
		{name: "growth by a day", old: func(f *alerts.Finding) { f.BelowMinimumOn = new(day) }, now: func(f *alerts.Finding) { f.BelowMinimumOn = new(day.AddDate(0, 0, -1)) }, want: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			old, now := base(), base()
			for f, change := range map[*alerts.Finding]func(*alerts.Finding){&old: tt.old, &now: tt.now} {
				if change != nil {
					change(f)
				}
			}
			if got := changesErrand(old, now); got != tt.want {
				t.Errorf("got %t, want %t", got, tt.want)
			}
		})
	}
}

func TestAddKeepsWhatSaysMore(t *testing.T) {
	at := func(m int) time.Time { return time.Date(2026, 4, 21, 2, m, 0, 0, time.UTC) }
	for _, tt := range []struct {
		name string
		add  []Notice
		want []Notice
	}{
		{"a repeat while the raise waits", []Notice{{"Orla", alerts.TellRaised, at(1), at(9)}, {"Orla", alerts.TellRepeat, at(5), at(5)}},
			[]Notice{{"Orla", alerts.TellRaised, at(1), at(9)}}},
		{"an update over a repeat keeps the later time", []Notice{{"Orla", alerts.TellRepeat, at(1), at(9)}, {"Orla", alerts.TellUpdated, at(5), at(5)}},
			[]Notice{{"Orla", alerts.TellUpdated, at(5), at(9)}}},
		{"two people", []Notice{{"Orla", alerts.TellRaised, at(1), at(1)}, {"Bram", alerts.TellEscalated, at(5), at(5)}},
			[]Notice{{"Orla", alerts.TellRaised, at(1), at(1)}, {"Bram", alerts.TellEscalated, at(5), at(5)}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var c Call
			for _, n := range tt.add {
				c.add(n)
			}
			if diff := cmp.Diff(tt.want, c.Notices); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestDone says when a call may be forgotten.
func TestDone(t *testing.T) {
	at := time.Date(2026, 4, 21, 2, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name string
		c    Call
		want bool
	}{
		{"going on", Call{}, false},
		{"over, all told", Call{Over: at}, true},
		{"over, somebody still to be told", Call{Over: at, Notices: []Notice{{Person: "Orla"}}}, false},
		{"over, for the evening", Call{Over: at, RoundAt: at}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.c.done(); got != tt.want {
				t.Errorf("done is %t, want %t", got, tt.want)
			}
		})
	}
}
