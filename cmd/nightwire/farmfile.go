package main

import (
	"errors"
	"fmt"
	"io/fs"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/cmd/nightwire/internal/config"
)

// configFlag adds --config to cmd.
func configFlag(cmd *cobra.Command, path *string) {
	cmd.Flags().StringVarP(path, "config", "c", "", "the farm file")
	cmd.MarkFlagRequired("config") // the flag was just added
}

// loadConfig reads a farm file.
func loadConfig(path string) (*config.Config, error) {
	cfg, err := config.Load(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &usageError{err, "give the path of your farm file; deploy/examples has one to start from"}
	}
	return cfg, err
}

func newCheck() *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE",
		Short: "Check a farm file, and print the voltages to expect",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(args[0])
			if err != nil {
				return err
			}
			volts, err := app.ExpectedVolts(&cfg.Farm)
			if err != nil {
				return fmt.Errorf("work out the voltages to expect: %w", err)
			}
			return config.Report(cmd.OutOrStdout(), cfg, volts)
		},
	}
}
