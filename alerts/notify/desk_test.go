package notify

import (
	"fmt"
	"os"
	"path/filepath"
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
	case "ack", "try-ack":
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
		if err != nil && f[0] != "try-ack" {
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

// TestNights plays every script in testdata/nights: a title, who is there if not all, what happens (<), and what is told
// (>). A night that went wrong on a farm can be added without any Go.
func TestNights(t *testing.T) {
	files, err := filepath.Glob("testdata/nights/*.txt")
	if err != nil || len(files) < 30 {
		t.Fatalf("%d nights, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			cfg := testConfig(t)
			var script night
			var want []string
			for line := range strings.Lines(string(data)) {
				mark, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
				switch mark {
				case "#", "":
				case "people":
					cfg.Farm.People = slices.DeleteFunc(cfg.Farm.People, func(p farm.Person) bool { return !slices.Contains(strings.Fields(rest), p.Name) })
				case "<":
					script = append(script, rest)
				case ">":
					want = append(want, rest)
				default:
					t.Fatalf("%s: %q is not understood", file, line)
				}
			}
			if diff := cmp.Diff(want, play(t, cfg, script)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
