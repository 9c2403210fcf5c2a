// Package heartbeat tells an address outside the farm, again and again, that the watch is well. Whoever listens there
// misses it when the watch, its computer or its network is gone, and wakes somebody by a way of its own.
package heartbeat

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"time"
)

// Options are the parts of a Beat. All but Client and Trouble are required.
type Options struct {
	URL    string // a secret: whoever knows it can feign a watch that is well
	Every  time.Duration
	Well   func(context.Context) error // why the watch is not well; nil while it is
	Client *http.Client                // default one that follows no redirects
	// Trouble is told why beats do not arrive, and with nil when they do again. Optional.
	Trouble func(error)
	Log     *slog.Logger
}

// Beat sends the heartbeat.
type Beat struct {
	opts    Options
	host    string
	holding bool // it was not well at the last beat
	failing bool // the last beat did not arrive
}

// timeout is for one beat. It is shorter than any interval, so that beats never queue.
const timeout = 10 * time.Second

// MinEvery is the shortest interval.
const MinEvery = 30 * time.Second

// New checks the options. Its errors do not hold the address.
func New(o Options) (*Beat, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, errors.New("the heartbeat's address is not one\nhint: write it whole, as https://host/path, in the file that heartbeat.url_file names")
	}
	if o.Well == nil || o.Log == nil || o.Every < MinEvery {
		return nil, fmt.Errorf("heartbeat needs Well, Log, and an interval of %s or more", MinEvery)
	}
	if o.Client == nil {
		o.Client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	if o.Trouble == nil {
		o.Trouble = func(error) {}
	}
	return &Beat{opts: o, host: u.Host}, nil
}

// Run beats at once and then at the interval until ctx is done. It beats only while the watch is well.
func (b *Beat) Run(ctx context.Context) error {
	tick := time.NewTicker(b.opts.Every)
	defer tick.Stop()
	for {
		b.turn(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// turn beats if the watch is well. Only what changes is said.
func (b *Beat) turn(ctx context.Context) {
	unwell := b.opts.Well(ctx)
	switch {
	case unwell != nil && !b.holding:
		b.opts.Log.Error("heartbeat withheld", "err", unwell)
	case unwell == nil && b.holding:
		b.opts.Log.Info("heartbeat goes out again")
	}
	if b.holding = unwell != nil; b.holding {
		return
	}
	err := b.send(ctx)
	if ctx.Err() != nil {
		return // it ends: what was cut says nothing
	}
	switch {
	case err != nil && !b.failing:
		b.opts.Log.Warn("heartbeat does not arrive", "err", err)
	case err == nil && b.failing:
		b.opts.Log.Info("heartbeat arrives again", "host", b.host)
	}
	b.failing = err != nil
	b.opts.Trouble(err)
}

// send makes one beat. Its error names only the host.
func (b *Beat) send(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, b.opts.URL, nil)
	if err != nil {
		return fmt.Errorf("heartbeat to %s: the address is not one", b.host)
	}
	req.Header.Set("User-Agent", "nightwire")
	resp, err := b.opts.Client.Do(req)
	if err != nil {
		var ue *url.Error // it holds the whole address
		if errors.As(err, &ue) {
			err = ue.Err
		}
		return fmt.Errorf("heartbeat to %s: %w", b.host, err)
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10)) // so that the connection can be used again
	if resp.StatusCode/100 != 2 {
		return fmt.Errorf("heartbeat to %s: it answers %s\nhint: see that the address is right; one that points elsewhere is not followed", b.host, resp.Status)
	}
	return nil
}
