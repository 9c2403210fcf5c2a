package mqtt

import (
	"slices"
	"time"

	"nightwire/ingest/pulse"
)

// before holds what was stored shortly before this start and may not have been acknowledged: how often each reading
// without a time of its own was there, by what it says. Packet identifiers would know these messages for sure, but they
// are not stored.
type before map[pulse.Reading]int

func newBefore(rs []pulse.Reading) before {
	b := before{}
	for _, r := range rs {
		if r.At.Equal(r.Arrived) {
			b[content(r)]++
		}
	}
	return b
}

// content is what a reading says, without when.
func content(r pulse.Reading) pulse.Reading {
	r.At, r.Arrived = time.Time{}, time.Time{}
	return r
}

// without returns the readings of a message that was sent again, less those that are stored, each once.
func (b before) without(rs []pulse.Reading) []pulse.Reading {
	if len(b) == 0 {
		return rs
	}
	return slices.DeleteFunc(rs, func(r pulse.Reading) bool {
		key := content(r)
		if !r.At.Equal(r.Arrived) || b[key] == 0 {
			return false
		}
		if b[key]--; b[key] == 0 {
			delete(b, key)
		}
		return true
	})
}

// forgetfulFor is how long after the first connection unmarked messages are held against what was stored before: what
// comes again comes at once.
const forgetfulFor = 5 * time.Second

// mayBeAgain reports whether a message may be one that was stored before this start.
func (c *Client) mayBeAgain(m *message) bool {
	if m.Duplicate() || !c.opts.Forgetful {
		return m.Duplicate()
	}
	up := c.firstUp.Load()
	return up == 0 || m.arrived.UnixMilli()-up < forgetfulFor.Milliseconds()
}
