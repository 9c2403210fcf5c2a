package scenario_test

import (
	"bytes"
	"io"
	"testing"

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
