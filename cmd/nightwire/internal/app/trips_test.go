package app

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// showers returns a gauge's readings of so many days, one an hour: it rains from 02:00 to 05:00 on every fourth.
func showers(from time.Time, days int) []pulse.Reading {
	var out []pulse.Reading
	for h := range 24 * days {
		r := pulse.Reading{Sensor: "test-bank/weather", At: from.Add(time.Duration(h) * time.Hour)}
		r.Arrived = r.At
		r.Set(pulse.RainMM, 0)
		if h/24%4 == 3 && h%24 >= 2 && h%24 < 5 {
			r.Set(pulse.RainMM, 2)
		}
		out = append(out, r)
	}
	return out
}

// TestTripsAfterRain has hazel trip some hours after each shower and brook on days without one.
func TestTripsAfterRain(t *testing.T) {
	from := time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)
	now := from.AddDate(0, 0, 28)
	n := storedNight(t, now, showers(from, 28))
	n.cfg.Farm.Weather = farm.Sensor{Topic: "test-bank/weather"}
	var err error
	if n.journal, err = journal.Open(t.Context(), journal.Options{}); err != nil {
		t.Fatal(err)
	}
	defer n.journal.Close()
	trip := func(zone string, at time.Time) {
		e := alerts.Event{ID: fmt.Sprintf("%s-%d", zone, at.Unix()), Time: at, Kind: alerts.Raised, Finding: alerts.Finding{Source: farm.ZoneSource(zone),
			Condition: alerts.Intermittent, Cause: alerts.CauseIntermittent, Priority: alerts.Medium, Text: "It comes and goes."}}
		over := e
		over.Kind, over.Time = alerts.Returned, at.Add(time.Hour)
		if err := n.journal.Record(t.Context(), alerts.Step{Events: []alerts.Event{e, over}}); err != nil {
			t.Fatal(err)
		}
	}
	for d := 3; d < 28; d += 4 {
		trip("hazel", from.AddDate(0, 0, d).Add(9*time.Hour))
		if d < 15 {
			trip("brook", from.AddDate(0, 0, d-1).Add(9*time.Hour))
		}
	}
	for _, tt := range []struct {
		name  string
		topic string
		want  string
	}{
		{"with a gauge", "test-bank/weather", "hazel alarmed 7 times, mostly intermittent, mostly after rain; brook alarmed 3 times, mostly intermittent"},
		{"without one nothing is claimed", "", "hazel alarmed 7 times, mostly intermittent; brook alarmed 3 times, mostly intermittent"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			n.cfg.Farm.Weather.Topic = tt.topic
			all, err := trips(t.Context(), n.store, &n.cfg.Farm, n.journal, web.Span{From: from, To: now})
			if err != nil {
				t.Fatal(err)
			}
			var said []string
			for _, one := range all {
				said = append(said, one.String())
			}
			if got := strings.Join(said, "; "); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
			year, rule, err := yearOfTrips(t.Context(), n.store, &n.cfg.Farm, n.journal, now)
			if err != nil || strings.Join(year, "; ") != tt.want || (rule != "") != (tt.topic != "") {
				t.Errorf("the year has %q by the rule %q, %v; want %q", year, rule, err, tt.want)
			}
		})
	}
}
