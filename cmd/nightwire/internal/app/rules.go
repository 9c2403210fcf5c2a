package app

import (
	"maps"
	"slices"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
)

// rules are what the farm file changes about single conditions: their priority, and how long they must last before
// people hear of them or of their end.
type rules struct {
	by   map[string]config.Rule
	held map[string]hold // by alarm
}

// hold is an event that waits for its delay to pass.
type hold struct {
	Event alerts.Event `json:"event"`
	Due   time.Time    `json:"due"`
}

func newRules(by map[string]config.Rule) rules { return rules{by: by, held: map[string]hold{}} }

// apply returns what is to be said now of the events.
func (r *rules) apply(events []alerts.Event) []alerts.Event {
	if len(r.by) == 0 && len(r.held) == 0 || len(events) == 0 {
		return events
	}
	var out []alerts.Event
	for _, e := range r.prioritise(events) {
		if !r.delay(e, r.by[string(e.Condition)]) {
			out = append(out, e)
		}
	}
	return out
}

// prioritise gives events the priorities of the farm file.
func (r *rules) prioritise(events []alerts.Event) []alerts.Event {
	for i := range events {
		if rule := r.by[string(events[i].Condition)]; rule.Priority != 0 {
			events[i].Priority = rule.Priority
		}
	}
	return events
}

// delay reports whether e is kept back, or said by what is kept back already.
func (r *rules) delay(e alerts.Event, rule config.Rule) bool {
	held, waiting := r.held[e.ID]
	switch e.Kind {
	case alerts.Raised:
		if r.backAgain(e) || rule.OnDelay <= 0 {
			return false
		}
		r.held[e.ID] = hold{e, e.Time.Add(rule.OnDelay)}
		return true
	case alerts.Updated:
		if !waiting || held.Event.Kind != alerts.Raised {
			return false
		}
		if rule.OnDelay <= 0 { // it has become something that may not wait
			delete(r.held, e.ID)
			return false
		}
		held.Event.Finding = e.Finding
		r.held[e.ID] = held
		return true
	case alerts.Returned:
		if waiting && held.Event.Kind == alerts.Raised { // over before anybody was to hear of it
			delete(r.held, e.ID)
			return true
		}
		if rule.OffDelay <= 0 {
			return false
		}
		r.held[e.ID] = hold{e, e.Time.Add(rule.OffDelay)}
		return true
	}
	return false
}

// backAgain reports whether e is the return of what was over so shortly that its end was not said yet. The end then is
// never said: the book takes e as the same alarm going on.
func (r *rules) backAgain(e alerts.Event) bool {
	for id, h := range r.held {
		if h.Event.Kind == alerts.Returned && h.Event.Source == e.Source && h.Event.Condition == e.Condition {
			delete(r.held, id)
			return true
		}
	}
	return false
}

// next returns when the next delay has passed; zero for never.
func (r *rules) next() time.Time {
	var next time.Time
	for _, h := range r.held {
		next = sooner(next, h.Due)
	}
	return next
}

// release returns the events whose delay has passed by now.
func (r *rules) release(now time.Time) []alerts.Event {
	var out []alerts.Event
	for _, id := range slices.Sorted(maps.Keys(r.held)) {
		if h := r.held[id]; !h.Due.After(now) {
			h.Event.Time = h.Due
			out = append(out, h.Event)
			delete(r.held, id)
		}
	}
	return out
}
