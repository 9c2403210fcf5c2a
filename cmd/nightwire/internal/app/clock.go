package app

import (
	"errors"
	"time"
)

// setClock notices that the clock was set, by hand or by a time server: a small computer without a battery of its own
// starts with whatever time it last had. What the detectors know hangs on times, so the watch then starts anew.
type setClock struct {
	now    func() time.Time
	steady func() time.Duration // runs on whatever becomes of now; nil for never looking
	zero   time.Time            // what now showed when steady was 0
}

func newSetClock(now func() time.Time, steady func() time.Duration) setClock {
	c := setClock{now: now, steady: steady}
	if steady != nil {
		c.zero = now().Add(-steady())
	}
	return c
}

// setBy returns by how much the clock was set, or 0 while that is too little to matter.
func (c *setClock) setBy() time.Duration {
	if c.steady == nil {
		return 0
	}
	by := c.now().Round(0).Sub(c.zero.Round(0).Add(c.steady())) // Round takes the steady part out of a time
	if by.Abs() < clockSlack {
		return 0
	}
	return by
}

// clockSlack is the shortest time between two reports of most sensors, so that fewer than two reports are lost by it.
const clockSlack = time.Minute

var errClockSet = errors.New("the clock was set")

// ahead returns the time after which a moment must come from a clock that ran ahead.
func (n *night) ahead() time.Time { return n.now().Add(clockSlack) }
