package notify

import (
	"errors"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Desk joins the book of alarms and the plan of who is told: events and what people do go in, and steps to be recorded
// come out, with the messages to be sent. It is what a live run and a replay share. It has no clock, and is not safe for
// concurrent use.
//
// Every method first does what time has brought by now, so steps are in order whoever calls. Record each step, also
// one that comes with an error.
type Desk struct {
	book *alerts.Book
	plan *Planner
	next *time.Time // what Next returns; nil when it is to be worked out anew. It is asked at every reading.
}

// NewDesk returns a desk on which nothing lies.
func NewDesk(book alerts.BookOptions, cfg Config) (*Desk, error) {
	plan, err := NewPlanner(cfg)
	if err != nil {
		return nil, err
	}
	if book.Stock == nil {
		book.Stock = func(s farm.Source) bool { return len(plan.cfg.Farm.StockBehind(s)) > 0 }
	}
	return &Desk{book: alerts.NewBook(book), plan: plan}, nil
}

// Load brings back the state that steps saved, and which events were said already.
func (d *Desk) Load(saved []alerts.Saved, said []alerts.EventKey) error {
	d.next = nil
	return errors.Join(d.book.Load(saved, said), d.plan.load(saved))
}

// NotLater brings back what waits for a moment further off than it ever has to: the clock was set back. Shelving,
// repeats and the next person then do not wait until it has come round again.
func (d *Desk) NotLater(now time.Time) alerts.Step {
	d.book.NotLater(now)
	d.plan.notLater(now)
	return d.finish(nil, orders{})
}

// SetConfig changes people, hours and layout, and keeps what is going on.
func (d *Desk) SetConfig(cfg Config) error {
	d.next = nil
	return d.plan.SetConfig(cfg)
}

// Book returns the alarms, to read.
func (d *Desk) Book() *alerts.Book { return d.book }

// Events takes in what the detectors say. The step's events are those not said before, under the IDs they go by.
func (d *Desk) Events(now time.Time, events ...alerts.Event) alerts.Step {
	s := d.Tick(now)
	s.Add(d.step(now, d.book.Apply(now, events...)))
	return s
}

// separator joins the alarms of one link.
const separator = "\n"

// Act takes in what a person did. The alarm of an acknowledgement may be several, as a link for a message about several
// gives them; it is then refused only when all are.
func (d *Desk) Act(now time.Time, a alerts.Action) (alerts.Step, error) {
	if a.Time.IsZero() {
		a.Time = now.UTC()
	}
	s := d.Tick(now)
	names := []string{a.Alarm}
	if a.Kind == alerts.Acknowledge {
		names = strings.Split(a.Alarm, separator)
	}
	var changes []alerts.Change
	var errs []error
	for _, name := range names {
		a.Alarm = name
		if p, ok := d.book.Find(name); ok {
			a.Alarm = p.ID
			if name == p.Key() {
				a.Alarm = name // shelved ahead of any occurrence
			}
		}
		cs, err := d.book.Do(now, a)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		changes = append(changes, cs...)
		s.Actions = append(s.Actions, a)
	}
	s.Add(d.step(now, changes))
	if len(errs) == len(names) {
		return s, errors.Join(errs...)
	}
	return s, nil
}

// Next returns when Tick has something to do, or zero when nothing waits.
func (d *Desk) Next() time.Time {
	if d.next == nil {
		b, p := d.book.Next(), d.plan.next()
		if b.IsZero() || !p.IsZero() && p.Before(b) {
			b = p
		}
		d.next = &b
	}
	return *d.next
}

// Tick does what time has brought by now, each thing at its own moment.
func (d *Desk) Tick(now time.Time) alerts.Step {
	var s alerts.Step
	for next := d.Next(); !next.IsZero() && !next.After(now); next = d.Next() {
		if next.Equal(d.book.Next()) {
			s.Add(d.step(alerts.Fired(next, now), d.book.Tick(next)))
			continue
		}
		s.Add(d.finish(nil, d.plan.tick(now)))
	}
	return s
}

// step plans what the changes call for.
func (d *Desk) step(now time.Time, changes []alerts.Change) alerts.Step {
	return d.finish(changes, d.plan.take(now, changes))
}

func (d *Desk) finish(changes []alerts.Change, o orders) alerts.Step {
	d.next = nil
	var s alerts.Step
	for _, c := range changes {
		if c.Event != nil {
			s.Events = append(s.Events, *c.Event)
		}
	}
	s.Events = append(s.Events, o.events...)
	s.Messages = o.messages
	s.Saved = append(d.book.Saved(), d.plan.saved()...)
	return s
}
