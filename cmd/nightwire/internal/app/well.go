package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"nightwire/alerts/heartbeat"
	"nightwire/cmd/nightwire/internal/config"
)

const (
	// turnsLate is how long the watch may not have gone round before it counts as stuck: longer than the slowest
	// commit that is still waited for.
	turnsLate = time.Minute
	// sendsLate is the same for what carries messages, which goes round once a minute when nothing happens.
	sendsLate = 3 * time.Minute
	// muteAfter is how long every channel must have failed before nobody can be told: short outages mend themselves.
	muteAfter = 15 * time.Minute
)

// pulses are signs of life that the parts of a watch leave behind, in Unix seconds of the wall's clock.
type pulses struct {
	turned  atomic.Int64 // when the watch last went round
	storing atomic.Int64 // since when a batch is being stored; 0 when none is
	unheard atomic.Int64 // since when the built-in broker cannot be reached; 0 while it is
}

// mark notes that something has begun or goes on now.
func mark(at *atomic.Int64) { at.Store(time.Now().Unix()) }

// late reports what has not happened for longer than it may.
func late(at *atomic.Int64, after time.Duration, what string) error {
	since := at.Load()
	if d := time.Since(time.Unix(since, 0)); since != 0 && d > after {
		return fmt.Errorf("%s for %s", what, d.Round(time.Second))
	}
	return nil
}

// well reports why the watch does not do what it is for: readings are not handled, or nobody can be told. It is the one
// judgement that feeds the service manager's watchdog and the outside heartbeat, and that /-/healthy shows. What a
// restart cannot mend, such as a full disk or another's broker that is gone, is not in it: people are told of that.
//
// It goes by what this start has seen. So where nobody can be told, the service manager starts the watch again every
// quarter of an hour or so, which may mend what is stuck in the process, and not every minute.
func (n *night) well(context.Context) error {
	var broker error
	if !n.feed.isBlind() {
		broker = late(&n.pulses.unheard, turnsLate, "the built-in broker has not been reached")
	}
	return errors.Join(
		late(&n.pulses.turned, turnsLate, "the watch has not gone round"),
		late(&n.pulses.storing, turnsLate, "a batch of readings has been on its way to the store"),
		broker, n.mute())
}

// wellFor is well for those outside, who must not take a start for good news: where nobody could be told before it,
// that holds until it is known to be over.
func (n *night) wellFor(ctx context.Context) error {
	n.mu.Lock()
	mute := n.self.Mute()
	n.mu.Unlock()
	if mute {
		return errors.Join(errors.New("nobody could be told when that was last known"), n.well(ctx))
	}
	return n.well(ctx)
}

// mute reports why nobody can be told.
func (n *night) mute() error {
	if d := n.sender.Quiet(); d > sendsLate {
		return fmt.Errorf("messages have not been looked at for %s", d.Round(time.Second))
	}
	failing, now := n.sender.Failing(), n.now()
	for _, name := range n.channels {
		if since, ok := failing[name]; !ok || now.Sub(since) < n.wall(muteAfter) {
			return nil
		}
	}
	if len(n.channels) == 0 {
		return nil // nobody is to be told
	}
	return fmt.Errorf("no channel works: %v", n.channels)
}

// ready reports why readings do not get through to the store now.
func (n *night) ready(ctx context.Context) error {
	return errors.Join(n.well(ctx), n.troubles.get(troubleStore), n.troubles.get(troubleBroker))
}

// openHeartbeat starts to beat, if the farm file asks for it.
func (n *night) openHeartbeat(ctx context.Context, s *stack) error {
	cfg := n.cfg.Heartbeat
	if cfg == nil {
		return nil
	}
	beat, err := heartbeat.New(heartbeat.Options{
		URL: cfg.URL.Reveal(), Every: cfg.Every, Well: n.wellFor, Log: n.component("heartbeat"),
		Trouble: func(err error) { n.troubles.set(troubleHeartbeat, err) },
	})
	if err != nil {
		return err
	}
	s.start(ctx, "heartbeat", beat.Run)
	return nil
}

// NewBeat returns what tells an outside address that a program of many watches is well, until its context is done.
func NewBeat(url string, well func(context.Context) error, log *slog.Logger) (func(context.Context) error, error) {
	beat, err := heartbeat.New(heartbeat.Options{URL: url, Every: config.DefaultHeartbeat, Well: well, Log: log.With("component", "heartbeat")})
	if err != nil {
		return nil, err
	}
	return beat.Run, nil
}
