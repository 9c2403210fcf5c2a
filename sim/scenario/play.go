package scenario

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"time"

	"nightwire/sim"
)

// Capture runs the whole season and writes it as mosquitto_sub -F %J would have, one JSON object a line.
func (s *Scenario) Capture(w io.Writer) error {
	season, err := s.Sim()
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(w, 1<<16)
	var line []byte
	for m := range season.Messages() {
		line = AppendLine(line[:0], m)
		if _, err := out.Write(line); err != nil {
			return fmt.Errorf("write capture: %w", err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

// AppendLine appends one message as a line of a capture, with mosquitto_sub's keys in its order. UTC is written
// "Z+0000" there, which no layout of package time gives.
func AppendLine(b []byte, m sim.Message) []byte {
	b = m.At.UTC().AppendFormat(append(b, `{"tst":"`...), "2006-01-02T15:04:05.000000Z")
	b = append(b, `+0000","topic":`...)
	topic, err := json.Marshal(m.Topic)
	if err != nil {
		panic(err) // a string always marshals
	}
	b = append(b, topic...)
	b = append(b, `,"qos":1,"retain":0,"payloadlen":`...)
	b = strconv.AppendInt(b, int64(len(m.Payload)), 10)
	b = append(append(b, `,"payload":`...), m.Payload...)
	return append(b, "}\n"...)
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
