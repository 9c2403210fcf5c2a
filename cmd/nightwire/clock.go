package main

import (
	"context"
	"time"
)

// clockKey is under which a context carries another clock than the wall's: a rehearsal of a season has its own.
type clockKey struct{}

// withClock returns a context whose commands go by a clock.
func withClock(ctx context.Context, now func() time.Time) context.Context {
	return context.WithValue(ctx, clockKey{}, now)
}

// clockOf returns the clock that commands go by.
func clockOf(ctx context.Context) func() time.Time {
	if now, ok := ctx.Value(clockKey{}).(func() time.Time); ok {
		return now
	}
	return time.Now
}
