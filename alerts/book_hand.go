package alerts

import (
	"errors"
	"fmt"
	"time"
)

// ErrNoAlarm is returned for an action on an alarm that is not known.
var ErrNoAlarm = errors.New("no such alarm")

// ErrTime is returned for an action whose end is missing, past, or further off than is allowed.
var ErrTime = errors.New("no usable end time")

// Do takes in what a person did. What is not a move from where things stand is refused with a *RefusedError, ErrNoAlarm
// or ErrTime, and changes nothing. A shelving without an end lasts until the condition goes, or the longest shelving
// is over. Trims, re-stringing, notes, tests, turnout checks and the weather change no alarm.
func (b *Book) Do(now time.Time, a Action) ([]Change, error) {
	switch a.Kind {
	case Acknowledge, Shelve, Unshelve, Reset:
		return b.doAlarm(now, a)
	case OutOfService:
		return b.hold(now, a)
	case InService:
		h := b.holds[a.Source]
		if h == nil {
			_, _, err := Move(StateNormal, Trigger(InService), Given{})
			return nil, fmt.Errorf("put %s back in service: %w", a.Source, err)
		}
		return b.release(now, h, a.By), nil
	case Trimmed, Restrung, Note, Answered, Weathered, Done, LaidOut, Turnout, TestNow:
		return nil, nil
	}
	return nil, fmt.Errorf("action %q is not known", a.Kind)
}

func (b *Book) doAlarm(now time.Time, a Action) ([]Change, error) {
	p := b.find(a.Alarm)
	if p == nil {
		return nil, fmt.Errorf("%s %q: %w\nhint: look at the list of alarms; it may be over", a.Kind, a.Alarm, ErrNoAlarm)
	}
	c := Change{Time: now, ID: p.ID, From: p.State, Annunciate: Quiet, By: a.By}
	g := b.given(p)
	until := a.Until
	if a.Kind == Shelve {
		if until.IsZero() {
			until = now.Add(b.opts.MaxShelve)
		}
		if !until.After(now) {
			return nil, fmt.Errorf("shelve %s: %w: it is past\nhint: give a time to come", p.Key(), ErrTime)
		}
		g.TooLong = until.Sub(now) > b.opts.MaxShelve
	}
	if err := b.moveGiven(now, p, Trigger(a.Kind), g, &c); err != nil {
		return nil, fmt.Errorf("%s: %w", p.Key(), err)
	}
	switch a.Kind {
	case Shelve:
		p.ShelvedUntil, p.ShelvedBy, p.OneShot = until, a.By, a.Until.IsZero()
	case Acknowledge:
		p.AckedAt, p.AckedBy = now, a.By
		if p.State == StateLatchedAcked && p.On() {
			b.move(now, p, ConditionOn, &c) // it came on again while it waited for the answer
		}
	}
	b.touch(p)
	c.Point = *p
	return []Change{c}, nil
}

// hold takes a.Source out of service until a.Until. Doing it again sets a new end.
func (b *Book) hold(now time.Time, a Action) ([]Change, error) {
	if a.Source == "" || !a.Until.After(now) || a.Until.Sub(now) > b.opts.MaxOutOfService {
		return nil, fmt.Errorf("take %q out of service: %w\nhint: name a zone and give an end at most %s ahead; it ends by itself",
			a.Source, ErrTime, b.opts.MaxOutOfService)
	}
	h := &Hold{Source: a.Source, From: now, Until: a.Until, By: a.By, Note: a.Note}
	// In the last quarter, where the time is too short for the usual warning.
	h.RemindAt = a.Until.Add(-min(b.opts.RemindBefore, a.Until.Sub(now)/4))
	b.holds[a.Source] = h
	b.dirty[savedKey{savedHold, string(a.Source)}] = true
	return b.rehide(now, a.By), nil
}

func (b *Book) release(now time.Time, h *Hold, by string) []Change {
	delete(b.holds, h.Source)
	b.dirty[savedKey{savedHold, string(h.Source)}] = true
	return b.rehide(now, by)
}

// rehide brings every point in line with the holds and returns those that moved.
func (b *Book) rehide(now time.Time, by string) []Change {
	var out []Change
	for _, p := range b.sorted() {
		c := Change{Time: now, ID: p.ID, From: p.State, Annunciate: Quiet, By: by}
		b.hide(now, p, &c)
		if p.State != c.From {
			c.Point = *p
			out = append(out, c)
		}
	}
	return out
}
