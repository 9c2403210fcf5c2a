package main

import (
	"cmp"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/daylog"
)

func newRun() *cobra.Command {
	var farmFile, data string
	var debug bool
	var many manyFlags
	cmd := &cobra.Command{
		Use:   "run --config FILE",
		Short: "Watch the fence",
		Long: `Run watches the fence until it is told to stop (SIGINT or SIGTERM): it takes in what sensors report, stores it,
tells people of alarms, and serves a page. SIGHUP makes it read the farm file again; a broken one changes nothing.

With --farms DIR it watches every farm whose file is in that folder, each with its own data in a folder of its name under
--data. A file that comes, changes or goes is followed within seconds, or at once on SIGHUP.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := many.check(farmFile); err != nil {
				return err
			}
			if many.dir != "" {
				return runFarms(cmd.Context(), many, data, newLog(cmd.ErrOrStderr(), debug))
			}
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			if err := cfg.ReadSecrets(); err != nil {
				return err
			}
			day := daylog.Open(data, time.Now)
			defer day.Close()
			again := make(chan os.Signal, 1)
			signal.Notify(again, syscall.SIGHUP)
			defer signal.Stop(again)
			watch, err := app.New(app.Options{
				Config: cfg, DataDir: data, Log: newLog(io.MultiWriter(day, cmd.ErrOrStderr()), debug), Again: again, Now: clockOf(cmd.Context()),
				Load: func() (*config.Config, error) { return config.Load(farmFile) },
			})
			if err != nil {
				return err
			}
			return watch.Run(cmd.Context())
		},
	}
	cmd.Flags().StringVarP(&farmFile, "config", "c", "", "the farm file")
	many.add(cmd)
	dataFlag(cmd, &data)
	cmd.Flags().BoolVar(&debug, "debug", false, "log each message")
	return cmd
}

// dataFlag adds --data to cmd.
func dataFlag(cmd *cobra.Command, data *string) {
	cmd.Flags().StringVarP(data, "data", "d", defaultData(), "the folder for what is kept")
}

// defaultData returns the folder that the service manager gives us, or one beside us.
func defaultData() string {
	dir, _, _ := strings.Cut(os.Getenv("STATE_DIRECTORY"), ":")
	return cmp.Or(dir, "nightwire-data")
}

// newLog returns a log for people and journals: an error and its hint stand on one line.
func newLog(w io.Writer, debug bool) *slog.Logger {
	if debug {
		return logFrom(w, slog.LevelDebug)
	}
	return logFrom(w, slog.LevelInfo)
}

// newQuietLog returns a log of warnings only, for what has words of its own.
func newQuietLog(w io.Writer, debug bool) *slog.Logger {
	if debug {
		return logFrom(w, slog.LevelDebug)
	}
	return logFrom(w, slog.LevelWarn)
}

func logFrom(w io.Writer, level slog.Level) *slog.Logger {
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level, ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if err, ok := a.Value.Any().(error); ok {
			return slog.String(a.Key, strings.ReplaceAll(fmt.Sprint(err), "\nhint: ", "; hint: "))
		}
		return a
	}}))
}
