package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/farms"
)

// manyFlags are the flags of run for many farms.
type manyFlags struct {
	dir, page, share, leases, credentials, name, metricsToken, heartbeat string
	perSecond                                                            int
}

// secret reads the file that a flag names, empty when it names none.
func secret(flag, file, hint string) (string, error) {
	if file == "" {
		return "", nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("read the file of %s: %w", flag, err)
	}
	text := strings.TrimSpace(string(b))
	if text == "" {
		return "", &usageError{fmt.Errorf("the file of %s is empty", flag), hint}
	}
	return text, nil
}

// add adds the flags to run.
func (m *manyFlags) add(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&m.dir, "farms", "", "watch all farms whose files are in this folder, instead of --config")
	f.StringVar(&m.page, "page", config.DefaultPageListen, "with --farms: where the pages of farms listen that have no page.listen of their own")
	f.IntVar(&m.perSecond, "farm-rate", 2000, "with --farms: how many messages a second one farm may send; what is above waits")
	f.StringVar(&m.share, "share", "", "with --farms: watch only this part of them, as 3/16")
	f.StringVar(&m.leases, "leases", "", "with --farms: share them out by leases at this NATS server, as nats://host:4222")
	f.StringVar(&m.credentials, "leases-creds", "", "the file with the credentials for that server")
	f.StringVar(&m.metricsToken, "metrics-token-file", "", "with --farms: the file with the token that opens /metrics (default: only this machine may read it)")
	f.StringVar(&m.heartbeat, "heartbeat-url-file", "", "with --farms: the file with an outside address to GET every 5 minutes while all farms are well")
	f.StringVar(&m.name, "name", "", "with --leases: this daemon's own name (default: of the machine and the data folder)")
}

// check returns what is wrong with the flags together.
func (m *manyFlags) check(farmFile string) error {
	switch {
	case m.dir == "" && farmFile == "":
		return &usageError{errors.New("which farm?"), "give --config FILE for one farm, or --farms DIR for a folder of them"}
	case m.dir != "" && farmFile != "":
		return &usageError{errors.New("both --config and --farms are given"), "give one of them"}
	case m.dir == "" && (m.share != "" || m.leases != ""):
		return &usageError{errors.New("--share and --leases share out the farms of a folder"), "give --farms DIR"}
	case m.share != "" && m.leases != "":
		return &usageError{errors.New("both --share and --leases are given"), "give --share for parts that never change, or --leases for daemons that take over from each other"}
	}
	return nil
}

// runFarms watches all farms of a folder.
func runFarms(ctx context.Context, m manyFlags, data string, log *slog.Logger) (err error) {
	again := make(chan os.Signal, 1)
	signal.Notify(again, syscall.SIGHUP)
	defer signal.Stop(again)
	token, err := secret("--metrics-token-file", m.metricsToken, "put a long random word in it")
	if err != nil {
		return err
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	var keeper *farms.Keeper
	shared := &app.Shared{}
	front := farms.NewFront(m.page, farms.Rest(promhttp.HandlerFor(reg, promhttp.HandlerOpts{}), token,
		func(ctx context.Context) farms.Health { return keeper.Health(ctx, false) }), log)
	opts := farms.Options{
		Dir: m.dir, Again: again, Log: log, Registerer: reg,
		Watch: func(ctx context.Context, f farms.Farm) error { return watchFarm(ctx, f, m, data, front, shared, log) },
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	switch {
	case m.share != "":
		share, err := farms.ParseShare(m.share)
		if err != nil {
			return &usageError{err, "see nightwire run --help"}
		}
		opts.Mine = share.Has
	case m.leases != "":
		leases, err := joinLeases(ctx, m, data, log)
		if err != nil {
			return err
		}
		opts.Mine, opts.Shifted = leases.Has, leases.Shifted()
		defer renew(ctx, leases, log)()
	}
	if keeper, err = farms.New(opts); err != nil {
		return err
	}
	if err := m.beat(ctx, &wg, keeper, log); err != nil {
		return err
	}
	wg.Go(func() {
		if err := front.Run(ctx); err != nil {
			log.Error("pages are not served any more", "err", err)
		}
	})
	app.TellManager("READY=1")
	wg.Go(func() { app.FeedManager(ctx, keeper.Alive) })
	defer app.TellManager("STOPPING=1")
	return keeper.Run(ctx)
}

// renew keeps leases until the last farm is let go, and then gives them up.
func renew(ctx context.Context, leases *farms.Leases, log *slog.Logger) (end func()) {
	ctx = context.WithoutCancel(ctx)
	renewing, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { _ = leases.Run(renewing) }) // it only ends when it is told
	return func() {
		stop()
		wg.Wait()
		leave, cancel := context.WithTimeout(ctx, 10*time.Second)
		defer cancel()
		if err := leases.Leave(leave); err != nil {
			log.Warn("leases not given up, others wait until they run out", "err", err)
		}
	}
}

// beat tells an outside address for as long as all farms are well, if one is given.
func (m *manyFlags) beat(ctx context.Context, wg *sync.WaitGroup, keeper *farms.Keeper, log *slog.Logger) error {
	url, err := secret("--heartbeat-url-file", m.heartbeat, "put the address to GET in it")
	if err != nil || url == "" {
		return err
	}
	run, err := app.NewBeat(url, func(ctx context.Context) error { return keeper.Health(ctx, true).Err() }, log)
	if err != nil {
		return err
	}
	wg.Go(func() {
		keeper.Settle(ctx)
		_ = run(ctx) // it only ends when it is told
	})
	return nil
}

func joinLeases(ctx context.Context, m manyFlags, data string, log *slog.Logger) (*farms.Leases, error) {
	name := m.name
	if name == "" {
		host, _ := os.Hostname() // without one the folder must do
		abs, err := filepath.Abs(data)
		if err != nil {
			return nil, err
		}
		name = cmp.Or(host, "daemon") + strings.NewReplacer(string(filepath.Separator), "-", " ", "-", ".", "-").Replace(abs)
	}
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	return farms.Join(ctx, farms.LeaseOptions{Server: m.leases, Credentials: m.credentials, Name: strings.ReplaceAll(name, ".", "-"), Log: log})
}

// watchFarm watches one of many farms.
func watchFarm(ctx context.Context, f farms.Farm, m manyFlags, data string, front *farms.Front, shared *app.Shared, log *slog.Logger) error {
	path := f.Config.Path
	watch, err := app.New(app.Options{
		Config: f.Config, DataDir: filepath.Join(data, f.Config.Farm.Name), Log: log.With("farm", f.Config.Farm.Name), Again: f.Again,
		Load: func() (*config.Config, error) {
			cfg, err := config.Load(path)
			if err == nil && cfg.Farm.Name != f.Config.Farm.Name {
				err = fmt.Errorf("%s is another farm's file now", path)
			}
			return cfg, err
		},
		Judged: func(well, outside func(context.Context) error) {
			f.Judged(farms.Judgement{Well: well, Outside: outside})
		},
		Among: true, Front: front, Shared: shared, MessagesPerSecond: m.perSecond,
	})
	if err != nil {
		return err
	}
	return watch.Run(ctx)
}
