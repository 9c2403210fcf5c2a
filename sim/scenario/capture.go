package scenario

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strconv"

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

// Labels writes what was truly wrong in the season, one JSON object a line.
func (s *Scenario) Labels(w io.Writer) error {
	truth, err := s.Truth()
	if err != nil {
		return err
	}
	out := json.NewEncoder(w)
	for _, l := range truth.Labels {
		if err := out.Encode(l); err != nil {
			return fmt.Errorf("write labels: %w", err)
		}
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
