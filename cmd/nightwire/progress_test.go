package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestProgressShowsRateAndTimeLeft draws a bar for a terminal, and none for a file or a pipe.
func TestProgressShowsRateAndTimeLeft(t *testing.T) {
	var drawn bytes.Buffer
	bar := newBar(&drawn, "packing", "readings", 1000)
	if err := bar.Add(500); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"packing", "50%", "500/1000", "readings/s", "["} {
		if !strings.Contains(drawn.String(), want) {
			t.Errorf("no %q in %q", want, drawn.String())
		}
	}
	var quiet bytes.Buffer
	cmd := &cobra.Command{}
	cmd.SetErr(&quiet)
	in, done := watched(cmd, "reading", strings.NewReader(strings.Repeat("x", 1<<20)))
	n, err := drawn.ReadFrom(in)
	done()
	if n != 1<<20 || err != nil || quiet.Len() > 0 {
		t.Errorf("read %d, %v, and drew %q where there is no terminal", n, err, quiet.String())
	}
}
