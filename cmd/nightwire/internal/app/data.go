package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/alerts/journal"
	"nightwire/alerts/notify"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/store"
)

// openData opens the store and the journal. When a folder that was in use can no longer be written, as memory cards
// end, the watch goes on from memory rather than not at all; a folder that never was is a mistake to mend first.
func (n *night) openData(ctx context.Context, s *stack) error {
	dir := n.opts.DataDir
	path := filepath.Join(dir, storeFile)
	err := makeDataDir(dir)
	if err == nil {
		n.store, err = store.Open(ctx, store.Options{Path: path, Log: n.component("store")})
	}
	switch {
	case err == nil:
		s.push(n.store.Close)
	case used(dir) && !errors.Is(err, store.ErrLocked) && !errors.Is(err, store.ErrCorrupt) && !errors.Is(err, store.ErrNewer):
		n.log.Error("nothing can be stored, watching from memory", "err", err)
		n.dataErr, path = err, ""
		n.troubles.set(troubleStore, err)
	default:
		return err
	}
	if n.journal, err = journal.Open(ctx, journal.Options{Path: path}); err != nil {
		return err
	}
	s.push(n.journal.Close)
	return nil
}

// openKey opens the key for links. One that cannot be kept is made anew in memory's stead.
func (n *night) openKey(s *stack) error {
	path := filepath.Join(n.opts.DataDir, linkKeyFile)
	var err error
	if n.signer, err = notify.OpenSigner(path, n.now); err == nil || n.store != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "nightwire-*")
	if err != nil {
		return fmt.Errorf("keep a key for links: %w", err)
	}
	s.push(func() error { return os.RemoveAll(dir) })
	n.signer, err = notify.OpenSigner(filepath.Join(dir, linkKeyFile), n.now)
	return err
}

const (
	flushEvery = 5 * time.Second
	packEvery  = time.Hour
	firstCount = 10 * time.Second // after the start
	countEvery = time.Hour
	packAfter  = 20_000 // fresh readings; reading a zone's day goes through all of them
)

// upkeep keeps the data file in order until ctx is done.
func (n *night) upkeep(ctx context.Context) error {
	tick := time.NewTicker(flushEvery)
	defer tick.Stop()
	packed, counted := time.Now(), time.Now().Add(firstCount-countEvery)
	for {
		select {
		case <-ctx.Done():
			n.keepCounters()
			return nil
		case <-tick.C:
		}
		if time.Since(counted) >= countEvery {
			n.keepCounters()
			counted = time.Now()
		}
		n.flush(ctx)
		if n.store == nil {
			continue
		}
		n.acknowledged()
		stats, err := n.store.Stats(ctx)
		if err != nil {
			n.log.Warn("store's figures not read", "err", err)
			continue
		}
		n.met.storeBytes.Set(float64(stats.Bytes))
		if stats.Fresh < packAfter && (time.Since(packed) < packEvery || stats.Fresh == 0) {
			continue
		}
		packed = time.Now()
		if err := n.tidy(ctx); err != nil && ctx.Err() == nil {
			n.log.Warn("store not tidied", "err", err)
		}
	}
}

// keepCounters leaves the figures in the data folder, for a support archive. Once an hour spares the card.
func (n *night) keepCounters() {
	if n.store == nil {
		return
	}
	if err := prometheus.WriteToTextfile(filepath.Join(n.opts.DataDir, countersFile), n.reg); err != nil {
		n.log.Debug("figures not kept", "err", err) // a full disk says so by itself
	}
}

// flush tries to write what the journal keeps in memory.
func (n *night) flush(ctx context.Context) {
	if n.journal.Backlog() == 0 {
		n.troubles.set(troubleJournal, nil)
		return
	}
	if err := n.journal.Flush(ctx); err == nil {
		n.log.Info("journal can be written again")
		n.troubles.set(troubleJournal, nil)
	}
}

// tidy packs the store, and once a day lets go of what is older than the farm file keeps.
func (n *night) tidy(ctx context.Context) error {
	if err := n.store.Pack(ctx, nil); err != nil {
		return err
	}
	now := n.now()
	today := now.UTC().Truncate(24 * time.Hour)
	if n.cfg.Store.Keep <= 0 || today.Equal(n.retained) {
		return nil
	}
	if err := n.store.Retain(ctx, retention(n.cfg.Store, now)); err != nil {
		return err
	}
	n.retained = today
	return nil
}

// retention says what is to go now. What is kept for good has a zero time.
func retention(keep config.Store, now time.Time) (r store.Retention) {
	for _, l := range []struct {
		to  *time.Time
		how time.Duration
	}{{&r.Readings, keep.Keep}, {&r.Minutes, keep.KeepMinutes}, {&r.Hours, keep.KeepHours}} {
		if l.how > 0 {
			*l.to = now.Add(-l.how)
		}
	}
	return r
}
