package main

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// The manual page has every command that people may give, and what a line begins with is not taken for a macro.
func TestManual(t *testing.T) {
	page := manual(newRoot())
	var walk func(*cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Hidden {
			return
		}
		if c.Runnable() && !c.HasSubCommands() && !strings.Contains(page, "\n.SS "+roff(strings.TrimPrefix(c.UseLine(), "nightwire "))+"\n") {
			t.Errorf("the manual page has no %s", c.CommandPath())
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(newRoot())
	for line := range strings.Lines(page) {
		word, _, _ := strings.Cut(strings.TrimSpace(line), " ")
		if strings.HasPrefix(word, ".") && !strings.Contains(" .TH .SH .SS .PP .TP .B .I .RI .IP .br ", " "+word+" ") {
			t.Errorf("%q would be taken for a macro", line)
		}
	}
	if got := roff(".a\\b -c"); got != `\&.a\eb \-c` {
		t.Errorf("roff gives %s", got)
	}
}
