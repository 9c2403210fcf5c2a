package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/sim/scenario"
)

func newSim() *cobra.Command {
	var capture, url string
	var speed float64
	var farmFile, labels, file bool
	cmd := &cobra.Command{
		Use:   "sim SCENARIO",
		Short: "Play a scripted season: " + strings.Join(scenario.Names(), ", "),
		Long: `Sim plays a scripted season of a fence and its sensors. SCENARIO is one of
  ` + strings.Join(scenario.Names(), ", ") + `
or the path of a scenario file.

Played to a broker it happens now: sensors that stamp their readings stamp them with the time of this computer. A watch
keeps its own time too, so at a higher speed it sees a fence that changes as much faster; nightwire demo shows a season
to a watch that lives as fast.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := openScenario(args[0])
			if err != nil {
				return err
			}
			asked := 0
			for _, name := range []string{"broker", "json", "farm", "labels", "scenario"} {
				if cmd.Flags().Changed(name) {
					asked++
				}
			}
			switch {
			case asked > 1:
				return &usageError{errors.New("more than one of --broker, --json, --farm, --labels and --scenario is given"), "give one of them"}
			case farmFile:
				_, err := cmd.OutOrStdout().Write(s.FarmFile())
				return err
			case labels:
				return s.Labels(cmd.OutOrStdout())
			case file:
				_, err := cmd.OutOrStdout().Write(s.File())
				return err
			case capture != "":
				return writeFile(cmd, capture, s.Capture)
			case url != "" && !(speed > 0):
				return &usageError{errors.New("--speed is not more than 0"), "1 is as fast as in truth, 60 shows an hour in a minute"}
			case url != "":
				return app.Play(cmd.Context(), s, url, speed)
			}
			return &usageError{errors.New("nowhere to play to"), "give --broker URL, --json FILE, --farm, --labels or --scenario"}
		},
	}
	cmd.Flags().StringVar(&capture, "json", "", "write the season's messages to this file as a capture; - for standard output")
	cmd.Flags().StringVar(&url, "broker", "", "publish to this broker, as mqtt://127.0.0.1:1883")
	cmd.Flags().Float64Var(&speed, "speed", 1, "how many times as fast as in truth")
	cmd.Flags().BoolVar(&farmFile, "farm", false, "print the season's farm file")
	cmd.Flags().BoolVar(&labels, "labels", false, "print what is truly wrong in the season, and when it shows, one JSON object a line")
	cmd.Flags().BoolVar(&file, "scenario", false, "print the season's scenario file, to write one like it")
	return cmd
}

// openScenario opens a scenario that comes with the program, or a file.
func openScenario(name string) (*scenario.Scenario, error) {
	if !strings.ContainsAny(name, "./") {
		s, err := scenario.Open(name)
		if err != nil {
			return nil, &usageError{err, "nightwire sim --help lists them"}
		}
		return s, nil
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, &usageError{err, "give the path of a scenario file, or one of the names in nightwire sim --help"}
	}
	return scenario.Load(b)
}

// writeFile writes a file, or standard output for "-".
func writeFile(cmd *cobra.Command, path string, write func(io.Writer) error) (err error) {
	if path == "-" {
		return write(cmd.OutOrStdout())
	}
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("%w\nhint: choose a folder that can be written", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return write(f)
}
