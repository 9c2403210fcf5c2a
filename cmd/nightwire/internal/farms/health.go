package farms

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"
)

// Judgement is what a farm's watch says of itself: why it is not well, nil while it is. Outside is for those who must
// not take a start for good news.
type Judgement struct {
	Well, Outside func(context.Context) error
}

// Health is how all farms are that a daemon is to watch.
type Health struct {
	Farms  int              // watched here, broken files among them
	Unwell map[string]error // by the farm's name, or by the file where that is not known
	Stuck  error            // why the daemon itself does not do its work
}

const (
	// startLate is how long a farm may take to start: one that was off for weeks reads its past first.
	startLate = 10 * time.Minute
	// patience is how long a farm may be unwell before its watch is ended and started again, which may mend what is
	// stuck in it. A service manager does as much for a daemon of one farm.
	patience = 2 * time.Minute
	// endLate is how long a watch may take to end.
	endLate = 30 * time.Second
	// roundLate is how long the keeper may take for one look at the folder and what follows from it.
	roundLate = 2 * time.Minute
	// named is how many farms one line names.
	named = 5
)

// Err says in a line what is wrong, nil for nothing.
func (h Health) Err() error {
	var lines []string
	for _, name := range slices.Sorted(maps.Keys(h.Unwell)) {
		lines = append(lines, name+": "+strings.ReplaceAll(h.Unwell[name].Error(), "\n", ", "))
	}
	if n := len(lines); n > named {
		lines = append(lines[:named], fmt.Sprintf("and %d more", n-named))
	}
	if len(lines) == 0 {
		return h.Stuck
	}
	return errors.Join(h.Stuck, fmt.Errorf("%d of %d farms are not well: %s", len(h.Unwell), h.Farms, strings.Join(lines, "; ")))
}

// Health judges every farm, by the watch's own judgement. Outside asks for what is said to those outside.
func (k *Keeper) Health(ctx context.Context, outside bool) Health {
	k.mu.Lock()
	running, unread, round := maps.Clone(k.running), k.unread, k.round
	k.mu.Unlock()
	h := Health{Farms: len(running) + len(unread), Unwell: map[string]error{}}
	for name, r := range running {
		if err := r.health.err(ctx, outside); err != nil {
			h.Unwell[name] = err
		}
	}
	for _, file := range unread {
		h.Unwell[file] = errors.New("the file is broken, its farm is not watched")
	}
	switch d := time.Since(round); {
	case round.IsZero() && outside:
		h.Stuck = errors.New("the folder of farm files is still to be looked at")
	case !round.IsZero() && d > k.opts.Every+roundLate:
		h.Stuck = fmt.Errorf("the folder of farm files has not been looked at for %s", d.Round(time.Second))
	}
	return h
}

// Alive reports why the whole daemon is to be started again: it does not do its work, or not one farm is well. One farm
// that is unwell is no reason, since all others would be blind meanwhile; its watch alone is started again.
func (k *Keeper) Alive(ctx context.Context) error {
	h := k.Health(ctx, false)
	k.mu.Lock()
	watched, unread := len(k.running), len(k.unread)
	k.mu.Unlock()
	if unwell := len(h.Unwell) - unread; watched == 0 || unwell < watched {
		return h.Stuck // nor is a broken file, which no start mends
	}
	return h.Err()
}

// Settle waits until all farms are well, for as long as a start may take.
func (k *Keeper) Settle(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for began := time.Now(); k.Health(ctx, true).Err() != nil && time.Since(began) < startLate; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// tend starts again the watches that have been unwell for long.
func (k *Keeper) tend(ctx context.Context) {
	for name, r := range k.running {
		if err := r.health.lasting(ctx); err != nil {
			k.opts.Log.Error("farm is not well, its watch is started again", "farm", name, "err", err)
			r.health.end(err)
		}
	}
}

// health is how one farm's watch is. It is asked and told from several goroutines.
type health struct {
	mu     sync.Mutex
	began  time.Time // of the watch
	judged *Judgement
	failed error                   // what became of it, until it has started again
	unwell time.Time               // since when; zero while it is well
	cancel context.CancelCauseFunc // ends the watch
}

// begin notes that a watch begins.
func (h *health) begin(cancel context.CancelCauseFunc) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.began, h.judged, h.unwell, h.cancel = time.Now(), nil, time.Time{}, cancel
}

// started takes in the watch's judgement, once it can judge.
func (h *health) started(j Judgement) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.judged, h.failed = &j, nil
}

// fail notes that there is no watch now, and why.
func (h *health) fail(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.judged, h.failed = nil, err
}

// err reports why the farm is not well.
func (h *health) err(ctx context.Context, outside bool) error {
	h.mu.Lock()
	began, judged, failed := h.began, h.judged, h.failed
	h.mu.Unlock()
	switch d := time.Since(began); {
	case failed != nil:
		return failed
	case judged == nil && !began.IsZero() && d > startLate:
		return fmt.Errorf("it has not started for %s", d.Round(time.Second))
	case judged == nil && outside:
		return errors.New("it is starting")
	case judged == nil:
		return nil
	case outside:
		return judged.Outside(ctx)
	}
	return judged.Well(ctx)
}

// lasting reports why the farm has been unwell for longer than is waited for, and begins to wait anew.
func (h *health) lasting(ctx context.Context) error {
	err := h.err(ctx, false)
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case err == nil || h.judged == nil && h.failed != nil: // one that has ended is started again anyway
		h.unwell = time.Time{}
	case h.unwell.IsZero():
		h.unwell = time.Now()
	case time.Since(h.unwell) >= patience:
		h.unwell = time.Time{}
		return err
	}
	return nil
}

// end ends the watch, for it to be started again.
func (h *health) end(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.cancel != nil {
		h.cancel(err)
	}
}
