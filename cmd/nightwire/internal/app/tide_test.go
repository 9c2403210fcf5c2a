package app

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightwire/sim"
	"nightwire/sim/scenario"
)

// shortSeason is the first day of a season that comes with the program, on a clock of so many times the wall's speed.
func shortSeason(t *testing.T, name string, speed float64) (*sim.Sim, *tide) {
	t.Helper()
	s, err := scenario.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	clock, o := newTide(s.Options.Start, speed), s.Options
	o.Length, o.Shown = 24*time.Hour, clock.wall
	season, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return season, clock
}

// A day at 3,600 times the wall's speed takes 24 seconds, and each message comes when the clock shows its time; one that
// its sensor stamped bears the wall's time, also where what publishes is slow and all falls behind.
func TestPlayKeepsTime(t *testing.T) {
	for _, tt := range []struct {
		name  string
		holds time.Duration // what each message keeps the publisher
		least time.Duration
	}{{"at once", 0, 23 * time.Second}, {"a slow broker", 10 * time.Millisecond, 60 * time.Second}} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				season, clock := shortSeason(t, "clean", 3600)
				began, n := time.Now(), 0
				err := play(t.Context(), season, clock, func(m sim.Message) error {
					n++
					if off := clock.Now().Sub(m.At).Abs(); off > 5*time.Second {
						t.Fatalf("message %d of %v came at %v", n, m.At, clock.Now())
					}
					_, stamp, _ := strings.Cut(string(m.Payload), `"t":"`)
					at, err := time.Parse(time.RFC3339, strings.TrimSuffix(stamp, `"}`))
					if off := time.Since(at).Abs(); err != nil || off > 100*time.Millisecond {
						t.Fatalf("message %d is stamped %v, %v from now (%v): %s", n, at, off, err, m.Payload)
					}
					<-time.After(tt.holds)
					return nil
				})
				if err != nil {
					t.Fatal(err)
				}
				if took := time.Since(began); took < tt.least || tt.holds == 0 && took > 25*time.Second || n < 8000 {
					t.Errorf("%d messages of a day took %v, want at least %v", n, took, tt.least)
				}
			})
		})
	}
}

func TestPlayStops(t *testing.T) {
	boom := errors.New("broker gone")
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		season, clock := shortSeason(t, "demo", 1)
		if err := play(ctx, season, clock, func(sim.Message) error { return nil }); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a play that was called off returned %v", err)
		}
		season, clock = shortSeason(t, "demo", 60)
		if err := play(t.Context(), season, clock, func(sim.Message) error { return boom }); !errors.Is(err, boom) {
			t.Errorf("a play that could not publish returned %v", err)
		}
	})
}
