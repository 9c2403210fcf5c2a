package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/control"
	"nightwire/ingest/farm"
)

// openControl begins to take commands. A watch that cannot goes on without: it is worth more than its commands.
func (n *night) openControl(ctx context.Context, s *stack) {
	if n.store == nil {
		return // the data folder cannot be written; commands come back with it
	}
	ln, err := control.Listen(n.opts.DataDir)
	if err != nil {
		n.log.Warn("commands cannot be taken", "err", err)
		return
	}
	server := &http.Server{Handler: control.Handler(n), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute}
	s.start(ctx, "control", func(ctx context.Context) error {
		stopped := make(chan struct{})
		unhook := context.AfterFunc(ctx, func() {
			defer close(stopped)
			server.Close()
		})
		err := server.Serve(ln)
		if !unhook() {
			<-stopped
		}
		if errors.Is(err, http.ErrServerClosed) {
			return nil
		}
		return err
	})
}

// MoveOptions says what is taken out of service, or comes back.
type MoveOptions struct {
	Farm    *farm.Farm
	DataDir string
	Names   []string      // of zones, and of energizers: those with all zones that they feed
	For     time.Duration // how long the work takes; 0 to come back
	By      string
	Note    string
	Now     time.Time
	Out     io.Writer
}

// ErrNoSuchPlace means that the farm file has no zone and no energizer of a name.
var ErrNoSuchPlace = errors.New("no zone and no energizer is called that")

// Move tells the night watch that zones are worked on for a time, or that they are back, and says what that means.
func Move(ctx context.Context, o MoveOptions) error {
	sources, err := movedSources(o.Farm, o.Names)
	if err != nil {
		return err
	}
	until := o.Now.Add(o.For)
	var acts []alerts.Action
	for _, s := range sources {
		if o.For > 0 {
			acts = append(acts, alerts.Action{Kind: alerts.OutOfService, Source: s, By: o.By, Note: o.Note, Until: until, Move: true})
			continue
		}
		acts = append(acts, alerts.Action{Kind: alerts.InService, Source: s, By: o.By, Note: o.Note})
	}
	if o.For == 0 { // strung anew only once all are back: a refusal in between must not forget what was known
		for _, s := range sources {
			acts = append(acts, alerts.Action{Kind: alerts.Restrung, Source: s, By: o.By})
		}
	}
	if err := control.Act(ctx, o.DataDir, acts...); err != nil {
		return err
	}
	_, err = io.WriteString(o.Out, moveText(o, sources, until))
	return err
}

// movedSources returns what the names stand for, each once.
func movedSources(f *farm.Farm, names []string) ([]farm.Source, error) {
	var out []farm.Source
	add := func(s farm.Source) {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	for _, name := range names {
		z, e := f.Zone(name), f.Energizer(name)
		switch {
		case z != nil:
			add(z.Source())
		case e != nil:
			add(e.Source())
			for _, z := range f.Feeding(name) {
				add(z.Source())
			}
		default:
			return nil, fmt.Errorf("%w: %q", ErrNoSuchPlace, name)
		}
	}
	return out, nil
}

// moveText says what a move means for the watch, the stock and the people.
func moveText(o MoveOptions, sources []farm.Source, until time.Time) string {
	var b strings.Builder
	names := strings.Join(placeNames(sources), ", ")
	if o.For == 0 {
		fmt.Fprintf(&b, "Watched again: %s. What is usual there is learnt anew.\nRead it before you let stock in.\n", names)
	} else {
		fmt.Fprintf(&b, "Out of service until %s: %s.\n", until.In(o.Farm.Location).Format("Mon 2 January, 15:04"), names)
		fmt.Fprintf(&b, "Nothing there wakes anybody, until a reminder that comes before the end. It ends by itself; nightwire move --back ends it now.\n")
		stock, beyond := aroundMove(o.Farm, sources)
		if len(stock) > 0 {
			fmt.Fprintf(&b, "Behind or beside it: %s. Are they behind a fence that is hot?\n", strings.Join(stock, ", "))
		}
		if len(beyond) > 0 {
			fmt.Fprintf(&b, "Fed through it, and still watched: %s. They will alarm when you cut it; name them too if you do.\n", strings.Join(beyond, ", "))
		}
	}
	for _, c := range alerts.Cautions(alerts.AboutWork) {
		fmt.Fprintf(&b, "- %s (%s)\n", c.Text, c.Standing)
	}
	return b.String()
}

// aroundMove returns the animals that stand behind the sources or beside them, and the zones that are cut off with them.
func aroundMove(f *farm.Farm, sources []farm.Source) (stock, beyond []string) {
	for _, s := range sources {
		stock = appendNew(stock, f.StockBehind(s)...)
		for _, z := range f.Feeding(s.Name()) {
			if !slices.Contains(sources, z.Source()) {
				beyond = appendNew(beyond, z.Name)
			}
		}
	}
	return stock, beyond
}

// placeNames returns sources as people call them.
func placeNames(sources []farm.Source) []string {
	var out []string
	for _, s := range sources {
		out = append(out, s.Called())
	}
	return out
}

// appendNew appends what is not there yet.
func appendNew(list []string, more ...string) []string {
	for _, s := range more {
		if !slices.Contains(list, s) {
			list = append(list, s)
		}
	}
	return list
}
