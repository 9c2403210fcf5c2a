package app

import (
	"time"

	"nightwire/ingest/pulse"
)

// blind is the time in which readings cannot be stored and are only looked at. The same messages come again through
// the store later; their times of arrival tell that they were seen.
type blind struct {
	now      bool // in it now
	from, to time.Time
}

// begin and end mark the time. What arrives before the first glance was not seen.
func (b *blind) begin() { *b = blind{now: true} }
func (b *blind) end()   { b.now = false }

// glance reports whether r is to be looked at, and notes that it was.
func (b *blind) glance(r pulse.Reading) bool {
	if !b.now {
		return false
	}
	if b.from.IsZero() {
		b.from = r.Arrived
	}
	if r.Arrived.After(b.to) {
		b.to = r.Arrived
	}
	return true
}

// saw reports whether a stored reading was looked at while it could not be stored.
func (b *blind) saw(r pulse.Reading) bool {
	return !b.from.IsZero() && !r.Arrived.Before(b.from) && !r.Arrived.After(b.to)
}
