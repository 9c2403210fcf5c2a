package farms

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/cmd/nightwire/internal/config"
)

// runner keeps one farm's watch going.
type runner struct {
	path   string
	again  chan os.Signal
	cancel context.CancelFunc
	ended  chan struct{}
	health health
	left   bool // it has been told to end
}

// leave tells the watch to end, and reports whether that is news to it.
func (r *runner) leave() bool {
	news := !r.left
	r.left = true
	r.cancel()
	return news
}

// tell has the watch read its file again.
func (r *runner) tell(path string) {
	if path != r.path {
		return
	}
	select {
	case r.again <- syscall.SIGHUP:
	default: // it was told and has not come to it
	}
}

// start begins to watch a farm.
func (k *Keeper) start(ctx context.Context, cfg *config.Config) *runner {
	ctx, cancel := context.WithCancel(ctx)
	r := &runner{path: cfg.Path, again: make(chan os.Signal, 1), cancel: cancel, ended: make(chan struct{})}
	log := k.opts.Log.With("farm", cfg.Farm.Name)
	log.Info("farm is watched here", "file", cfg.Path)
	go func() {
		defer close(r.ended)
		wait := retryMin
		for {
			began := time.Now()
			err := k.watch(ctx, r, cfg, log)
			if ctx.Err() != nil {
				if err != nil && !errors.Is(err, context.Canceled) {
					log.Warn("farm's watch did not end well", "err", err)
				}
				return
			}
			k.met.restarts.Inc()
			r.health.fail(fmt.Errorf("its watch ended, and is started again: %w", err))
			if time.Since(began) > retryMax {
				wait = retryMin
			}
			log.Error("farm's watch ended, starting it again", "err", err, "in", wait)
			select {
			case <-ctx.Done():
				return
			case <-time.After(wait):
			}
			wait = min(2*wait, retryMax)
			if next, err := config.Load(r.path); err == nil && next.Farm.Name == cfg.Farm.Name && next.ReadSecrets() == nil {
				cfg = next // it may have been mended
			}
		}
	}()
	return r
}

// watch watches once, and says why that ended. A panic is the farm's own affair.
func (k *Keeper) watch(ctx context.Context, r *runner, cfg *config.Config, log *slog.Logger) (err error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	r.health.begin(cancel)
	defer func() {
		if p := recover(); p != nil {
			log.Error("farm's watch panicked", "panic", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("panicked: %v", p)
		}
	}()
	if err := k.opts.Watch(ctx, Farm{Config: cfg, Again: r.again, Judged: r.health.started}); err != nil {
		return err
	}
	if ctx.Err() == nil {
		return errors.New("ended by itself")
	}
	return context.Cause(ctx)
}

// metrics count farms.
type metrics struct {
	watched, broken prometheus.Gauge
	restarts        prometheus.Counter
}

func newMetrics(reg prometheus.Registerer) metrics {
	m := metrics{
		watched: prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "nightwire", Name: "farms_watched",
			Help: "Farms that this daemon watches."}),
		broken: prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "nightwire", Name: "farm_files_broken",
			Help: "Farm files that are of no use as they are."}),
		restarts: prometheus.NewCounter(prometheus.CounterOpts{Namespace: "nightwire", Name: "farm_restarts_total",
			Help: "Watches of farms that ended by themselves and were started again."}),
	}
	if reg != nil {
		reg.MustRegister(m.watched, m.broken, m.restarts)
	}
	return m
}
