package alerts

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"nightwire/ingest/farm"
)

// Next returns when Tick has something to do, or zero when nothing waits.
func (b *Book) Next() time.Time {
	var next time.Time
	sooner := func(t time.Time) {
		if !t.IsZero() && (next.IsZero() || t.Before(next)) {
			next = t
		}
	}
	for _, p := range b.points {
		sooner(p.ShelvedUntil)
		sooner(p.RealarmAt)
	}
	for _, h := range b.holds {
		sooner(h.RemindAt)
		sooner(h.Until)
	}
	return next
}

// NotLater brings back what would end later than it may, as when the clock was set back.
func (b *Book) NotLater(now time.Time) {
	pull := func(k savedKey, t *time.Time, longest time.Duration) {
		if latest := now.Add(longest); t.After(latest) {
			*t = latest
			b.dirty[k] = true
		}
	}
	for key, p := range b.points {
		pull(savedKey{savedPoint, key}, &p.ShelvedUntil, b.opts.MaxShelve)
		pull(savedKey{savedPoint, key}, &p.RealarmAt, b.opts.RealarmAfter)
	}
	for s, h := range b.holds {
		pull(savedKey{savedHold, string(s)}, &h.Until, b.opts.MaxOutOfService)
		pull(savedKey{savedHold, string(s)}, &h.RemindAt, b.opts.MaxOutOfService-b.opts.RemindBefore)
	}
}

// Tick does what time does by now: shelvings and out-of-services end, reminders fall due, acknowledged alarms that are
// still on announce themselves again. Changes come in order of their moments.
func (b *Book) Tick(now time.Time) []Change {
	var out []Change
	for next := b.Next(); !next.IsZero() && !next.After(now); next = b.Next() {
		out = append(out, b.tickAt(next, now)...)
	}
	return out
}

// tickAt fires the timers due at the moment due.
func (b *Book) tickAt(due, now time.Time) []Change {
	at := Fired(due, now)
	var out []Change
	for _, s := range slices.Sorted(maps.Keys(b.holds)) {
		h := b.holds[s]
		if h.RemindAt.Equal(due) {
			h.RemindAt = time.Time{}
			b.dirty[savedKey{savedHold, string(s)}] = true
			out = append(out, b.remind(at, h)...)
		}
		if h.Until.Equal(due) {
			out = append(out, b.release(at, h, "")...)
		}
	}
	for _, p := range b.sorted() {
		c := Change{Time: at, ID: p.ID, From: p.State, Annunciate: Quiet}
		switch {
		case p.ShelvedUntil.Equal(due) && !due.IsZero():
			b.move(at, p, ShelfTimerExpired, &c)
		case p.RealarmAt.Equal(due) && !due.IsZero():
			b.move(at, p, RealarmTimer, &c)
		default:
			continue
		}
		c.Point = *p
		out = append(out, c)
	}
	return out
}

// remind says that h ends soon. Where the fence there is off and stock are behind it, that is the most urgent thing there
// is to say: the alarms that h hid announce themselves, at high priority.
func (b *Book) remind(at time.Time, h *Hold) []Change {
	var out []Change
	for _, p := range b.sorted() {
		if p.Source != h.Source || !p.On() || !b.unguarded(p.Finding) || p.State == StateShelved {
			continue
		}
		p.Finding.Priority = High
		c := Change{Time: at, ID: p.ID, From: p.State, Annunciate: Announce, Remind: h.copied(),
			Event: &Event{ID: p.ID, Time: at.UTC(), Kind: Updated, Finding: p.Finding}}
		b.hide(at, p, &c)
		b.touch(p)
		c.Point = *p
		out = append(out, c)
	}
	if len(out) == 0 {
		out = append(out, Change{Time: at, Remind: h.copied(), Annunciate: Quiet, Point: b.worst(h.Source)})
	}
	return out
}

// Fired returns the moment a timer due at due counts as fired when it is noticed at now: its own, so that a live run
// and a replay agree, unless nothing was running then.
func Fired(due, now time.Time) time.Time {
	const late = time.Minute // far more than a busy machine needs
	if now.Sub(due) > late {
		return now
	}
	return due
}

// worst returns the most urgent point of s that is on, or an empty one of that source.
func (b *Book) worst(s farm.Source) Point {
	w := Point{Source: s, State: StateOutOfService}
	for _, p := range b.sorted() {
		if p.Source == s && p.On() && p.Finding.Priority > w.Finding.Priority {
			w = *p
		}
	}
	return w
}

type savedKey struct{ kind, key string }

// The kinds of Saved that a book owns.
const (
	savedPoint = "point"
	savedHold  = "hold"
)

func (b *Book) touch(p *Point) { b.dirty[savedKey{savedPoint, p.Key()}] = true }

// Saved returns what has changed since the last call, to be recorded with the step that changed it.
func (b *Book) Saved() []Saved {
	var out []Saved
	for k := range b.dirty {
		s := Saved{Kind: k.kind, Key: k.key}
		switch h, p := b.holds[farm.Source(k.key)], b.points[k.key]; {
		case k.kind == savedHold && h != nil:
			s.JSON = MustJSON(h)
		case k.kind == savedPoint:
			s.JSON = MustJSON(p)
		}
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b Saved) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Key, b.Key)) })
	clear(b.dirty)
	return out
}

// Load brings back what Saved gave, and which events were said already. Pieces of other owners are passed over.
func (b *Book) Load(saved []Saved, said []EventKey) error {
	for _, s := range saved {
		if err := b.load(s); err != nil {
			return fmt.Errorf("load %s %s: %w", s.Kind, s.Key, err)
		}
	}
	for _, k := range said {
		b.saidBefore(k)
	}
	return nil
}

// load brings back one piece.
func (b *Book) load(s Saved) error {
	switch s.Kind {
	case savedPoint:
		var p Point
		if err := json.Unmarshal(s.JSON, &p); err != nil {
			return err
		}
		b.points[p.Key()] = &p
		for _, id := range p.Open {
			b.byID[id] = &p
		}
	case savedHold:
		var h Hold
		if err := json.Unmarshal(s.JSON, &h); err != nil {
			return err
		}
		b.holds[h.Source] = &h
	}
	return nil
}
