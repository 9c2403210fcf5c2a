package main

import (
	"errors"
	"fmt"
	"io"
	"net/url"
	"time"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/farm"
)

func newStatus() *cobra.Command {
	var farmFile, data string
	cmd := &cobra.Command{
		Use:   "status --config FILE",
		Short: "Print the farm as it is",
		Long:  "Status prints the zones, when each was last heard, the open alarms, and whether the night watch runs.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			return app.Status(cmd.Context(), cmd.OutOrStdout(), cfg, data, clockOf(cmd.Context())())
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	return cmd
}

func newExport() *cobra.Command {
	var farmFile, data, zone, energizer, from, to, out string
	var actions, alarms bool
	cmd := &cobra.Command{
		Use:   "export --config FILE --zone ZONE",
		Short: "Write readings as CSV",
		Long: `Export writes the readings of a zone, an energizer or, with neither, of all sensors as CSV (RFC 4180). The last column
says what a line stands for: where store.keep has let single readings go, the lowest, mean and highest of a minute or an
hour are in their place.
With --actions it writes what people did instead, one JSON object a line, for replay --journal. With --alarms it writes
the alarms, each with its events and the messages about it, and what became of them.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			switch {
			case actions && alarms:
				return &usageError{errors.New("both --actions and --alarms are given"), "give one of them"}
			case alarms:
				return writeFile(cmd, out, func(w io.Writer) error { return app.ExportAlarms(cmd.Context(), data, w) })
			case actions:
				return writeFile(cmd, out, func(w io.Writer) error { return app.ExportActions(cmd.Context(), data, w) })
			}
			opts := app.ExportOptions{Config: cfg, DataDir: data}
			layouts, err := app.Layouts(cmd.Context(), data)
			if err != nil {
				return err
			}
			if opts.Source, err = exportSource(&cfg.Farm, layouts.Gone(), zone, energizer); err != nil {
				return err
			}
			if opts.From, err = readTime(from, cfg.Farm.Location); err != nil {
				return err
			}
			if opts.To, err = readTime(to, cfg.Farm.Location); err != nil {
				return err
			}
			return writeFile(cmd, out, func(w io.Writer) error {
				opts.Out = w
				return exportReadings(cmd, opts)
			})
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	f := cmd.Flags()
	f.StringVar(&zone, "zone", "", "the readings of this zone")
	f.StringVar(&energizer, "energizer", "", "the readings of this energizer")
	f.StringVar(&from, "from", "", "from this time on: 2026-04-20, or 2026-04-20T06:30 in the farm's time, or RFC 3339")
	f.StringVar(&to, "to", "", "until before this time")
	f.StringVarP(&out, "out", "o", "-", "the file to write")
	f.BoolVar(&actions, "actions", false, "what people did, as JSON lines")
	f.BoolVar(&alarms, "alarms", false, "the alarms and what was told of them, as JSON lines")
	return cmd
}

func exportReadings(cmd *cobra.Command, opts app.ExportOptions) error {
	m := meter(cmd, "exporting", "rows")
	opts.Report = m.Set
	wrote, err := app.Export(cmd.Context(), opts)
	m.End()
	if err == nil {
		fmt.Fprintln(cmd.ErrOrStderr(), wrote)
	}
	return err
}

// exportSource returns what --zone or --energizer name, also one that is gone; empty when neither does.
func exportSource(f *farm.Farm, gone farm.Layout, zone, energizer string) (farm.Source, error) {
	was := f.Laid(gone)
	switch {
	case zone != "" && energizer != "":
		return "", &usageError{errors.New("both --zone and --energizer are given"), "give one of them, or none for all sensors"}
	case zone != "" && f.Zone(zone) == nil && was.Zone(zone) == nil:
		return "", &usageError{fmt.Errorf("the farm file has no zone called %q", zone), "nightwire check FILE lists the zones"}
	case energizer != "" && f.Energizer(energizer) == nil && was.Energizer(energizer) == nil:
		return "", &usageError{fmt.Errorf("the farm file has no energizer called %q", energizer), "nightwire check FILE lists the energizers"}
	case zone != "":
		return farm.ZoneSource(zone), nil
	case energizer != "":
		return farm.EnergizerSource(energizer), nil
	}
	return "", nil
}

// readTime reads a time as people write it; empty is the zero time.
func readTime(s string, loc *time.Location) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02T15:04", "2006-01-02 15:04", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, s, loc); err == nil {
			return t, nil
		}
	}
	return time.Time{}, &usageError{fmt.Errorf("%q is not a time", s), "write it as 2026-04-20 or 2026-04-20T06:30"}
}

func newSendTest() *cobra.Command {
	var farmFile, person, data string
	var answer bool
	cmd := &cobra.Command{
		Use:   "send-test --config FILE",
		Short: "Send a test message by the real routes",
		Long: `Send-test sends a test message to everybody by the routes of the farm file, and says which were taken. With --answer the
night watch that runs sends it, and somebody is to press the button in it: that somebody did is kept, and a turnout check
asks for it.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			switch {
			case answer && person != "":
				return &usageError{errors.New("both --answer and --person are given"), "a test to be answered goes to everybody"}
			case answer:
				return app.TestNow(cmd.Context(), data, cmd.OutOrStdout())
			}
			if err := cfg.ReadSecrets(); err != nil {
				return err
			}
			return sendTest(cmd, cfg, person)
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	cmd.Flags().StringVar(&person, "person", "", "to this person only")
	cmd.Flags().BoolVar(&answer, "answer", false, "by the night watch that runs, to be answered")
	return cmd
}

func sendTest(cmd *cobra.Command, cfg *config.Config, person string) error {
	tried, err := app.SendTest(cmd.Context(), cfg, person, clockOf(cmd.Context())())
	if err != nil {
		return err
	}
	failed := 0
	for _, t := range tried {
		how := fmt.Sprintf("taken in %s", t.Took.Round(time.Millisecond))
		if t.Err != nil {
			failed++
			how = "not taken: " + t.Err.Error()
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s by %s%s: %s\n", t.Message.Person, t.Message.Route.Channel, whereTo(t.Message.Route), how)
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d test messages were not taken\nhint: mend what stands behind each and try again; an alarm would not arrive either", failed, len(tried))
	}
	return nil
}

// whereTo says where a route leads, without what is often a secret: a push topic, and all of a web address but its host.
func whereTo(r farm.Route) string {
	if r.Channel == "mail" {
		return " to " + r.Address
	}
	if u, err := url.Parse(r.Address); err == nil && u.Host != "" {
		return " to " + u.Host
	}
	return ""
}

func newSensor() *cobra.Command {
	var farmFile, data string
	add := &cobra.Command{
		Use:   "add NAME --config FILE",
		Short: "Give a sensor its own password at the built-in broker",
		Long: `Add makes a password for the sensor of a zone or energizer, or for the weather station (weather), and prints it this once. With it the sensor may
publish its own topic and nothing else. From the first password on the broker refuses everybody without one.
The client ID is the sensor's alone; any other that no sensor uses will do too, and is then its own.
A night watch that runs takes it over when it reads the farm file again (SIGHUP).`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			if !cfg.Broker.Embedded() {
				return &usageError{errors.New("the farm file names a broker of your own"), "add the sensor's password there"}
			}
			password, topic, err := app.AddSensor(&cfg.Farm, data, args[0])
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "user:      %[1]s\npassword:  %[2]s\ntopic:     %[3]s\nclient ID: %[1]s\nThe password is not shown again.\n", args[0], password, topic)
			return err
		},
	}
	configFlag(add, &farmFile)
	dataFlag(add, &data)
	sensor := &cobra.Command{Use: "sensor", Short: "Give sensors passwords at the built-in broker",
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	sensor.AddCommand(add)
	return sensor
}
