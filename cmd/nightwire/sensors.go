package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
)

func newSensors() *cobra.Command {
	var farmFile, filter string
	var wait time.Duration
	cmd := &cobra.Command{
		Use:   "sensors --config FILE",
		Short: "List what speaks at the broker and is not in the farm file",
		Long: `Sensors listens at the broker for a while. It lists the topics that the farm file does not know, with the last
payload and, where that can be read, a line to paste into the farm file; then the sensors of the farm file that were
not heard. Look at the line before you trust it: a name may promise what the value is not. Ctrl-C ends it early.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			if wait <= 0 {
				return &usageError{errors.New("--for is not more than 0"), "give how long to listen, as 2m"}
			}
			if err := cfg.ReadBrokerSecret(); err != nil {
				return err
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "listening to %s for %s\n", filter, wait)
			return app.ListenForStrangers(cmd.Context(), app.ListenOptions{
				Config: cfg, Filter: filter, For: wait, Out: cmd.OutOrStdout(), Log: newQuietLog(cmd.ErrOrStderr(), false), Now: time.Now,
			})
		},
	}
	configFlag(cmd, &farmFile)
	cmd.Flags().StringVar(&filter, "topic", "#", "listen to these topics, as barn/#")
	cmd.Flags().DurationVar(&wait, "for", 2*time.Minute, "how long to listen")
	return cmd
}
