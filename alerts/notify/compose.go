package notify

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// collect makes messages of the notices due by now: one for each person and kind, however many alarms it tells of.
func (p *Planner) collect(now time.Time) []alerts.Message {
	var out []alerts.Message
	calls := p.sorted()
	for _, person := range p.people {
		for _, kind := range []alerts.MessageKind{alerts.TellRaised, alerts.TellEscalated, alerts.TellUpdated, alerts.TellRepeat,
			alerts.TellTaken, alerts.TellReturned} {
			if about, happened := p.due(now, calls, person.Name, kind); len(about) > 0 {
				out = append(out, p.compose(now, person, kind, about, happened)...)
			}
		}
	}
	for _, c := range calls { // of people who are gone from the farm file
		n := len(c.Notices)
		c.Notices = slices.DeleteFunc(slices.Clone(c.Notices), func(n Notice) bool { return !p.known(n.Person) })
		if len(c.Notices) != n {
			p.dirty[c.id()] = true
		}
	}
	return out
}

// due takes a person's notices of one kind that are due off the calls. It returns the calls, and when the first happened.
func (p *Planner) due(now time.Time, calls []*Call, person string, kind alerts.MessageKind) (about []*Call, happened time.Time) {
	for _, c := range calls {
		i := slices.IndexFunc(c.Notices, func(n Notice) bool { return n.Person == person && n.Kind == kind && !n.At.After(now) })
		if i < 0 {
			continue
		}
		if about = append(about, c); len(about) == 1 {
			happened = c.Notices[i].Time
		}
		c.Notices = slices.Delete(slices.Clone(c.Notices), i, i+1)
		p.dirty[c.id()] = true
	}
	return about, happened
}

// compose makes one message for person, once for each of their routes, and notes that they were told.
func (p *Planner) compose(now time.Time, person farm.Person, kind alerts.MessageKind, about []*Call, happened time.Time) []alerts.Message {
	m := alerts.Message{Kind: kind}
	m.Subject, m.Body = p.words.at(now).to(person).message(kind, about)
	p.fill(&m, about)
	p.said(person, about)
	last := append(p.last[person.Name+class(kind)], now)
	p.last[person.Name+class(kind)] = last[max(0, len(last)-flood):]
	return p.address(now, m, person, about[0].id(), happened)
}

// fill puts into m what its calls say.
func (p *Planner) fill(m *alerts.Message, about []*Call) {
	for _, c := range about {
		m.Priority = max(m.Priority, c.Event.Priority)
		m.Answers = m.Answers || c.open() && c.Answered == ""
		m.Alarms = append(m.Alarms, c.Event)
	}
}

// said notes that person has heard of the calls as they now stand.
func (p *Planner) said(person farm.Person, about []*Call) {
	for _, c := range about {
		c.Said = new(c.Event.Finding)
		if c.SaidTo == nil {
			c.SaidTo = saidTo{}
		}
		f := c.Event.Finding
		f.Text, f.Evidence = "", nil
		c.SaidTo[person.Name] = f
		if !slices.Contains(c.Told, person.Name) {
			c.Told = append(slices.Clip(c.Told), person.Name)
		}
		p.dirty[c.id()] = true
	}
}

// address makes m once for each of person's routes. The key is made of what happened and not of when it was planned, so
// that planning it again gives the same.
func (p *Planner) address(now time.Time, m alerts.Message, person farm.Person, subject string, happened time.Time) []alerts.Message {
	m.Farm, m.Person, m.Created = p.cfg.Farm.Name, person.Name, now.UTC()
	var out []alerts.Message
	picture := m.Picture
	for _, r := range person.Routes {
		m.Route, m.Picture = r, nil
		if r.Channel == "mail" { // no other carries one
			m.Picture = picture
		}
		sum := sha256.Sum256([]byte(r.Address)) // keys stand in the log, and addresses may be secrets
		m.Key = fmt.Sprintf("%s|%s|%s|%s|%s:%x", subject, m.Kind, happened.UTC().Format(time.RFC3339Nano), person.Name, r.Channel, sum[:6])
		out = append(out, m)
	}
	return out
}

// evening makes the evening round: what low alarms have begun, changed or ended since the last, and below it what else
// is open and may wait. A day without news makes none.
func (p *Planner) evening(at time.Time) []alerts.Message {
	news, rest, planned := p.waiting(at)
	if len(news) == 0 || len(p.people) == 0 {
		return nil
	}
	m := alerts.Message{Kind: alerts.TellRound, Priority: alerts.LowPriority}
	m.Subject, m.Body = p.words.at(at).round(news, rest)
	p.fill(&m, append(slices.Clone(news), rest...))
	m.Priority = alerts.LowPriority
	p.said(p.people[0], news)
	return p.address(at, m, p.people[0], "round", planned)
}

// waiting takes the calls that wait for a round at at, and names those that are open besides and may wait longer.
func (p *Planner) waiting(at time.Time) (news, rest []*Call, planned time.Time) {
	for _, c := range p.sorted() {
		switch {
		case !c.RoundAt.IsZero() && !c.RoundAt.After(at):
			planned = c.RoundAt
			c.RoundAt = time.Time{}
			p.dirty[c.id()] = true
			news = append(news, c)
		case c.open() && c.Event.Priority != alerts.High && c.Answered == "" && c.Said != nil:
			rest = append(rest, c)
		}
	}
	return news, rest, planned
}

// Test says what a test message is for. All of it may be empty.
type Test struct {
	Person   string    // who gets it; empty for everybody
	ID       string    // goes into the link, so that the answer can be told from others; empty when none is wanted
	NoLink   bool      // there is no page to link to
	AnswerBy time.Time // by when somebody is to have answered
}

// TestMessages returns a message for each route of each person that the test is for, to try the real routes with.
func TestMessages(cfg Config, t Test, now time.Time) ([]alerts.Message, error) {
	p, err := NewPlanner(cfg)
	if err != nil {
		return nil, err
	}
	var out []alerts.Message
	for _, person := range p.people {
		if t.Person != "" && t.Person != person.Name {
			continue
		}
		m := alerts.Message{Kind: alerts.TellTest, Priority: alerts.Medium, Answers: t.ID != "" && !t.NoLink}
		m.Subject, m.Body = p.words.at(now).test(t)
		if t.ID != "" {
			m.Alarms = []alerts.Event{{ID: t.ID, Time: now, Kind: alerts.Raised, Finding: alerts.Finding{
				Source: farm.Site, Condition: alerts.Test, Cause: alerts.Unknown, Priority: alerts.Medium, Text: "A test."}}}
		}
		out = append(out, p.address(now, m, person, "test", now)...)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("nobody called %q has a route\nhint: give people a mail, push or webhook address in the farm file", t.Person)
	}
	return out, nil
}
