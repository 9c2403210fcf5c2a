package notify

import (
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// TestWhatIsOverIsSaidInTheAlarmsOwnWords: they know what is still dead, and that it was a sensor. How long it lasted
// is said of the alarm, not of the last that was said of it: a zone that was low for days was not dead for as long.
func TestWhatIsOverIsSaidInTheAlarmsOwnWords(t *testing.T) {
	for _, tt := range []struct {
		name   string
		source farm.Source
		found  alerts.Condition
		pr     alerts.Priority
		said   string
		want   string
	}{
		{"a zone that is still dead is named", "energizer/cartshed", alerts.Off, alerts.High,
			"Cartshed gives its usual again, but still dead when last heard: lane.",
			"Cartshed gives its usual again, but still dead when last heard: lane. See that all stock are in; look at it by day."},
		{"of the energizer it is the energizer that is looked at by day", "energizer/cartshed", alerts.Off, alerts.High,
			"Cartshed is on and the fence is hot.",
			"Cartshed is on and the fence is hot. It lasted 25 h, until 03:05. See that all stock are in; look at it by day."},
		{"a sensor reads right again, not the zone", "zone/lane", alerts.FaultySensor, alerts.Medium, "Lane's sensor agrees with the fence again.",
			"Lane's sensor agrees with the fence again. It lasted 25 h, until 03:05. If nobody mended it, it may come again."},
		{"all sensors are they", farm.Site, alerts.Silent, alerts.High, "The sensors are heard again.",
			"The sensors are heard again. It lasted 25 h, until 03:05. See that all stock are in; look at the router by day."},
		{"words that do not name the zone will not do", "zone/lane", alerts.Dead, alerts.High, "No longer so, as the readings since then show.",
			"Lane is back at 5.2 kV. It lasted 25 h, until 03:05. See that all stock are in; look at the wire by day."},
		{"of the watch itself", farm.Site, alerts.Storage, alerts.Medium, "No longer so: readings cannot be stored.",
			"No longer so: readings cannot be stored. It lasted 25 h, until 03:05. If nobody mended it, it may come again."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p, err := NewPlanner(testConfig(t))
			if err != nil {
				t.Fatal(err)
			}
			f := trouble(tt.source, tt.found, alerts.Unknown, tt.pr)
			c := told(call(clock(t, "20 02:05"), f), "Orla")
			f.Text, f.KV = tt.said, new(5.2)
			e := alerts.Event{ID: "id", Time: clock(t, "21 03:05"), Kind: alerts.Returned, Finding: f}
			p.over(e.Time, c, alerts.Change{Event: &e}, false)
			subject, body := p.words.at(e.Time).message(alerts.TellReturned, []*Call{c})
			if subject != tt.want {
				t.Errorf("got  %s\nwant %s", subject, tt.want)
			}
			if first, _, _ := strings.Cut(body, "\n"); !strings.HasPrefix(tt.want, first+" ") {
				t.Errorf("the letter begins otherwise than the subject: %s", first)
			}
			checkLetter(t, subject, body)
		})
	}
}

// What came back before may do so again, whoever has answered: nobody is told that all is done.
func TestOverOfWhatCameBackBefore(t *testing.T) {
	for _, tt := range []struct {
		pr       alerts.Priority
		answered string
		want     string
	}{
		{alerts.High, "", "Lane is back at 5.2 kV. It lasted 25 h, until 03:05. See that all stock are in; it came back before, so look by day."},
		{alerts.High, "Orla", "Lane is back at 5.2 kV. It lasted 25 h, until 03:05. See that all stock are in; it came back before, so look by day."},
		{alerts.Medium, "Orla", "Lane is back at 5.2 kV. It lasted 25 h, until 03:05. It came back before and may again: look by day."},
	} {
		p, err := NewPlanner(testConfig(t))
		if err != nil {
			t.Fatal(err)
		}
		f := trouble("zone/lane", alerts.Low, alerts.Short, tt.pr)
		f.Again = []time.Time{clock(t, "19 02:05")}
		c := told(call(clock(t, "20 02:05"), f), "Orla")
		c.Answered = tt.answered
		f.Text, f.KV, f.Again = "Lane is back at 5.2 kV.", new(5.2), nil
		e := alerts.Event{ID: "id", Time: clock(t, "21 03:05"), Kind: alerts.Returned, Finding: f}
		p.over(e.Time, c, alerts.Change{Event: &e}, false)
		subject, body := p.words.at(e.Time).message(alerts.TellReturned, []*Call{c})
		if subject != tt.want {
			t.Errorf("got  %s\nwant %s", subject, tt.want)
		}
		checkLetter(t, subject, body)
	}
}
