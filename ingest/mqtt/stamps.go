package mqtt

import (
	"time"

	"nightwire/ingest/pulse"
)

// stamps keeps the arrivals on one topic apart. The store tells readings by sensor and time in whole milliseconds, so
// two that came in the same one and have no time of their own would be taken for the same. In a burst the stamps given
// run ahead of the clock, but not without end: they are the detectors' time too, in which others would seem silent.
type stamps struct {
	before time.Time            // the last given by an earlier start, or on a topic forgotten since
	last   map[string]stampedAt // by topic
}

// stampedAt is when a message came, and the time that it was given.
type stampedAt struct{ came, given time.Time }

const (
	// maxStamps bounds the memory when a filter lets in ever new topics.
	maxStamps = 10_000
	// setBack is how much less than before the clock must show to have been set back. Then the stamps follow it.
	setBack = pulse.FutureSlack / 2
	// maxAhead is room for 300,000 reports in one burst. What a sensor gone mad sends beyond that has one time and counts
	// once.
	maxAhead = pulse.FutureSlack
)

// newStamps goes on after the readings stored last.
func newStamps(stored []pulse.Reading) stamps {
	s := stamps{last: map[string]stampedAt{}}
	for _, r := range stored {
		if r.Arrived.After(s.before) {
			s.before = r.Arrived
		}
	}
	return s
}

// offer returns the stamp for a message that came on topic. Until it is kept the next message gets the same.
func (s *stamps) offer(topic string, arrived time.Time) stampedAt {
	arrived = arrived.UTC().Truncate(time.Millisecond)
	last, ok := s.last[topic]
	if !ok {
		last = stampedAt{s.before.Add(setBack - maxAhead), s.before} // when it came nobody kept: it may have run so far ahead
	}
	switch {
	case arrived.After(last.given), last.came.Sub(arrived) >= setBack:
		return stampedAt{arrived, arrived}
	case last.given.Sub(arrived) >= maxAhead:
		return stampedAt{arrived, last.given}
	default:
		return stampedAt{arrived, last.given.Add(time.Millisecond)}
	}
}

// keep notes a stamp that a reading took. One with a time of its own takes one too, so that in a burst of many sensors
// none seems to have come before the others.
func (s *stamps) keep(topic string, st stampedAt) {
	if _, ok := s.last[topic]; !ok && len(s.last) >= maxStamps {
		s.forget()
	}
	s.last[topic] = st
}

// forget makes room. The topics forgotten go on after the last stamp of all.
func (s *stamps) forget() {
	for _, t := range s.last {
		if t.given.After(s.before) {
			s.before = t.given
		}
	}
	clear(s.last)
}
