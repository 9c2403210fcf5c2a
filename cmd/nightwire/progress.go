package main

import (
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"nightwire/cmd/nightwire/internal/progress"
)

// meter tells on standard error how far something long is.
func meter(cmd *cobra.Command, what, unit string) *progress.Meter {
	w := cmd.ErrOrStderr()
	opts := progress.Options{What: what, Unit: unit, Line: func(text string) { fmt.Fprintln(w, text) }}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		opts.Terminal = w
	}
	return progress.New(opts)
}

// watched passes a file on and tells how much of it was read. Of what is no file the length is not known.
func watched(cmd *cobra.Command, what string, in io.Reader) (out io.Reader, done func()) {
	total := int64(0)
	if f, ok := in.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
			total = info.Size()
		}
	}
	m := meter(cmd, what, "bytes")
	return m.Reader(in, total), m.End
}
