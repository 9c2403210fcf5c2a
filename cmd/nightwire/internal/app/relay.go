package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/control"
	"nightwire/ingest/farm"
)

// Laid says what the watch goes by.
func (n *night) Laid() control.Laid {
	path, err := filepath.Abs(n.cfg.Path)
	if err != nil {
		path = n.cfg.Path
	}
	return control.Laid{File: path, Layout: n.cfg.Farm.Layout(), Since: n.began.UTC()}
}

// ReadAgain reads the farm file again, and has the watch go by it when begin is called. A broken one is refused.
func (n *night) ReadAgain() (begin func(), err error) {
	if n.opts.Load == nil {
		return nil, errors.New("this night watch does not read its farm file again\nhint: start it anew")
	}
	cfg, err := n.opts.read()
	if err != nil {
		return nil, err
	}
	n.next.Store(cfg)
	return func() { poke(n.relaid) }, nil
}

// RelayOptions says how the fence is laid out from now on.
type RelayOptions struct {
	Path    string // of the farm file
	DataDir string
	Changes []config.Relay
	Now     time.Time
	Out     io.Writer
}

// ErrNotWritten means that the farm file could not be written. It is as it was.
var ErrNotWritten = errors.New("the farm file cannot be written, and is as it was")

// Relay changes the layout in the farm file, and has the watch that runs go by it from now on. Where anything is in the
// way the file is left as it was, to the byte.
func Relay(ctx context.Context, o RelayOptions) error {
	text, err := os.ReadFile(o.Path)
	if err != nil {
		return fmt.Errorf("read the farm file: %w", err)
	}
	old, err := config.Parse(o.Path, text)
	if err != nil {
		return err
	}
	next, err := config.Edit(o.Path, text, o.Changes...)
	if err != nil {
		return err
	}
	watched, err := readsFile(ctx, o)
	if err != nil {
		return err
	}
	if err := writeFarmFile(o.Path, text, next.Text); err != nil {
		return fmt.Errorf("%w: %w\nhint: %s", ErrNotWritten, err,
			config.ByHand("let this user write to it, or write this yourself and send the watch SIGHUP", next.Lines))
	}
	from := "when the night watch starts"
	if watched {
		now, err := control.ReadAgain(ctx, o.DataDir)
		if err == nil && !sameLayout(now.Layout, next.Config.Farm.Layout()) {
			err = errors.New("the night watch goes on with the layout of before\nhint: look at its log")
		}
		if err != nil {
			return fmt.Errorf("the farm file is changed, but %w", err)
		}
		from = "now, " + o.Now.In(next.Config.Farm.Location).Format("Mon 2 January 2006, 15:04")
	}
	_, err = io.WriteString(o.Out, relayText(next.Config.Farm.Layout().Changes(old.Farm.Layout()), from))
	return err
}

// readsFile reports whether a watch runs on the data folder. One that reads another farm file is an error: it would not
// notice what is changed in this one.
func readsFile(ctx context.Context, o RelayOptions) (bool, error) {
	laid, err := control.AskLaid(ctx, o.DataDir)
	if errors.Is(err, control.ErrNotRunning) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	a, err := os.Stat(o.Path)
	if err != nil {
		return false, fmt.Errorf("look at the farm file: %w", err)
	}
	if b, err := os.Stat(laid.File); err != nil || !os.SameFile(a, b) {
		return false, fmt.Errorf("the night watch goes by another farm file: %s\nhint: give that one with --config, or its own data folder with --data", laid.File)
	}
	return true, nil
}

// sameLayout compares layouts as the journal keeps them.
func sameLayout(a, b farm.Layout) bool {
	x, err1 := json.Marshal(a)
	y, err2 := json.Marshal(b)
	return err1 == nil && err2 == nil && string(x) == string(y)
}

// writeFarmFile writes the file in place, so that its owner, rights and links stay. All of it lies beside it meanwhile,
// which a crash leaves there. What stands between is put back.
func writeFarmFile(path string, old, text []byte) error {
	beside := path + ".new"
	if err := overwrite(beside, text, os.O_CREATE); err != nil {
		return err
	}
	if err := overwrite(path, text, 0); err != nil {
		return errors.Join(err, putBack(path, old), os.Remove(beside))
	}
	return os.Remove(beside)
}

// putBack writes what was there before a write that failed.
func putBack(path string, old []byte) error {
	now, err := os.ReadFile(path)
	if err != nil || string(now) == string(old) {
		return nil // it was not opened
	}
	return overwrite(path, old, 0)
}

// overwrite writes a file and cuts off what was longer, in this order: a full disk is met before anything is lost.
func overwrite(path string, text []byte, flags int) error {
	f, err := os.OpenFile(path, os.O_WRONLY|flags, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Truncate(int64(len(text))), f.Sync(), f.Close())
}

// relayText says what has changed, from when, and what it asks for.
func relayText(changes []string, from string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "From %s:\n", from)
	for _, c := range changes {
		fmt.Fprintf(&b, "- %s\n", c)
	}
	b.WriteString("What was before stays on record as it was. What is usual on that fence is learnt anew.\nRead it before you let stock in: nightwire turnout.\n")
	for _, c := range alerts.Cautions(alerts.AboutWork) {
		fmt.Fprintf(&b, "- %s (%s)\n", c.Text, c.Standing)
	}
	return b.String()
}
