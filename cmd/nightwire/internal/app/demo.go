package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/farm"
	"nightwire/sim"
	"nightwire/sim/scenario"
)

// DemoOptions says how to show a season.
type DemoOptions struct {
	Scenario *scenario.Scenario
	Speed    float64
	DataDir  string // empty for one that is removed at the end
	Listen   string // of the page
	Out      io.Writer
	Terminal bool // Out is one, so a line may be written over
	Once     bool // end with the season; else the page stays until ctx is done
	Log      *slog.Logger
}

const (
	// demoFlying is how many messages may be on their way to the night watch: well under a minute of a small farm's, so
	// that the fast clock makes none of them late.
	demoFlying = 3
	// demoLost is how long the clock stands still for a message that does not come.
	demoLost = time.Second
	// demoBehind is how many may be on their way to the detectors before the clock stops to let them catch up.
	demoBehind = 512
)

// demo is a season being shown.
type demo struct {
	opts  DemoOptions
	clock *tide
	farm  *farm.Farm
	out   screen

	addresses chan Addresses // of the watch, once it runs
	flying    chan struct{}  // one for each message on its way to the night watch
	behind    chan struct{}  // and one for each on its way to the detectors
}

// Demo shows a season: simulated sensors publish to the built-in broker over MQTT, and the night watch does the rest,
// all on the season's own fast clock.
func Demo(ctx context.Context, opts DemoOptions) (err error) {
	dir := opts.DataDir
	if dir == "" {
		if dir, err = os.MkdirTemp("", "nightwire-demo-*"); err != nil {
			return fmt.Errorf("make a folder for the demo: %w", err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	}
	cfg, err := demoConfig(opts)
	if err != nil {
		return err
	}
	d := &demo{
		opts: opts, clock: newTide(opts.Scenario.Options.Start, opts.Speed), farm: &cfg.Farm,
		addresses: make(chan Addresses, 1), flying: make(chan struct{}, demoFlying), behind: make(chan struct{}, demoBehind),
		out: screen{w: opts.Out, over: opts.Terminal},
	}
	watch, err := New(Options{
		Config: cfg, DataDir: dir, Log: opts.Log, Now: d.clock.Now, Speed: opts.Speed,
		Arrived: d.arrived,
		Started: func(a Addresses) { d.addresses <- a }, Said: d.said, Looked: d.looked,
	})
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var wg sync.WaitGroup
	defer wg.Wait()
	played := make(chan error, 1)
	wg.Go(func() {
		err := d.play(ctx)
		if err != nil || opts.Once {
			stop()
		}
		played <- err
	})
	err = watch.Run(ctx)
	stop()
	if failed := <-played; err == nil && !errors.Is(failed, context.Canceled) {
		err = failed
	}
	return err
}

// demoConfig returns the season's farm file, with a broker and a page of the demo's own.
func demoConfig(opts DemoOptions) (*config.Config, error) {
	text := string(opts.Scenario.FarmFile()) + "\nbroker: {listen: \"127.0.0.1:0\"}\npage: {listen: \"" + opts.Listen + "\"}\n"
	cfg, err := config.Parse(opts.Scenario.Name, []byte(text))
	if err != nil {
		return nil, fmt.Errorf("farm file of season %s: %w", opts.Scenario.Name, err)
	}
	cfg.Alarms.WeeklyTest.Day = config.Never // nobody is there to answer
	return cfg, nil
}

// play publishes the season once the watch runs.
func (d *demo) play(ctx context.Context) error {
	var at Addresses
	select {
	case at = <-d.addresses:
	case <-ctx.Done():
		return ctx.Err()
	}
	s := d.opts.Scenario
	season, err := s.Sim()
	if err != nil {
		return err
	}
	d.out.line("%s: %d days in about %s. Watch it at %s (Ctrl-C ends it)", s.Name, int(s.Options.Length.Hours()/24),
		time.Duration(float64(s.Options.Length)/d.opts.Speed).Round(time.Second), at.Page)
	// QoS 0: at QoS 1 the broker would write two gigabytes to the disk in a season, a message at a time.
	p, err := newPublisher(ctx, "mqtt://"+at.Broker, 0, demoFlying)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	shown, hide := context.WithCancel(ctx)
	wg.Go(func() { d.progress(shown, at.Page) })
	err = play(ctx, season, d.clock, func(m sim.Message) error {
		d.enter(ctx, d.behind)
		d.enter(ctx, d.flying)
		return p.send(ctx, m.Topic, m.Payload)
	})
	err = errors.Join(err, p.close())
	if err == nil {
		err = d.settled(ctx)
	}
	hide()
	wg.Wait()
	if err != nil {
		return err
	}
	d.out.line("The season is over.")
	if !d.opts.Once {
		d.out.line("The page stays at %s until Ctrl-C.", at.Page)
	}
	return nil
}

// settled waits a little, so that what is still on its way is looked at. The clock stands still meanwhile and from then
// on: were it to run on at its pace, every sensor would soon have been silent for hours.
func (d *demo) settled(ctx context.Context) error {
	timer := time.NewTimer(3 * settle)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// enter waits until there is room for one more in ch, and the season with it.
func (d *demo) enter(ctx context.Context, ch chan struct{}) {
	timer := time.NewTimer(demoLost)
	defer timer.Stop()
	select {
	case ch <- struct{}{}:
	case <-timer.C:
	case <-ctx.Done():
	}
}

// arrived is told that a message has come to the night watch, and tells it when.
func (d *demo) arrived() time.Time {
	leave(d.flying)
	return d.clock.Now()
}

// leave makes room for one in ch.
func leave(ch chan struct{}) {
	select {
	case <-ch:
	default: // it was given up
	}
}

// looked is told that readings have gone through the detectors.
func (d *demo) looked(n int) {
	for range n {
		leave(d.behind)
	}
}

// said prints an alarm in words. The daily word on growth is on the page.
func (d *demo) said(e alerts.Event) {
	if e.Kind == alerts.Updated && e.Condition == alerts.Growth {
		return
	}
	what := map[alerts.EventKind]string{alerts.Raised: strings.ToUpper(e.Priority.String()), alerts.Updated: "more", alerts.Returned: "over",
		alerts.Escalated: "passed on"}[e.Kind]
	d.out.line("%s  %-6s  %s", d.local(e.Time), what, e.Text)
}

func (d *demo) local(t time.Time) string { return t.In(d.farm.Location).Format("Mon 2 Jan 15:04") }

// progress shows how far the season is: in place on a terminal, else a line a day.
func (d *demo) progress(ctx context.Context, page string) {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	o := d.opts.Scenario.Options
	for last := 0; ; {
		select {
		case <-ctx.Done():
			d.out.clear()
			return
		case <-tick.C:
		}
		now := d.clock.Now()
		day := int(now.Sub(o.Start).Hours()/24) + 1
		text := fmt.Sprintf("%s  day %d of %d  %s", d.local(now), day, int(o.Length.Hours()/24), page)
		if d.opts.Terminal {
			d.out.status(text)
		} else if day != last {
			d.out.line("%s", text)
		}
		last = day
	}
}

// screen writes lines, and on a terminal one status line below them that is written over.
type screen struct {
	mu   sync.Mutex
	w    io.Writer
	over bool
	text string // the status line
}

const eraseLine = "\r\x1b[K" // ECMA-48: back to the start, and erase to the end

func (s *screen) line(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := fmt.Sprintf(format, args...) + "\n"
	if s.over {
		text = eraseLine + text + s.text
	}
	io.WriteString(s.w, text) // nobody is left to tell when the terminal is gone
}

func (s *screen) status(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.text = text
	io.WriteString(s.w, eraseLine+text)
}

func (s *screen) clear() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.over {
		s.text = ""
		io.WriteString(s.w, eraseLine)
	}
}
