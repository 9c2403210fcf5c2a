package app

import (
	"context"
	"sync"
	"time"
)

// tide is a clock that runs many times as fast as the wall's, but never past a moment that is held: the time of the
// next message that is not sent yet. However slow the machine, no message is late on it.
type tide struct {
	speed float64

	mu    sync.Mutex
	at    time.Time // what it showed at the wall's time of mark
	mark  time.Time
	until time.Time // it stops here
}

func newTide(start time.Time, speed float64) *tide {
	return &tide{speed: speed, at: start, mark: time.Now(), until: start}
}

// Now returns the time that the clock shows.
func (t *tide) Now() time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.now()
}

func (t *tide) now() time.Time {
	now := t.at.Add(time.Duration(float64(time.Since(t.mark)) * t.speed))
	if now.After(t.until) {
		return t.until
	}
	return now
}

// wall returns what the wall's clock shows at the moment m, as far as the clock has come: what has fallen behind does
// not catch up.
func (t *tide) wall(m time.Time) time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.mark.Add(time.Duration(float64(m.Sub(t.at)) / t.speed))
}

// reach lets the clock run on to the moment m, and returns when it is there.
func (t *tide) reach(ctx context.Context, m time.Time) error {
	t.mu.Lock()
	t.at, t.mark, t.until = t.now(), time.Now(), m
	wait := time.Duration(float64(m.Sub(t.at)) / t.speed)
	t.mu.Unlock()
	if wait < time.Millisecond { // finer than timers are; what is left is waited for with the next
		t.mu.Lock()
		t.at, t.mark = m, t.mark.Add(wait)
		t.mu.Unlock()
		return ctx.Err()
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}
