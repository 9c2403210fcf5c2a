package notify

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// Planner decides who is told what, and when. It has no clock and sends nothing. It is not safe for concurrent use.
//
// How noise is kept down: alarms of one moment make one message a person, and those that follow within Config.Gather
// one more. The first word of a high alarm waits for nothing, unless it is one of a flood: the second zone that dies
// wakes as soon as the first did. Repeats of all alarms fall together; an update is told only when it changes what a
// person would do, a few times at most; a person who was never told of an alarm is not told that it is over.
type Planner struct {
	cfg    Config
	words  words
	people []farm.Person
	calls  map[string]*Call
	last   map[string][]time.Time // when each person last got messages, at most flood, by person and class of message
	dirty  map[string]bool
}

// orders is what the planner wants done.
type orders struct {
	events   []alerts.Event // escalations
	messages []alerts.Message
}

// NewPlanner returns a planner with nothing to tell.
func NewPlanner(cfg Config) (*Planner, error) {
	p := &Planner{calls: map[string]*Call{}, last: map[string][]time.Time{}, dirty: map[string]bool{}}
	return p, p.SetConfig(cfg)
}

// SetConfig changes people, hours and layout, and keeps what is being told.
func (p *Planner) SetConfig(cfg Config) error {
	cfg, err := cfg.withDefaults()
	if err != nil {
		return err
	}
	p.cfg, p.people, p.words = cfg, cfg.people(), words{cfg: cfg}
	return nil
}

// take plans what the book's changes call for.
func (p *Planner) take(now time.Time, changes []alerts.Change) orders {
	var o orders
	for _, c := range changes {
		if c.Remind != nil && c.Event == nil {
			o.messages = append(o.messages, p.remind(now, c)...)
			continue
		}
		p.change(now, c)
	}
	o.messages = append(o.messages, p.collect(now)...)
	return o
}

// change plans what one change of an alarm calls for.
func (p *Planner) change(now time.Time, c alerts.Change) {
	call := p.calls[c.ID]
	hidden := c.Point.State == alerts.StateShelved || c.Point.State == alerts.StateOutOfService
	over := c.Event != nil && c.Event.Kind == alerts.Returned
	switch {
	case c.Annunciate == alerts.Announce:
		p.announce(now, c)
	case call == nil && c.Event != nil && c.Event.Kind == alerts.Updated && c.Point.State == alerts.StateUnackActive:
		p.announce(now, c) // nobody was there to be told when it was raised
	case call == nil:
		return
	case over:
		p.over(now, call, c, hidden)
	case c.Annunciate == alerts.Silence, hidden && c.Event == nil && call.open() && call.Answered == "":
		p.answered(now, call, c)
	case hidden:
		call.hush()
		call.Hidden = true
		if c.Event != nil {
			call.Event = *c.Event
		}
	case c.Event != nil && c.Event.Kind == alerts.Updated:
		p.updated(now, call, c)
	}
	p.dirty[c.ID] = true
}

// announce begins to tell of an alarm, or begins again.
func (p *Planner) announce(now time.Time, c alerts.Change) {
	call := p.calls[c.ID]
	kind, start := alerts.TellRaised, now
	if call == nil {
		call = &Call{Raised: c.Point.Raised}
		p.calls[c.ID] = call
	} else if c.Event != nil && c.Event.Kind == alerts.Updated && len(call.Told) > 0 {
		kind = alerts.TellUpdated
	}
	if c.Event != nil {
		call.Event = *c.Event
		if !c.Event.Time.After(now) {
			start = alerts.Fired(c.Event.Time, now)
		}
	} else {
		call.Event = alerts.Event{ID: c.ID, Kind: alerts.Raised, Time: c.Time, Finding: c.Point.Finding}
	}
	call.hush()
	first := p.first(call.Event.Finding)
	call.Level, call.Updates = len(first), 0
	call.Answered, call.PutOff, call.Hidden = "", time.Time{}, false
	call.Over, call.Back, call.Ended = time.Time{}, nil, ""
	call.Hold = c.Remind
	if call.Event.Priority == alerts.LowPriority {
		call.RoundAt = p.cfg.round(now)
		return
	}
	if len(p.people) == 0 {
		return
	}
	for _, person := range first {
		p.tell(now, call, person, kind, call.Event.Time)
	}
	if i := p.index(call.worker()); i > 0 {
		p.tell(now, call, p.people[i], kind, call.Event.Time) // nobody is nearer to it
	}
	if call.Event.Priority == alerts.High {
		call.RepeatAt = p.inStep(start)
		if len(p.people) > call.Level {
			call.NextAt = start.Add(p.cfg.EscalateAfter)
		}
	}
}

// first returns who is called first: everybody, when the first person may be just the one who cannot be reached.
func (p *Planner) first(f alerts.Finding) []farm.Person {
	if f.Condition == alerts.Test || f.Condition == alerts.Channel {
		return p.people
	}
	return p.people[:min(1, len(p.people))]
}

// inStep returns when an alarm announced at start is told again: together with others, so that a bad night makes one
// message at a time.
func (p *Planner) inStep(start time.Time) time.Time {
	at := start.Add(p.cfg.RepeatEvery)
	earliest := start.Add(p.cfg.RepeatEvery / 2)
	for _, c := range p.sorted() {
		if !c.RepeatAt.IsZero() && !c.RepeatAt.Before(earliest) && c.RepeatAt.Before(at) {
			at = c.RepeatAt
		}
	}
	return at
}

// tell puts a notice for person: at once, or when they may be disturbed with it.
func (p *Planner) tell(now time.Time, call *Call, person farm.Person, kind alerts.MessageKind, happened time.Time) {
	at := now
	if call.Event.Priority != alerts.High {
		at = p.cfg.awake(person, now)
	}
	switch last := p.last[person.Name+class(kind)]; {
	case len(last) == 0:
	case call.unheard():
		if len(last) == flood {
			at = later(at, last[0].Add(p.cfg.Gather))
		}
	default:
		at = later(at, last[len(last)-1].Add(p.cfg.Gather))
	}
	call.add(Notice{Person: person.Name, Kind: kind, Time: happened, At: at})
}

// flood is how many messages a person may get within Config.Gather before the first word of a high alarm waits too: two or
// three zones that die one after the other are each worth waking for, a phone that never stops is not.
const flood = 3

// class tells alarms from news that needs no haste, so that the one never waits for the other.
func class(k alerts.MessageKind) string {
	if k == alerts.TellReturned || k == alerts.TellTaken {
		return "|calm"
	}
	return "|alarm"
}

// updated plans for an update of an alarm that people see.
func (p *Planner) updated(now time.Time, call *Call, c alerts.Change) {
	was := call.Event.Priority
	call.Event = *c.Event
	switch {
	case call.Event.Priority > was:
		p.announce(now, c)
		return
	case call.Event.Priority < was && call.Event.Priority != alerts.High:
		call.RepeatAt, call.NextAt = time.Time{}, time.Time{}
	}
	if call.Event.Priority == alerts.LowPriority {
		if call.Said == nil || changesErrand(*call.Said, call.Event.Finding) {
			call.RoundAt = p.cfg.round(now)
		}
		return
	}
	if call.Said == nil || !changesErrand(*call.Said, call.Event.Finding) || call.Updates >= p.cfg.MaxUpdates {
		return
	}
	call.Updates++
	for _, person := range p.called(call) {
		// Whoever has it is out there; the others may sleep.
		if call.Answered == "" || call.Answered == person.Name || !p.known(call.Answered) {
			p.tell(now, call, person, alerts.TellUpdated, call.Event.Time)
		}
	}
}

// answered plans for an alarm that somebody has taken or put aside: no more of it, and the others may go back to bed.
func (p *Planner) answered(now time.Time, call *Call, c alerts.Change) {
	call.hush()
	call.Answered = c.By
	if c.By == "" {
		call.Answered = "-"
	}
	call.Hidden, call.PutOff = c.Point.State != alerts.StateAckedActive, c.Point.ShelvedUntil
	if call.Event.Priority != alerts.High || !call.Over.IsZero() {
		return
	}
	for _, person := range p.called(call) {
		if person.Name != c.By {
			p.tell(now, call, person, alerts.TellTaken, c.Time)
		}
	}
}

// over plans for an alarm that has returned to normal.
func (p *Planner) over(now time.Time, call *Call, c alerts.Change, hidden bool) {
	call.Over, call.Back, call.Ended = c.Event.Time, c.Event.KV, c.Event.Text
	round := call.RoundAt
	call.hush()
	switch {
	case call.Hidden || hidden || c.Event.Withdrawn:
		// put aside by somebody, or of a fence that is there no more: nobody asked to hear of it
	case call.Event.Priority == alerts.LowPriority:
		if call.Said != nil || !round.IsZero() {
			call.RoundAt = p.cfg.round(now)
		}
	case len(call.Told) == 0:
		call.RoundAt = p.cfg.round(now) // it came and went before anybody was told
	default:
		for _, person := range p.called(call) {
			p.tell(now, call, person, alerts.TellReturned, c.Event.Time)
		}
	}
}

// remind makes the messages that say an out-of-service ends soon. They go at once to whoever asked for it: they are at
// work there.
func (p *Planner) remind(now time.Time, c alerts.Change) []alerts.Message {
	if len(p.people) == 0 {
		return nil
	}
	person := p.people[max(0, p.index(c.Remind.By))]
	m := alerts.Message{Kind: alerts.TellReminder, Priority: alerts.Medium}
	if c.Point.On() {
		m.Priority = max(alerts.Medium, c.Point.Finding.Priority)
		m.Alarms = []alerts.Event{{ID: c.Point.ID, Time: c.Point.Raised, Kind: alerts.Raised, Finding: c.Point.Finding}}
	}
	m.Subject, m.Body = p.words.at(now).reminder(*c.Remind, c.Point)
	return p.address(now, m, person, string(c.Remind.Source), c.Remind.Until)
}

// next returns when tick has something to do, or zero when nothing waits.
func (p *Planner) next() time.Time {
	var next time.Time
	sooner := func(t time.Time) {
		if !t.IsZero() && (next.IsZero() || t.Before(next)) {
			next = t
		}
	}
	for _, c := range p.calls {
		sooner(c.RepeatAt)
		sooner(c.NextAt)
		if !p.cfg.Letters {
			sooner(c.RoundAt)
		}
		for _, n := range c.Notices {
			sooner(n.At)
		}
	}
	return next
}

// tick does the first thing that is due by now, at its own moment.
func (p *Planner) tick(now time.Time) orders {
	due := p.next()
	at := alerts.Fired(due, now)
	var o orders
	for _, c := range p.sorted() {
		if c.NextAt.Equal(due) && !due.IsZero() {
			o.events = append(o.events, p.escalate(at, c)...)
		}
		if c.RepeatAt.Equal(due) && !due.IsZero() {
			p.repeat(at, c)
		}
	}
	if !p.cfg.Letters {
		o.messages = p.evening(at)
	}
	o.messages = append(o.messages, p.collect(at)...)
	return o
}

// escalate calls the next person.
func (p *Planner) escalate(at time.Time, c *Call) []alerts.Event {
	p.dirty[c.id()] = true
	c.NextAt = time.Time{}
	if c.Level >= len(p.people) {
		return nil // people were taken out of the farm file since
	}
	person := p.people[c.Level]
	c.Level++
	if c.Level < len(p.people) {
		c.NextAt = at.Add(p.cfg.EscalateAfter)
	}
	p.tell(at, c, person, alerts.TellEscalated, at)
	e := alerts.Event{ID: c.id(), Time: at, Kind: alerts.Escalated, Finding: c.Event.Finding}
	e.Text = p.words.escalated(person.Name, c)
	return []alerts.Event{e}
}

// repeat tells everybody called so far again.
func (p *Planner) repeat(at time.Time, c *Call) {
	p.dirty[c.id()] = true
	c.RepeatAt = at.Add(p.cfg.RepeatEvery)
	people := p.called(c)
	if len(people) == 0 && len(p.people) > 0 {
		people = p.people[:1] // whoever was told is gone from the farm file
	}
	for _, person := range people {
		p.tell(at, c, person, alerts.TellRepeat, at)
	}
}

// called returns those who were told, as far as they are still in the farm file.
func (p *Planner) called(c *Call) []farm.Person {
	var out []farm.Person
	for _, person := range p.people {
		if slices.Contains(c.Told, person.Name) {
			out = append(out, person)
		}
	}
	return out
}

func (p *Planner) known(name string) bool { return p.index(name) >= 0 }

// index returns where name stands among the people, -1 for nowhere.
func (p *Planner) index(name string) int {
	return slices.IndexFunc(p.people, func(q farm.Person) bool { return q.Name == name })
}

// sorted returns the calls in an order that does not change from run to run: most urgent and then oldest first.
func (p *Planner) sorted() []*Call {
	return slices.SortedFunc(maps.Values(p.calls), func(a, b *Call) int {
		if a.Event.Priority != b.Event.Priority {
			return int(b.Event.Priority) - int(a.Event.Priority)
		}
		if d := a.Raised.Compare(b.Raised); d != 0 {
			return d
		}
		return strings.Compare(a.id(), b.id())
	})
}

// savedCall is the kind of alerts.Saved that the planner owns.
const savedCall = "call"

// saved returns what has changed since the last call of it, and forgets what is done.
func (p *Planner) saved() []alerts.Saved {
	var out []alerts.Saved
	for _, id := range slices.Sorted(maps.Keys(p.dirty)) {
		c := p.calls[id]
		if c == nil {
			continue
		}
		s := alerts.Saved{Kind: savedCall, Key: id}
		if c.done() {
			delete(p.calls, id)
		} else {
			s.JSON = alerts.MustJSON(c)
		}
		out = append(out, s)
	}
	clear(p.dirty)
	return out
}

// load brings back what saved gave. Pieces of other owners are passed over.
func (p *Planner) load(saved []alerts.Saved) error {
	for _, s := range saved {
		if s.Kind != savedCall {
			continue
		}
		var c Call
		if err := json.Unmarshal(s.JSON, &c); err != nil {
			return fmt.Errorf("load %s %s: %w", s.Kind, s.Key, err)
		}
		p.calls[s.Key] = &c
	}
	return nil
}
