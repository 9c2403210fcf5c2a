package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
)

func newBackup() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy all that is kept into one file, also while the watch runs",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := app.Backup(cmd.Context(), data, args[0]); err != nil {
				return err
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "Readings, alarms and messages are in %s.\n", args[0])
			return err
		},
	}
	dataFlag(cmd, &data)
	return cmd
}

func newRestore() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "restore FILE",
		Short: "Put a backup back; what was there is kept beside it",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := app.Restore(cmd.Context(), args[0], data); err != nil {
				return err
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s is back in %s.\n", args[0], data)
			return err
		},
	}
	dataFlag(cmd, &data)
	return cmd
}
