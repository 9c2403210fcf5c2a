package notify

import (
	"slices"
	"time"

	"nightwire/alerts"
)

// Matter is an alarm that is on, in words: what, where, since when, what to do first.
type Matter struct {
	What, Where string // Where with its comma, or empty
	Since       time.Time
	First       string
	Event       alerts.Event
}

// Matters returns the alarms that are on and not put aside, the most urgent first, worded for a letter of now.
func (d *Desk) Matters(now time.Time) []Matter {
	w := d.plan.words.at(now)
	var out []Matter
	for _, p := range d.book.Listed() {
		if !p.On() || p.State == alerts.StateShelved || p.State == alerts.StateOutOfService {
			continue
		}
		f := p.Finding
		out = append(out, Matter{What: w.what(f) + w.volts(f) + w.riding(f, 2), Where: w.where(f).short, Since: p.Raised,
			First: w.advice(f).short, Event: alerts.Event{ID: p.ID, Time: p.Raised, Kind: alerts.Raised, Finding: f}})
	}
	return out
}

// Ended returns a sentence on each low alarm that is over and that no round has told of.
func (d *Desk) Ended(now time.Time) []string {
	w := d.plan.words.at(now)
	var out []string
	for _, c := range d.plan.sorted() {
		if !c.RoundAt.IsZero() && !c.Over.IsZero() {
			out = append(out, w.lasted(c))
		}
	}
	return out
}

// Letter is a message that was written elsewhere.
type Letter struct {
	Kind    alerts.MessageKind
	Planned time.Time // the same letter has the same, so that it is sent once
	To      []string  // names
	Subject string
	Body    string
	Picture *alerts.Picture
}

// Send plans a letter to those who are to have it. An evening round takes along what waits for one.
func (d *Desk) Send(now time.Time, l Letter) alerts.Step {
	s := d.Tick(now)
	m := alerts.Message{Kind: l.Kind, Priority: alerts.LowPriority, Subject: alerts.Shorten(l.Subject), Body: l.Body, Picture: l.Picture}
	var news []*Call
	if l.Kind == alerts.TellRound {
		var rest []*Call
		news, rest, _ = d.plan.waiting(now)
		d.plan.fill(&m, append(slices.Clone(news), rest...))
		m.Priority = alerts.LowPriority
	}
	var o orders
	for _, person := range d.plan.people {
		if slices.Contains(l.To, person.Name) {
			d.plan.said(person, news)
			o.messages = append(o.messages, d.plan.address(now, m, person, "letter", l.Planned)...)
		}
	}
	s.Add(d.finish(nil, o))
	return s
}
