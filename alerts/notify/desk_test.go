package notify

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// night is a script: what happens at which time, as "day hh:mm what…":
//
//	21 02:10 raised x brook dead high [zones]   an event
//	21 02:14 ack x Orla                         what a person does; shelve, out, in, unshelve the same
//	21 05:00 restart                            the program ends and starts again
//	21 12:00 -                                  nothing; time passes until then
type night []string

// play runs a script as the daemon would, every timer at its own moment, and returns what was told and escalated, a line
// each: "21 02:10 Orla raised x". Messages about several alarms name them all.
func play(t *testing.T, cfg Config, script night) []string {
	t.Helper()
	w := &watch{t: t, cfg: cfg, desk: newDesk(t, cfg)}
	for _, line := range script {
		f := strings.Fields(line)
		now := clock(t, f[0]+" "+f[1])
		for next := w.desk.Next(); !next.IsZero() && !next.After(now); next = w.desk.Next() {
			w.note(w.desk.Tick(next))
		}
		w.do(now, f[2:])
	}
	return w.out
}

// watch is one played night.
type watch struct {
	t     *testing.T
	cfg   Config
	desk  *Desk
	out   []string
	saved map[string]alerts.Saved
	said  []alerts.EventKey
	keys  map[string]bool
}

func (w *watch) do(now time.Time, f []string) {
	w.t.Helper()
	arg := func(i int) string {
		if i < len(f) {
			return f[i]
		}
		return ""
	}
	a := alerts.Action{Alarm: strings.ReplaceAll(arg(1), "+", separator), By: arg(2)}
	if arg(3) != "" && f[0] != "raised" && f[0] != "updated" && f[0] != "returned" {
		a.Until = clock(w.t, strings.ReplaceAll(arg(3), "/", " "))
	}
	switch f[0] {
	case "-":
	case "restart":
		w.restart()
	case "ack":
		a.Kind = alerts.Acknowledge
	case "shelve":
		a.Kind = alerts.Shelve
	case "out":
		a.Kind, a.Source, a.Alarm = alerts.OutOfService, farm.ZoneSource(arg(1)), ""
	case "in":
		a.Kind, a.Source, a.Alarm = alerts.InService, farm.ZoneSource(arg(1)), ""
	default:
		w.note(w.desk.Events(now, w.event(now, f)))
	}
	if a.Kind != "" {
		s, err := w.desk.Act(now, a)
		if err != nil {
			w.t.Fatalf("%v: %v", f, err)
		}
		w.note(s)
	}
}

func (w *watch) event(now time.Time, f []string) alerts.Event {
	w.t.Helper()
	e := alerts.Event{ID: f[1], Time: now, Kind: alerts.EventKind(f[0])}
	e.Source, e.Condition, e.Cause, e.Text = farm.ZoneSource(f[2]), alerts.Condition(f[3]), alerts.Unknown, "Text."
	if err := e.Priority.UnmarshalText([]byte(f[4])); err != nil {
		w.t.Fatal(err)
	}
	for _, extra := range f[5:] {
		var m float64
		if n, _ := fmt.Sscanf(extra, "%fm", &m); n == 1 {
			e.DistanceM = &m
		} else if cause, ok := strings.CutPrefix(extra, "cause="); ok {
			e.Cause = alerts.Cause(cause)
		} else {
			e.Zones = append(e.Zones, extra)
		}
	}
	return e
}

// note writes down what a step tells, and keeps its state as the journal does.
func (w *watch) note(s alerts.Step) {
	w.t.Helper()
	if w.saved == nil {
		w.saved, w.keys = map[string]alerts.Saved{}, map[string]bool{}
	}
	for _, v := range s.Saved {
		if k := v.Kind + " " + v.Key; v.JSON == nil {
			delete(w.saved, k)
		} else {
			w.saved[k] = v
		}
	}
	for _, e := range s.Events {
		w.said = append(w.said, e.Key())
		if e.Kind == alerts.Escalated {
			w.out = append(w.out, w.stamp(e.Time)+" escalated "+e.ID)
		}
	}
	for _, m := range s.Messages {
		var ids []string
		for _, e := range m.Alarms {
			ids = append(ids, e.ID)
		}
		w.out = append(w.out, strings.TrimSpace(fmt.Sprintf("%s %s %s %s", w.stamp(m.Created), m.Person, m.Kind, strings.Join(ids, "+"))))
		if w.keys[m.Key] {
			w.t.Errorf("the key %q was used twice", m.Key)
		}
		w.keys[m.Key] = true
		checkLetter(w.t, m.Subject, m.Body)
	}
}

func (w *watch) stamp(t time.Time) string {
	l := w.cfg.local(t)
	if l.Second() != 0 {
		return l.Format("2 15:04:05")
	}
	return l.Format("2 15:04")
}

func (w *watch) restart() {
	w.t.Helper()
	var saved []alerts.Saved
	for _, v := range w.saved {
		saved = append(saved, v)
	}
	slices.SortFunc(saved, func(a, b alerts.Saved) int { return strings.Compare(a.Kind+a.Key, b.Kind+b.Key) })
	w.desk = newDesk(w.t, w.cfg)
	if err := w.desk.Load(saved, w.said); err != nil {
		w.t.Fatal(err)
	}
}

func TestPolicy(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*Config)
		script night
		want   []string
	}{
		{name: "high wakes the first, again, then the next, until answered",
			script: night{"21 02:10 raised x brook dead high", "21 02:41 ack x Bram", "21 03:30 returned x brook dead high", "21 12:00 -"},
			want: []string{"21 02:10 Orla raised x", "21 02:20 Orla repeat x", "21 02:25 escalated x", "21 02:25 Bram escalated x",
				"21 02:30 Orla repeat x", "21 02:30 Bram repeat x", "21 02:40 escalated x", "21 02:40 Orla repeat x", "21 02:40 Bram repeat x",
				"21 02:40 Fergus escalated x",
				"21 02:41 Orla acknowledged x", "21 02:41 Fergus acknowledged x",
				"21 03:30 Orla returned x", "21 03:30 Bram returned x", "21 03:30 Fergus returned x"}},
		{name: "answered at once: nobody else hears of it",
			script: night{"21 02:10 raised x brook dead high", "21 02:12 ack x Orla", "21 03:30 returned x brook dead high", "21 12:00 -"},
			want:   []string{"21 02:10 Orla raised x", "21 03:30 Orla returned x"}},
		{name: "over before the answer",
			script: night{"21 02:10 raised x brook dead high", "21 02:15 returned x brook dead high", "21 12:00 -"},
			want:   []string{"21 02:10 Orla raised x", "21 02:15 Orla returned x"}},
		{name: "one person alone is told again, and nothing escalates",
			change: func(c *Config) { c.Farm.People = c.Farm.People[:1] },
			script: night{"21 02:10 raised x brook dead high", "21 02:35 ack x Orla", "21 12:00 -"},
			want:   []string{"21 02:10 Orla raised x", "21 02:20 Orla repeat x", "21 02:30 Orla repeat x"}},
		{name: "nobody to tell",
			change: func(c *Config) { c.Farm.People = nil },
			script: night{"21 02:10 raised x brook dead high", "21 02:12 raised y brook growth low", "21 23:00 -"}},
		{name: "medium waits for the morning",
			script: night{"21 02:10 raised x brook silent medium", "21 12:00 -"},
			want:   []string{"21 07:00 Orla raised x"}},
		{name: "medium by day is told at once, once",
			script: night{"21 14:10 raised x brook silent medium", "22 12:00 -"},
			want:   []string{"21 14:10 Orla raised x"}},
		{name: "medium that was over before the morning goes into the evening",
			script: night{"21 02:10 raised x brook silent medium", "21 04:10 returned x brook silent medium", "22 12:00 -"},
			want:   []string{"21 19:00 Orla round x"}},
		{name: "medium told in the evening and over at night is not worth waking for",
			script: night{"21 20:10 raised x brook silent medium", "22 04:10 returned x brook silent medium", "22 12:00 -"},
			want:   []string{"21 20:10 Orla raised x", "22 07:00 Orla returned x"}},
		{name: "quiet hours that end early last until the morning hour",
			change: func(c *Config) { c.Farm.People = c.Farm.People[1:2] },
			script: night{"21 02:10 raised x brook silent medium", "21 12:00 -"},
			want:   []string{"21 07:00 Bram raised x"}},
		{name: "quiet hours by day",
			change: func(c *Config) { c.Farm.People = c.Farm.People[2:3] },
			script: night{"21 02:10 raised x brook silent medium", "21 10:00 raised y hazel silent medium", "21 18:00 -"},
			want:   []string{"21 02:10 Fergus raised x", "21 17:00 Fergus raised y"}},
		{name: "low goes into the evening round, once",
			script: night{"21 02:10 raised x brook growth low", "21 03:10 raised y lane growth low", "23 12:00 -"},
			want:   []string{"21 19:00 Orla round x+y"}},
		{name: "low after the round waits a day; what is open is named below",
			script: night{"21 18:00 raised x brook growth low", "21 19:01 raised y lane growth low", "23 12:00 -"},
			want:   []string{"21 19:00 Orla round x", "22 19:00 Orla round y+x"}},
		{name: "low that is over goes into the round too",
			script: night{"21 18:00 raised x brook growth low", "22 08:00 returned x brook growth low", "23 12:00 -"},
			want:   []string{"21 19:00 Orla round x", "22 19:00 Orla round x"}},
		{name: "unanswered medium is named in the round",
			script: night{"21 10:00 raised x brook silent medium", "21 11:00 raised y lane growth low", "22 12:00 -"},
			want:   []string{"21 10:00 Orla raised x", "21 19:00 Orla round y+x"}},
		{name: "a burst at one moment is one message",
			script: night{"21 02:10 raised a brook dead high", "21 02:10 raised b hazel dead high", "21 02:10 raised c lane dead high", "21 02:13 ack a+b+c Orla", "21 12:00 -"},
			want:   []string{"21 02:10 Orla raised a", "21 02:10:30 Orla raised b+c"}},
		{name: "a burst over a minute is three messages, and its repeats fall together",
			script: night{"21 02:10 raised a brook dead high", "21 02:10:10 raised b hazel dead high", "21 02:10:20 raised c lane dead high",
				"21 02:10:50 raised d lane low high", "21 02:24 ack a+b+c+d Orla", "21 12:00 -"},
			want: []string{"21 02:10 Orla raised a", "21 02:10:30 Orla raised b+c", "21 02:11 Orla raised d", "21 02:20 Orla repeat a+b+c+d"}},
		{name: "an update is told when it changes the errand",
			script: night{"21 02:10 raised x brook dead high", "21 02:11 updated x brook dead high", "21 02:12 updated x brook dead high 120m",
				"21 02:13 updated x brook dead high 130m", "21 02:14 updated x brook dead high 130m hazel", "21 02:15 ack x Orla", "21 12:00 -"},
			want: []string{"21 02:10 Orla raised x", "21 02:12 Orla updated x", "21 02:14 Orla updated x"}},
		{name: "and a few times at most",
			script: night{"21 02:10 raised x brook dead high", "21 02:11 updated x brook dead high 10m", "21 02:12 updated x brook dead high 60m",
				"21 02:13 updated x brook dead high 110m", "21 02:14 updated x brook dead high 160m", "21 02:15 ack x Orla", "21 12:00 -"},
			want: []string{"21 02:10 Orla raised x", "21 02:11 Orla updated x", "21 02:12 Orla updated x", "21 02:13 Orla updated x"}},
		{name: "after the answer only whoever has it hears of the place",
			script: night{"21 02:10 raised x brook dead high", "21 02:26 ack x Bram", "21 02:31 updated x brook dead high 120m", "21 12:00 -"},
			want: []string{"21 02:10 Orla raised x", "21 02:20 Orla repeat x", "21 02:25 escalated x", "21 02:25 Bram escalated x",
				"21 02:26 Orla acknowledged x", "21 02:31 Bram updated x"}},
		{name: "medium that grows high at night wakes",
			script: night{"21 02:10 raised x brook dropping medium", "21 02:40 updated x brook dead high", "21 02:42 ack x Orla", "21 12:00 -"},
			want:   []string{"21 02:40 Orla raised x"}},
		{name: "answered, and then it gets worse",
			script: night{"21 14:10 raised x brook dropping medium", "21 14:20 ack x Orla", "21 23:40 updated x brook dead high", "21 23:41 ack x Orla", "22 12:00 -"},
			want:   []string{"21 14:10 Orla raised x", "21 23:40 Orla updated x"}},
		{name: "high that falls to medium is told and no longer repeated",
			script: night{"21 02:10 raised x brook dead high", "21 02:15 updated x brook dropping medium", "21 12:00 -"},
			want:   []string{"21 02:10 Orla raised x", "21 07:00 Orla updated x"}},
		{name: "shelved is quiet until it ends, then begins again",
			script: night{"21 02:10 raised x brook low high", "21 02:12 shelve x Orla 21/06:00", "21 02:30 updated x brook low high 20m", "21 06:01 ack x Orla", "21 12:00 -"},
			want:   []string{"21 02:10 Orla raised x", "21 06:00 Orla raised x"}},
		{name: "shelved and over is not told",
			script: night{"21 02:10 raised x brook low high", "21 02:12 shelve x Orla 21/06:00", "21 02:30 returned x brook low high", "21 12:00 -"},
			want:   []string{"21 02:10 Orla raised x"}},
		{name: "shelved by the second: the first may sleep",
			script: night{"21 02:10 raised x brook low high", "21 02:26 shelve x Bram 21/06:00", "21 05:00 -"},
			want: []string{"21 02:10 Orla raised x", "21 02:20 Orla repeat x", "21 02:25 escalated x", "21 02:25 Bram escalated x",
				"21 02:26 Orla acknowledged x"}},
		{name: "out of service: reminded, and spoken of at its end",
			script: night{"21 10:00 out brook Bram 21/12:00", "21 10:05 raised x brook dead high", "21 12:01 ack x Bram", "21 18:00 -"},
			want:   []string{"21 11:30 Bram reminder x", "21 12:00 Orla raised x", "21 12:01 Orla acknowledged x"}},
		{name: "out of service with an alarm going: the others hear of it",
			script: night{"21 10:00 raised x brook dead high", "21 10:05 out brook Bram 21/12:00", "21 10:30 returned x brook dead high", "21 11:00 in brook Bram", "21 18:00 -"},
			want:   []string{"21 10:00 Orla raised x", "21 10:05 Orla acknowledged x"}},
		{name: "work on brook does not hide hazel",
			script: night{"21 10:00 out brook Bram 21/12:00", "21 10:05 raised x brook dead high hazel", "21 10:06 ack x Bram", "21 11:00 -"},
			want:   []string{"21 10:05 Orla raised x", "21 10:06 Orla acknowledged x"}},
		{name: "a restart changes nothing",
			script: night{"21 02:10 raised x brook dead high", "21 02:12 restart", "21 02:12 raised y hazel silent medium", "21 02:22 restart",
				"21 02:27 restart", "21 02:28 ack x Bram", "21 06:00 restart", "21 06:30 returned x brook dead high", "21 12:00 -"},
			want: []string{"21 02:10 Orla raised x", "21 02:20 Orla repeat x", "21 02:25 escalated x", "21 02:25 Bram escalated x",
				"21 02:28 Orla acknowledged x", "21 06:30 Orla returned x", "21 06:30 Bram returned x", "21 07:00 Orla raised y"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg := testConfig(t)
			if tt.change != nil {
				tt.change(&cfg)
			}
			if diff := cmp.Diff(tt.want, play(t, cfg, tt.script)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
