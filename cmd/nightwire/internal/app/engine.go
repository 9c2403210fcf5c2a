// Package app wires the parts into a program: the night watch that runs for months, and the commands that look at what
// it keeps. It is the only place where siblings meet.
package app

import (
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/alerts/letter"
	"nightwire/alerts/notify"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/pulse"
)

// engine turns readings, time and what people do into steps to record. It is what a live run and a replay share, so
// that the same messages give the same alarms. It has no clock, and is not safe for concurrent use.
type engine struct {
	watch *detect.Watch
	rules rules
	desk  *notify.Desk
	tells []alerts.Action // what people did, to be told to the watch when it comes to that time
}

func newEngine(cfg *config.Config) (*engine, error) {
	watch, err := detect.New(detect.Options{Farm: &cfg.Farm})
	if err != nil {
		return nil, err
	}
	desk, err := notify.NewDesk(alerts.BookOptions{}, notifyConfig(cfg))
	if err != nil {
		return nil, err
	}
	return &engine{watch: watch, rules: newRules(cfg.Alarms.Conditions), desk: desk}, nil
}

// notifyConfig returns what the farm file says about who is told, and when.
func notifyConfig(cfg *config.Config) notify.Config {
	c := notify.Config{
		Farm: &cfg.Farm, RepeatEvery: cfg.Alarms.RepeatEvery, EscalateAfter: cfg.Alarms.EscalateAfter,
		Morning: int(cfg.Alarms.Morning), Evening: int(cfg.Alarms.Evening),
	}
	if at := letterTimes(cfg).Evening; at != letter.Never {
		c.Letters, c.Evening = true, at
	}
	return c
}

// observe takes in a reading that the store had not seen before.
func (e *engine) observe(r pulse.Reading) alerts.Step {
	s := e.advance(r.Arrived)
	s.Add(e.say(r.Arrived, e.watch.Observe(r)))
	return s
}

// advance does what time has brought by now, each thing at its own moment.
func (e *engine) advance(now time.Time) alerts.Step {
	var s alerts.Step
	for w := e.nextFinding(); !w.IsZero() && !w.After(now); w = e.nextFinding() {
		s.Add(e.find(alerts.Fired(w, now), w))
	}
	s.Add(e.desk.Tick(now))
	return s
}

// find takes in what is due by due for the detectors: their own timers, findings that were held back, what people did.
func (e *engine) find(now, due time.Time) alerts.Step {
	s := e.say(now, e.watch.Tick(due))
	s.Add(e.release(now, due))
	for len(e.tells) > 0 && !e.tells[0].Time.After(due) {
		s.Add(e.say(now, e.watch.Tell(e.tells[0])))
		e.tells = e.tells[1:]
	}
	return s
}

// nextFinding returns when find next has something to do; zero for never.
func (e *engine) nextFinding() time.Time {
	next := sooner(e.watch.Next(), e.rules.next())
	if len(e.tells) > 0 {
		next = sooner(next, e.tells[0].Time)
	}
	return next
}

// sooner returns the earlier of two times, of which zero is never.
func sooner(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// say takes in what the detectors found.
func (e *engine) say(now time.Time, events []alerts.Event) alerts.Step {
	if events = e.rules.apply(events); len(events) == 0 {
		return alerts.Step{}
	}
	return e.desk.Events(now, events...)
}

// release takes in the findings whose delay has passed by due.
func (e *engine) release(now, due time.Time) alerts.Step {
	events := e.rules.release(due)
	if len(events) == 0 {
		return alerts.Step{}
	}
	return e.desk.Events(now, events...)
}

// act takes in what a person did. The step is to be recorded also when the act is refused. The detectors hear of it
// when they come to that moment: in a live run there are readings on their way that are older.
func (e *engine) act(a alerts.Action) (alerts.Step, error) {
	a.Time = a.Time.UTC().Truncate(time.Millisecond)
	s, err := e.desk.Act(a.Time, a)
	if err == nil {
		e.hear(a)
	}
	return s, err
}

// hear keeps what a person did until the detectors come to that moment. Of a move they hear again when it ends, as of a
// fence strung anew: what they knew of the old place does not count at the new one.
func (e *engine) hear(a alerts.Action) {
	e.tells = append(e.tells, a)
	if a.Kind == alerts.OutOfService && a.Move {
		e.tells = append(e.tells, alerts.Action{Time: a.Until, Kind: alerts.Restrung, Source: a.Source, By: a.By})
	}
	slices.SortStableFunc(e.tells, func(a, b alerts.Action) int { return a.Time.Compare(b.Time) })
}
