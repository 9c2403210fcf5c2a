// Package drill proves every week that people can be reached: it says when a test is to go out by the real routes, keeps
// who answered it, and complains when nobody did. It has no clock and sends nothing.
package drill

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Config says when tests go out.
type Config struct {
	Off          bool
	Day          time.Weekday
	At           int // minutes after midnight
	AnswerWithin time.Duration
	Location     *time.Location // nil for UTC
}

// Answer is that somebody answered.
type Answer struct {
	By string    `json:"by,omitempty"` // may be empty: somebody at the page who gave no name
	At time.Time `json:"at,omitzero"`
}

// Record is what is kept of the last test. All of it is zero before the first.
type Record struct {
	ID        string    `json:"id,omitempty"` // what links to it carry
	Sent      time.Time `json:"sent,omitzero"`
	To        []string  `json:"to,omitempty"`
	AnswerBy  time.Time `json:"answer_by,omitzero"`
	Answers   []Answer  `json:"answers,omitempty"` // to this test, in order, one a person
	Last      Answer    `json:"last,omitzero"`     // the newest answer to this or an earlier test
	Complaint string    `json:"complaint,omitempty"`
	Next      time.Time `json:"next,omitzero"` // when the next test is to go out
}

// Order is what is to be done now.
type Order struct {
	Send   string         // the ID of a test that goes out now, and must be sent to To; empty for none
	Events []alerts.Event // the complaint begins, goes on or ends
}

const (
	// settleIn keeps a test from going out while somebody is still setting up.
	settleIn = time.Hour
	// lateBy is how long after its hour a test that was missed still goes out: within the same day.
	lateBy = 6 * time.Hour
	// savedKind and savedKey name the record among what the journal keeps.
	savedKind = "drill"
	savedKey  = "weekly"
)

// Drill is the weekly test of one farm. It is not safe for concurrent use.
type Drill struct {
	cfg   Config
	rec   Record
	dirty bool
}

// New takes up the record from what the journal kept.
func New(cfg Config, saved []alerts.Saved) (*Drill, error) {
	if cfg.Location == nil {
		cfg.Location = time.UTC
	}
	rec, err := Last(saved)
	return &Drill{cfg: cfg, rec: rec}, err
}

// Last returns the record among what the journal kept; a zero one when there is none.
func Last(saved []alerts.Saved) (Record, error) {
	var r Record
	i := slices.IndexFunc(saved, func(s alerts.Saved) bool { return s.Kind == savedKind && s.Key == savedKey })
	if i < 0 {
		return r, nil
	}
	if err := json.Unmarshal(saved[i].JSON, &r); err != nil {
		return r, fmt.Errorf("load the weekly test: %w", err)
	}
	return r, nil
}

// Record returns what is known of the last test.
func (d *Drill) Record() Record { return d.rec }

// Tick says what is to be done by now.
func (d *Drill) Tick(now time.Time, to []string) Order {
	var o Order
	if d.cfg.Off || len(to) == 0 {
		o.Events = d.settle(now, "The weekly test is switched off.")
		return o
	}
	d.plan(now)
	if !now.Before(d.rec.Next) {
		late := now.Sub(d.rec.Next)
		d.rec.Next, d.dirty = d.after(now), true
		if late <= lateBy {
			o.Send = d.send(now, to)
		}
	}
	if d.rec.ID != "" && len(d.rec.Answers) == 0 && !d.rec.AnswerBy.IsZero() && !now.Before(d.rec.AnswerBy) {
		o.Events = append(o.Events, d.complain(now))
	}
	return o
}

// plan makes sure that there is a next time, of the hours as they are now set and the clock as it now goes.
func (d *Drill) plan(now time.Time) {
	next := d.rec.Next
	switch {
	case next.IsZero():
		next = d.after(now.Add(settleIn))
	case !d.after(next.Add(-time.Minute)).Equal(next), next.After(now.AddDate(0, 0, 8)):
		next = d.after(now)
	default:
		return
	}
	d.rec.Next, d.dirty = next, true
}

// after returns the first weekly hour after t. On a night when that time of day is skipped it is as much later.
func (d *Drill) after(t time.Time) time.Time {
	l := t.In(d.cfg.Location)
	days := (int(d.cfg.Day) - int(l.Weekday()) + 7) % 7
	at := func(days int) time.Time {
		return time.Date(l.Year(), l.Month(), l.Day()+days, 0, d.cfg.At, 0, 0, d.cfg.Location).UTC()
	}
	if first := at(days); first.After(t) {
		return first
	}
	return at(days + 7)
}

func (d *Drill) send(now time.Time, to []string) (id string) {
	now = now.UTC().Truncate(time.Second)
	r := &d.rec
	r.ID, r.Sent, r.To = alerts.AlarmID(now, farm.Site, alerts.Test), now, to
	r.AnswerBy, r.Answers = now.Add(d.cfg.AnswerWithin), nil
	return r.ID
}

// Now begins a test at once, beside the weekly ones, and returns its ID.
func (d *Drill) Now(now time.Time, to []string) (id string) {
	d.dirty = true
	return d.send(now, to)
}

// complain raises the complaint, or says it anew of a later test.
func (d *Drill) complain(now time.Time) alerts.Event {
	now = now.UTC().Truncate(time.Second)
	d.rec.AnswerBy, d.dirty = time.Time{}, true
	e := alerts.Event{ID: d.rec.Complaint, Time: now, Kind: alerts.Updated, Finding: finding()}
	if e.ID == "" {
		e.ID, e.Kind = alerts.AlarmID(now, farm.Site, alerts.Test), alerts.Raised
		d.rec.Complaint = e.ID
	}
	e.Text = fmt.Sprintf("Nobody has answered the weekly test of %s, so an alarm might reach nobody: see that messages arrive, and press the button in one.",
		d.rec.Sent.In(d.cfg.Location).Format("Monday 2 January, 15:04"))
	return e
}

func finding() alerts.Finding {
	return alerts.Finding{Source: farm.Site, Condition: alerts.Test, Cause: alerts.Unknown, Priority: alerts.Medium}
}

// Concerns reports whether an answer to the alarm of that ID is one to the test.
func (d *Drill) Concerns(id string) bool {
	return id != "" && (id == d.rec.ID || id == d.rec.Complaint)
}

// Answer keeps that somebody answered, and ends the complaint.
func (d *Drill) Answer(now time.Time, by string) []alerts.Event {
	now = now.UTC().Truncate(time.Millisecond)
	if !slices.ContainsFunc(d.rec.Answers, func(a Answer) bool { return a.By == by }) {
		d.rec.Answers = append(slices.Clone(d.rec.Answers), Answer{by, now})
	}
	d.rec.Last, d.rec.AnswerBy, d.dirty = Answer{by, now}, time.Time{}, true
	who := by
	if who == "" {
		who = "Somebody"
	}
	return d.settle(now, who+" has answered the weekly test.")
}

// settle ends the complaint, if there is one.
func (d *Drill) settle(now time.Time, text string) []alerts.Event {
	if d.rec.Complaint == "" {
		return nil
	}
	e := alerts.Event{ID: d.rec.Complaint, Time: now.UTC().Truncate(time.Second), Kind: alerts.Returned, Finding: finding()}
	e.Text = text
	d.rec.Complaint, d.dirty = "", true
	return []alerts.Event{e}
}

// Saved returns the record when it has changed since the last call.
func (d *Drill) Saved() []alerts.Saved {
	if !d.dirty {
		return nil
	}
	d.dirty = false
	return []alerts.Saved{{Kind: savedKind, Key: savedKey, JSON: alerts.MustJSON(d.rec)}}
}
