package main

import (
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// progress shows on the terminal how far something long is, at what rate, and how long it still takes. Where errors do
// not go to a terminal it is quiet.
func progress(cmd *cobra.Command, what, unit string, total int64) *progressbar.ProgressBar {
	w := cmd.ErrOrStderr()
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return progressbar.DefaultSilent(total)
	}
	return newBar(w, what, unit, total)
}

// newBar writes to w whatever that is.
func newBar(w io.Writer, what, unit string, total int64) *progressbar.ProgressBar {
	opts := []progressbar.Option{
		progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(what), progressbar.OptionSetPredictTime(true),
		progressbar.OptionThrottle(200 * time.Millisecond), progressbar.OptionSetWidth(30), progressbar.OptionClearOnFinish(),
	}
	if unit == "bytes" {
		opts = append(opts, progressbar.OptionShowBytes(true))
	} else {
		opts = append(opts, progressbar.OptionShowCount(), progressbar.OptionShowIts(), progressbar.OptionSetItsString(unit))
	}
	return progressbar.NewOptions64(total, opts...)
}

// watched passes a file on and shows how much of it was read. Of what is no file the length is not known.
func watched(cmd *cobra.Command, what string, in io.Reader) (out io.Reader, done func()) {
	total := int64(-1)
	if f, ok := in.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
			total = info.Size()
		}
	}
	bar := progress(cmd, what, "bytes", total)
	r := progressbar.NewReader(in, bar)
	return &r, func() { _ = bar.Finish() } // only drawing can fail
}

// steps is for what tells its progress by a function.
func steps(cmd *cobra.Command, what, unit string) (report func(done, total int64), end func()) {
	var bar *progressbar.ProgressBar
	report = func(done, total int64) {
		if bar == nil {
			bar = progress(cmd, what, unit, total)
		}
		_ = bar.Set64(done) // only drawing can fail
	}
	return report, func() {
		if bar != nil {
			_ = bar.Finish()
		}
	}
}
