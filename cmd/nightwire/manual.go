package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightwire/alerts"
)

func newManual() *cobra.Command {
	return &cobra.Command{
		Use:    "manual",
		Short:  "Write the manual page, nightwire(1)",
		Hidden: true, // for packages
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprint(cmd.OutOrStdout(), manual(cmd.Root()))
			return err
		},
	}
}

// manual returns the manual page in the man macros (man(7)). It is made from the commands themselves, so that it has
// all of them.
func manual(root *cobra.Command) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH NIGHTWIRE 1 \"\" \"nightwire %s\" \"User Commands\"\n", roff(version()))
	fmt.Fprintf(&b, ".SH NAME\nnightwire \\- %s\n", roff(lowerFirst(root.Short)))
	b.WriteString(".SH SYNOPSIS\n.B nightwire\n.I command\n.RI [ flag ...]\n.SH DESCRIPTION\n")
	paragraphs(&b, root.Long)
	b.WriteString(".SH COMMANDS\n")
	for _, c := range root.Commands() {
		manualCommand(&b, c)
	}
	b.WriteString(".SH FILES\n.TP\n.I /etc/nightwire/farm.yaml\nThe farm file of the service.\n" +
		".TP\n.I /var/lib/nightwire\nWhat the service keeps: readings, alarms and messages. Removing the package leaves it.\n" +
		".TP\n.I /etc/default/nightwire\nFlags for the service.\n")
	b.WriteString(".SH EXIT STATUS\n0 when all went well, 1 when something failed, 2 when it was called wrongly or the farm file has mistakes.\n")
	b.WriteString(".SH CAUTIONS\n")
	for _, c := range alerts.Cautions() {
		fmt.Fprintf(&b, ".IP \\(bu 2\n%s\n", roff(c.Text))
	}
	return b.String()
}

func manualCommand(b *strings.Builder, c *cobra.Command) {
	if c.Hidden || c.Name() == "help" || c.Name() == "completion" {
		return
	}
	if c.Runnable() && !c.HasSubCommands() {
		fmt.Fprintf(b, ".SS %s\n", roff(strings.TrimPrefix(c.UseLine(), "nightwire ")))
		text := c.Long
		if text == "" {
			text = c.Short + "."
		}
		paragraphs(b, text)
		c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) { manualFlag(b, f) })
	}
	for _, sub := range c.Commands() {
		manualCommand(b, sub)
	}
}

func manualFlag(b *strings.Builder, f *pflag.Flag) {
	if f.Hidden || f.Name == "help" {
		return
	}
	name := "--" + f.Name
	if f.Shorthand != "" {
		name = "-" + f.Shorthand + ", " + name
	}
	kind, usage := pflag.UnquoteUsage(f)
	fmt.Fprintf(b, ".TP\n.B %s\n", strings.TrimSpace(roff(name+" "+kind)))
	if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "[]" {
		usage += " (" + f.DefValue + " when left out)"
	}
	fmt.Fprintln(b, roff(usage))
}

// paragraphs writes text as paragraphs, and lines that are set in as they are.
func paragraphs(b *strings.Builder, text string) {
	for p := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		b.WriteString(".PP\n")
		for line := range strings.SplitSeq(p, "\n") {
			if strings.HasPrefix(line, "  ") {
				b.WriteString(".br\n")
			}
			fmt.Fprintln(b, roff(line))
		}
	}
}

// roff escapes what the man macros would take for their own.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, "–", `\(en`, "…", "...").Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }
