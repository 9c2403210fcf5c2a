package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"log/slog"
	"strings"
	"time"

	"nightwire/cmd/nightwire/internal/progress"
	"nightwire/ingest/influx"
	"nightwire/ingest/store"
)

// mirrorPrefix begins the names of followers that copy to a mirror. What follows tells one target from another, so that
// a new one is given all from the beginning.
const mirrorPrefix = "mirror "

// openMirror makes ready to read from the mirror, where there is to be one, and lets go of former ones.
func (n *night) openMirror(ctx context.Context, s *stack) error {
	cfg, name := n.cfg.Mirror.Influx, ""
	if cfg != nil {
		sum := sha256.Sum256([]byte(strings.Join([]string{cfg.URL, cfg.Org, cfg.Bucket, cfg.Measurement}, "\n")))
		name = mirrorPrefix + hex.EncodeToString(sum[:8])
		client, err := influx.New(influx.Config{
			URL: cfg.URL, QueryURL: cfg.QueryURL, Query: influx.Language(cfg.Query), Org: cfg.Org, Bucket: cfg.Bucket,
			Token: cfg.Token.Reveal(), Measurement: cfg.Measurement,
		})
		if err != nil {
			return err
		}
		s.push(func() error { client.Close(); return nil })
		n.archive.mirror = client
	}
	n.archive.store, n.archive.log = n.store, n.component("mirror")
	if n.store == nil {
		return nil
	}
	followers, err := n.store.Followers(ctx)
	if err != nil {
		return err
	}
	for _, f := range followers {
		if strings.HasPrefix(f, mirrorPrefix) && f != name {
			err = errors.Join(err, n.store.Unfollow(ctx, f))
		}
	}
	if err != nil || name == "" {
		return err
	}
	n.tail, err = n.store.Tail(ctx, name)
	return err
}

// startMirror begins to copy.
func (n *night) startMirror(ctx context.Context, s *stack) error {
	if n.tail == nil {
		return nil
	}
	m, err := influx.NewMirror(influx.MirrorOptions{
		Client: n.archive.mirror, Backlog: newTold(n.tail, n.component("mirror")), Wake: n.grown, Metrics: influx.NewMetrics(n.reg), Log: n.component("mirror"),
		Now: n.opts.Now, Stalled: func(err error) { n.troubles.set(troubleMirror, err) },
	})
	if err != nil {
		return err
	}
	s.start(ctx, "mirror", func(ctx context.Context) error {
		err := m.Run(ctx)
		return errors.Join(err, n.tail.Save(context.WithoutCancel(ctx)))
	})
	return nil
}

// told is a tail that tells how far the past is copied.
type told struct {
	*store.Tail
	log   *slog.Logger
	meter *progress.Meter
	ended bool
}

func newTold(t *store.Tail, log *slog.Logger) *told {
	_, all := t.Past()
	return &told{Tail: t, log: log, ended: all == 0, meter: progress.New(progress.Options{What: "copying the past", Unit: "hours",
		Line: func(text string) { log.Info("mirror takes the past", "progress", text) }})}
}

// Taken notes that the server has what Next gave last.
func (t *told) Taken(ctx context.Context) error {
	err := t.Tail.Taken(ctx)
	if t.ended {
		return err
	}
	taken, all := t.Past()
	t.meter.Set(int64(taken/time.Hour), int64(all/time.Hour))
	if t.ended = taken >= all; t.ended {
		t.log.Info("mirror has all of the past")
	}
	return err
}
