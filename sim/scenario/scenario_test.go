package scenario_test

import (
	"bytes"
	"encoding/json"
	"io"
	"testing"
	"time"

	"nightwire/sim/scenario"
)

func TestSeasonsOpen(t *testing.T) {
	for _, name := range scenario.Names() {
		t.Run(name, func(t *testing.T) {
			s, err := scenario.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			if s.Name != name {
				t.Errorf("season in %s.yaml is called %q", name, s.Name)
			}
		})
	}
}

func TestSameSeedSameCapture(t *testing.T) {
	s, err := scenario.Open("demo")
	if err != nil {
		t.Fatal(err)
	}
	s.Options.Length = 3 * 24 * time.Hour
	var a, b bytes.Buffer
	for _, w := range []io.Writer{&a, &b} {
		if err := s.Capture(w); err != nil {
			t.Fatal(err)
		}
	}
	if a.Len() == 0 || !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("two captures of one season differ: %d and %d bytes", a.Len(), b.Len())
	}
}

func TestCaptureLinesAreJSON(t *testing.T) {
	s, err := scenario.Open("demo")
	if err != nil {
		t.Fatal(err)
	}
	s.Options.Length = 2 * time.Hour
	var out bytes.Buffer
	if err := s.Capture(&out); err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(out.Bytes()) {
		var got struct {
			TST        string
			Topic      string
			PayloadLen int
			Payload    json.RawMessage
		}
		if err := json.Unmarshal(line, &got); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if _, err := time.Parse("2006-01-02T15:04:05.000000Z+0000", got.TST); err != nil {
			t.Errorf("time of %s: %v", line, err)
		}
		if got.PayloadLen != len(got.Payload) || s.Farm().Zones == nil || got.Topic == "" {
			t.Errorf("line %s has a payload of %d bytes", line, len(got.Payload))
		}
	}
}
