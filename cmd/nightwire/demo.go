package main

import (
	"errors"
	"net"
	"os"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"nightwire/cmd/nightwire/internal/app"
)

// demoSpeed shows a day in twelve seconds.
const demoSpeed = 7200

func newDemo() *cobra.Command {
	var opts app.DemoOptions
	var season string
	var debug bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Watch a simulated season pass in minutes",
		Long: `Demo lets simulated sensors publish to the built-in broker over MQTT, and the night watch do the rest: it stores
what they say, finds what is wrong, and serves the page. A wire breaks, a sensor dies, and growth wins.
It ends with Ctrl-C, and leaves nothing behind unless --data is given.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if opts.Speed < 1 || opts.Speed > 100_000 {
				return &usageError{errors.New("--speed is not between 1 and 100000"), "7200 shows a day in twelve seconds"}
			}
			var err error
			if opts.Scenario, err = openScenario(season); err != nil {
				return err
			}
			opts.Out = cmd.OutOrStdout()
			if f, ok := opts.Out.(*os.File); ok {
				opts.Terminal = term.IsTerminal(int(f.Fd()))
			}
			if !cmd.Flags().Changed("listen") {
				opts.Listen = freeIfTaken(opts.Listen)
			}
			opts.Log = newQuietLog(cmd.ErrOrStderr(), debug)
			return app.Demo(cmd.Context(), opts)
		},
	}
	f := cmd.Flags()
	f.Float64Var(&opts.Speed, "speed", demoSpeed, "how many times as fast as in truth")
	f.StringVar(&opts.DataDir, "data", "", "keep the data in this folder")
	f.StringVar(&opts.Listen, "listen", "127.0.0.1:8480", "where the page listens")
	f.StringVar(&season, "season", "demo", "which season; nightwire sim --help lists them")
	f.BoolVar(&opts.Once, "once", false, "end with the season, instead of leaving the page up")
	f.BoolVar(&debug, "debug", false, "show the log")
	return cmd
}

// freeIfTaken returns addr, or the same with any free port when a program listens there already.
func freeIfTaken(addr string) string {
	ln, err := net.Listen("tcp", addr)
	if err == nil {
		ln.Close()
		return addr
	}
	host, _, _ := net.SplitHostPort(addr)
	return net.JoinHostPort(host, "0")
}
