package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
)

func newImport() *cobra.Command {
	var farmFile, data, table, capture string
	cmd := &cobra.Command{
		Use:   "import --config FILE --csv FILE",
		Short: "Take in old readings, from a table or a capture",
		Long: `Import takes in old readings: a table as nightwire export writes it (--csv), or messages as mosquitto_sub -F %J writes
them (--json). What is there already stays, and nobody is told of what the readings show. Stop the night watch first.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			if (table == "") == (capture == "") {
				return &usageError{errors.New("one file of readings is wanted"), "give --csv FILE or --json FILE"}
			}
			return importFile(cmd, app.ImportOptions{Config: cfg, DataDir: data}, table, capture)
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	cmd.Flags().StringVar(&table, "csv", "", "a table of readings; - for standard input")
	cmd.Flags().StringVar(&capture, "json", "", "a capture of messages; - for standard input")
	return cmd
}

func importFile(cmd *cobra.Command, opts app.ImportOptions, table, capture string) error {
	in, err := openInput(cmd, table+capture)
	if err != nil {
		return err
	}
	defer in.Close()
	r, done := watched(cmd, "reading", in)
	if table != "" {
		opts.Table = r
	} else {
		opts.Capture = r
	}
	packing := meter(cmd, "packing", "readings")
	opts.Packing = func(n, total int64) {
		done()
		packing.Set(n, total)
	}
	counts, err := app.Import(cmd.Context(), opts)
	done()
	packing.End()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), counts)
	return err
}
