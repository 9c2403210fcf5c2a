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
	dir, page, share, leases, credentials, name, metricsToken string
	perSecond                                                 int
}

// token reads the token that opens the figures, empty when none is asked for.
func (m *manyFlags) token() (string, error) {
	if m.metricsToken == "" {
		return "", nil
	}
	b, err := os.ReadFile(m.metricsToken)
	if err != nil {
		return "", fmt.Errorf("read the token for the figures: %w", err)
	}
	token := strings.TrimSpace(string(b))
	if token == "" {
		return "", &usageError{errors.New("the file of --metrics-token-file is empty"), "put a long random word in it"}
	}
	return token, nil
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
	token, err := m.token()
	if err != nil {
		return err
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	front := farms.NewFront(m.page, farms.Rest(promhttp.HandlerFor(reg, promhttp.HandlerOpts{}), token), log)
	opts := farms.Options{
		Dir: m.dir, Again: again, Log: log, Registerer: reg,
		Watch: func(ctx context.Context, f farms.Farm) error { return watchFarm(ctx, f, m, data, front, log) },
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
		// Leases are renewed until the last farm is let go, and then given up.
		renew, end := context.WithCancel(context.WithoutCancel(ctx))
		wg.Go(func() { _ = leases.Run(renew) }) // it only ends when it is told
		defer func() {
			end()
			leave, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer cancel()
			if lerr := leases.Leave(leave); lerr != nil {
				log.Warn("leases not given up, others wait until they run out", "err", lerr)
			}
		}()
	}
	keeper, err := farms.New(opts)
	if err != nil {
		return err
	}
	wg.Go(func() {
		if err := front.Run(ctx); err != nil {
			log.Error("pages are not served any more", "err", err)
		}
	})
	app.TellManager("READY=1")
	wg.Go(func() { app.FeedManager(ctx) })
	defer app.TellManager("STOPPING=1")
	return keeper.Run(ctx)
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
func watchFarm(ctx context.Context, f farms.Farm, m manyFlags, data string, front *farms.Front, log *slog.Logger) error {
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
		Among: true, Front: front, MessagesPerSecond: m.perSecond,
	})
	if err != nil {
		return err
	}
	return watch.Run(ctx)
}
