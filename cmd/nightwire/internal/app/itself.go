package app

import (
	"errors"
	"strings"
	"time"

	"nightwire/alerts/self"
)

// lookAtItself says what fails in the watch itself, and what works again. n.mu is held.
func (n *night) lookAtItself(now time.Time) {
	s := n.engine.say(now, n.self.Look(now, n.facts()))
	s.Saved = append(s.Saved, n.self.Saved()...)
	n.record(s)
}

// facts gathers what the watch knows of itself.
func (n *night) facts() self.Facts {
	f := self.Facts{Channels: n.troubles.channels(), Dropped: float64(n.dropped()), Jump: n.jumps.Look(time.Now(), time.Since(n.began))}
	if err := n.mute(); err != nil {
		f.Mute = err.Error()
	}
	if err := errors.Join(n.troubles.get(troubleStore), n.troubles.get(troubleJournal)); err != nil {
		f.Storage = oneLine(err.Error())
	}
	return f
}

// dropped returns how many messages have found the queue full.
func (n *night) dropped() uint64 {
	if c := n.feed.listening.Load(); c != nil {
		return c.Dropped()
	}
	return 0
}

// channelError is a channel that does not work.
type channelError struct {
	since time.Time
	text  string
	err   error
}

// Error says since when, and why.
func (e *channelError) Error() string { return e.text + ": " + e.err.Error() }

// Unwrap returns why.
func (e *channelError) Unwrap() error { return e.err }

// channels returns the channels that do not work.
func (t *troubles) channels() map[string]self.Failing {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := map[string]self.Failing{}
	for kind, err := range t.by {
		var failing *channelError
		if name, ok := strings.CutPrefix(kind, troubleChannel); ok && errors.As(err, &failing) {
			out[name] = self.Failing{Since: failing.since, Why: oneLine(failing.err.Error())}
		}
	}
	return out
}
