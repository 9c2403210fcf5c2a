package scenario_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"nightwire/sim/scenario"
)

func open(t *testing.T, name string, length time.Duration) *scenario.Scenario {
	t.Helper()
	s, err := scenario.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	s.Options.Length = length
	return s
}

// A day at 3,600 times the wall's speed takes 24 seconds, and each message comes when the clock shows its time.
func TestPlayKeepsTime(t *testing.T) {
	s := open(t, "demo", 24*time.Hour)
	season, err := s.Sim()
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		clock := scenario.NewClock(s.Options.Start, 3600)
		n := 0
		err := s.Play(t.Context(), clock, func(topic string, payload []byte) error {
			m, ok := season.Next()
			if !ok || m.Topic != topic || string(m.Payload) != string(payload) {
				t.Fatalf("message %d is %s %s, want %s %s", n, topic, payload, m.Topic, m.Payload)
			}
			if off := clock.Now().Sub(m.At); off < -time.Second || off > time.Second {
				t.Fatalf("message %d of %v came at %v", n, m.At, clock.Now())
			}
			n++
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if took := time.Since(began); took < 23*time.Second || took > 25*time.Second || n < 8000 {
			t.Errorf("%d messages of a day took %v, want 24 s", n, took)
		}
	})
}

func TestPlayStops(t *testing.T) {
	s := open(t, "demo", 24*time.Hour)
	boom := errors.New("broker gone")
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		err := s.Play(ctx, scenario.NewClock(s.Options.Start, 1), func(string, []byte) error { return nil })
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a play that was called off returned %v", err)
		}
		err = s.Play(t.Context(), scenario.NewClock(s.Options.Start, 60), func(string, []byte) error { return boom })
		if !errors.Is(err, boom) {
			t.Errorf("a play that could not publish returned %v", err)
		}
	})
}
