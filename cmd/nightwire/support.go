package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
)

func newSupport() *cobra.Command {
	var farmFile, data, out string
	cmd := &cobra.Command{
		Use:   "support --config FILE --out FILE",
		Short: "Pack what somebody who helps needs to see",
		Long: `Support packs versions, the farm file without people and secrets, counters, the last day's log, and facts about
the data file into one gzipped tar. No readings, people or passwords are in it; look before you hand it on.
It works beside a watch that runs, and without one. It never writes over a file.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if out == "" {
				return &usageError{errors.New("there is no file to write"), "give one with --out, as nightwire-support.tar.gz"}
			}
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			text, err := os.ReadFile(farmFile)
			if err != nil {
				return err
			}
			// Secrets are read only to see that none is packed. Whoever may not read them can pack all the same.
			_ = cfg.ReadSecrets()
			var packed bytes.Buffer
			err = app.Support(cmd.Context(), &packed, app.SupportOptions{Config: cfg, Text: text, DataDir: data, Version: version(), Now: time.Now()})
			if err != nil {
				return err
			}
			if err := writeNew(out, packed.Bytes()); err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s is ready. Look into it before you hand it on: tar xzf %s\n", out, out)
			return err
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	cmd.Flags().StringVarP(&out, "out", "o", "", "the file to write")
	return cmd
}

// writeNew writes a file that only its owner can read, and refuses to write over one.
func writeNew(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s is there already\nhint: choose another name with --out, or move it away", path)
	}
	if err != nil {
		return fmt.Errorf("%w\nhint: choose a folder that can be written", err)
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}
