package main

import (
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
)

func newReplay() *cobra.Command {
	var farmFile, capture, journal string
	cmd := &cobra.Command{
		Use:   "replay --config FILE --json CAPTURE",
		Short: "Print the alarms that a capture of messages would have given",
		Long: `Replay reads messages as mosquitto_sub -F %J writes them, one JSON object a line, and prints the events of
their alarms, one JSON object a line. It uses the capture's clock and sends nothing.`,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			in, err := openInput(cmd, capture)
			if err != nil {
				return err
			}
			defer in.Close()
			capture, done := watched(cmd, "replaying", in)
			defer done()
			opts := app.ReplayOptions{Config: cfg, Capture: capture, Out: cmd.OutOrStdout()}
			if journal != "" {
				j, err := openInput(cmd, journal)
				if err != nil {
					return err
				}
				defer j.Close()
				opts.Journal = j
			}
			counts, err := app.Replay(cmd.Context(), opts)
			done()
			if err != nil {
				return err
			}
			_, err = fmt.Fprintln(cmd.ErrOrStderr(), counts)
			return err
		},
	}
	configFlag(cmd, &farmFile)
	cmd.Flags().StringVar(&capture, "json", "", "the capture; - for standard input")
	cmd.Flags().StringVar(&journal, "journal", "", "what people did, to be played along: one JSON action a line")
	cmd.MarkFlagRequired("json") // the flag was just added
	return cmd
}

// openInput opens a file to read, or standard input for "-".
func openInput(cmd *cobra.Command, path string) (io.ReadCloser, error) {
	if path == "-" {
		return io.NopCloser(cmd.InOrStdin()), nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, &usageError{err, "give the path of a file that can be read"}
	}
	return f, nil
}
