package scenario

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"nightwire/sim"
)

// captured is one line of a capture, keys in mosquitto_sub's order.
type captured struct {
	Time    string          `json:"tst"`
	Topic   string          `json:"topic"`
	QoS     int             `json:"qos"`
	Retain  int             `json:"retain"`
	Len     int             `json:"payloadlen"`
	Payload json.RawMessage `json:"payload"`
}

// Capture runs the whole season and writes it as mosquitto_sub -F %J would have, one JSON object a line.
func (s *Scenario) Capture(w io.Writer) error {
	season, err := s.Sim()
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(w, 1<<16)
	for m := range season.Messages() {
		b, err := Line(m)
		if err != nil {
			return err
		}
		if _, err := out.Write(b); err != nil {
			return fmt.Errorf("write capture: %w", err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

// Line returns one message as a line of a capture.
func Line(m sim.Message) ([]byte, error) {
	// UTC is written "Z+0000" there, which no layout of package time gives.
	tst := m.At.UTC().Format("2006-01-02T15:04:05.000000Z") + "+0000"
	b, err := json.Marshal(captured{tst, m.Topic, 1, 0, len(m.Payload), m.Payload})
	if err != nil {
		return nil, fmt.Errorf("write capture line of %s: %w", m.Topic, err)
	}
	return append(b, '\n'), nil
}

// Clock is season time that runs faster than the wall's. The program that watches a played season takes its time
// from it.
type Clock struct {
	start, began time.Time
	speed        float64
}

// NewClock returns a clock that shows start now and runs speed times as fast as the wall's.
func NewClock(start time.Time, speed float64) *Clock {
	return &Clock{start: start, began: time.Now(), speed: speed}
}

// Now returns the season's time.
func (c *Clock) Now() time.Time {
	return c.start.Add(time.Duration(float64(time.Since(c.began)) * c.speed))
}

// Until returns how long the wall takes until the season's time is t; not positive when it has passed.
func (c *Clock) Until(t time.Time) time.Duration {
	return time.Duration(float64(t.Sub(c.Now())) / c.speed)
}

// Play publishes the season's messages when the clock comes to them, and returns at its end, when ctx ends, or with
// publish's first error. A clock that runs too fast for publish falls behind; nothing is left out.
func (s *Scenario) Play(ctx context.Context, clock *Clock, publish func(topic string, payload []byte) error) error {
	season, err := s.Sim()
	if err != nil {
		return err
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for m := range season.Messages() {
		if d := clock.Until(m.At); d > 0 {
			timer.Reset(d)
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-timer.C:
			}
		} else if ctx.Err() != nil {
			return ctx.Err()
		}
		if err := publish(m.Topic, m.Payload); err != nil {
			return fmt.Errorf("publish %s: %w", m.Topic, err)
		}
	}
	return nil
}
