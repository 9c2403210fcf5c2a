package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/drill"
	"nightwire/alerts/journal"
	"nightwire/alerts/notify"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/control"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/store"
)

// drillConfig returns what the farm file says about the weekly test.
func drillConfig(cfg *config.Config) drill.Config {
	t := &cfg.Alarms.WeeklyTest
	return drill.Config{Off: t.Off(), Day: t.Weekday(), At: int(t.At), AnswerWithin: t.AnswerWithin, Location: cfg.Farm.Location}
}

// reachable names the people who have a route.
func reachable(cfg *config.Config) []string {
	var out []string
	for i := range cfg.Farm.People {
		if len(cfg.Farm.People[i].Routes) > 0 {
			out = append(out, cfg.Farm.People[i].Name)
		}
	}
	return out
}

// test does what is due for the weekly test. n.mu is held.
func (n *night) test(now time.Time) {
	o := n.drill.Tick(now, reachable(n.cfg))
	s := n.engine.say(now, o.Events)
	if o.Send != "" {
		if err := n.sendTest(&s, o.Send, now); err != nil {
			n.log.Error("weekly test not sent", "err", err)
		}
	}
	s.Saved = append(s.Saved, n.drill.Saved()...)
	n.record(s)
}

// sendTest adds the messages of a test to a step. n.mu is held.
func (n *night) sendTest(s *alerts.Step, id string, now time.Time) error {
	ms, err := notify.TestMessages(notifyConfig(n.cfg), notify.Test{ID: id, NoLink: n.cfg.Page.URL == "", AnswerBy: n.drill.Record().AnswerBy}, now)
	s.Messages = append(s.Messages, ms...)
	n.log.Info("test sent", "id", id)
	return err
}

// testNow sends a test that is to be answered, when a asks for that. n.mu is held.
func (n *night) testNow(a alerts.Action) (s alerts.Step, err error) {
	if a.Kind != alerts.TestNow {
		return s, nil
	}
	to := reachable(n.cfg)
	if len(to) == 0 {
		return s, errors.New("nobody has a route\nhint: give people a mail, push or webhook address in the farm file")
	}
	err = n.sendTest(&s, n.drill.Now(a.Time, to), a.Time)
	s.Saved = n.drill.Saved()
	return s, err
}

// testAnswered takes in that somebody answered the weekly test, when a is that: the test itself, or the complaint that
// nobody had. n.mu is held.
func (n *night) testAnswered(a alerts.Action) alerts.Step {
	if a.Kind != alerts.Acknowledge && a.Kind != alerts.Answered || !slices.ContainsFunc(strings.Split(a.Alarm, "\n"), n.drill.Concerns) {
		return alerts.Step{}
	}
	s := n.engine.say(a.Time, n.drill.Answer(a.Time, a.By))
	s.Saved = append(s.Saved, n.drill.Saved()...)
	n.log.Info("weekly test answered", "by", a.By)
	return s
}

// lastTest returns the weekly test as the page shows it. n.mu is held.
func (n *night) lastTest() *web.Test {
	r := n.drill.Record()
	if r.ID == "" {
		return nil
	}
	t := &web.Test{ID: r.ID, Sent: r.Sent, AnswerBy: r.AnswerBy}
	for _, a := range r.Answers {
		t.Answers = append(t.Answers, web.TestAnswer(a))
	}
	return t
}

// LastTest returns what a watch that runs knows of the last weekly test.
func (n *night) LastTest() drill.Record {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.drill.Record()
}

// LastTest returns what the journal in a data folder has of the last weekly test, also beside a watch that runs.
func LastTest(ctx context.Context, dir string) (drill.Record, error) {
	if !used(dir) {
		return drill.Record{}, fmt.Errorf("there is no data in %s: %w\nhint: give the folder of the night watch with --data", dir, store.ErrMissing)
	}
	j, err := journal.Open(ctx, journal.Options{Path: filepath.Join(dir, storeFile)})
	if err != nil {
		return drill.Record{}, err
	}
	past, err := j.Load(ctx)
	if err = errors.Join(err, j.Close()); err != nil {
		return drill.Record{}, err
	}
	return drill.Last(past.Saved)
}

// TestNow has the watch that runs on a data folder send a test that somebody is to answer.
func TestNow(ctx context.Context, dir string, out io.Writer) error {
	if err := control.Act(ctx, dir, alerts.Action{Kind: alerts.TestNow, Source: farm.Site}); err != nil {
		return err
	}
	_, err := fmt.Fprintln(out, "A test is on its way to everybody. Press the button in it, or answer it on the page.")
	return err
}
