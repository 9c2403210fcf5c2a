package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightwire/alerts"
	"nightwire/alerts/upkeep"
	"nightwire/cmd/nightwire/internal/app"
	"nightwire/ingest/farm"
)

// taskNames lists what can be said to be done.
func taskNames() string {
	var out []string
	for _, t := range upkeep.Tasks() {
		out = append(out, string(t))
	}
	return strings.Join(append(out, app.TrimTask+" ZONE"), ", ")
}

func newDone() *cobra.Command {
	var farmFile, on string
	var o app.DoneOptions
	cmd := &cobra.Command{
		Use:   "done TASK [WHERE] --config FILE",
		Short: "Say what was done: " + taskNames(),
		Long: `Done tells the night watch what was done at the fence, so that it reminds you when it is due again: one of
  ` + taskNames() + `
Growth that was trimmed is judged anew from then: now, or the time that --on states, as when you trim at noon and note it
in the evening. For the earth stakes use nightwire earth-test: its values matter.`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			o.Farm, o.Task, o.Out = &cfg.Farm, args[0], cmd.OutOrStdout()
			if len(args) > 1 {
				o.Where = args[1]
			}
			if o.On, err = whenDone(on, &cfg.Farm, clockOf(cmd.Context())()); err != nil {
				return err
			}
			if err := checkTask(&o); err != nil {
				return err
			}
			return placeError(app.Done(cmd.Context(), o), &cfg.Farm)
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &o.DataDir)
	cmd.Flags().StringVar(&on, "on", "", "when, as 2026-04-20, 2026-04-20T12:30, or 12:30 for today; now when left out")
	byFlags(cmd, &o.By, &o.Note)
	return cmd
}

// checkTask refuses what cannot be done.
func checkTask(o *app.DoneOptions) error {
	switch {
	case o.Task == app.TrimTask && o.Farm.Zone(o.Where) == nil && o.Farm.Energizer(o.Where) == nil:
		return &usageError{fmt.Errorf("no zone %q to have been trimmed", o.Where), "name a zone, or an energizer for its whole fence: nightwire done trim lane"}
	case o.Task == string(upkeep.EarthTest):
		return &usageError{errors.New("the earth test is kept with its values"), "nightwire earth-test says how it is done and keeps them"}
	case o.Task != app.TrimTask && !upkeep.Known(o.Task):
		return &usageError{fmt.Errorf("%q is no task", o.Task), "one of " + taskNames()}
	}
	return nil
}

// whenDone reads when something was done; empty is the zero time. Whether it can have been then is for the watch to say.
func whenDone(s string, f *farm.Farm, now time.Time) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, ok := farm.ReadWhen(s, now, f.Location)
	if !ok {
		return t, &usageError{fmt.Errorf("%q is not a time", s), "write it as 2026-04-20, 2026-04-20T12:30, or 12:30 for today"}
	}
	return t, nil
}

func newUpkeep() *cobra.Command {
	var farmFile, data string
	cmd := &cobra.Command{
		Use:   "upkeep --config FILE",
		Short: "Print what work is due, when it was last done, and what the record shows",
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			return app.Upkeep(cmd.Context(), cmd.OutOrStdout(), cfg, data, clockOf(cmd.Context())())
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	return cmd
}

func newEarthTest() *cobra.Command {
	var farmFile, on string
	var fenceKV, stakeV float64
	var o app.DoneOptions
	cmd := &cobra.Command{
		Use:   "earth-test [ENERGIZER --config FILE --fence-kv 1.4 --stake-v 180]",
		Short: "Test the earth stakes: the steps, and keep the values",
		Long: `Earth-test without values prints the test step by step, with its cautions. With the energizer's name and both
values it keeps them and says what they mean. Values of a fence that was not shorted enough are refused.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			given := cmd.Flags().Changed
			if len(args) == 0 && !given("fence-kv") && !given("stake-v") {
				return app.EarthSteps(cmd.OutOrStdout())
			}
			if len(args) == 0 || !given("fence-kv") || !given("stake-v") || farmFile == "" {
				return &usageError{errors.New("a test has an energizer and two values"),
					"nightwire earth-test cartshed --config farm.yaml --fence-kv 1.4 --stake-v 180; without any of them it prints the steps"}
			}
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			if o.On, err = whenDone(on, &cfg.Farm, clockOf(cmd.Context())()); err != nil {
				return err
			}
			o.Farm, o.Where, o.Out = &cfg.Farm, args[0], cmd.OutOrStdout()
			o.Earth = &alerts.EarthTest{StakeVolts: stakeV, FenceVolts: fenceKV * 1000}
			err = app.EarthTest(cmd.Context(), o)
			if errors.Is(err, upkeep.ErrTest) {
				return asUsage(err, "nothing was changed")
			}
			return placeError(err, &cfg.Farm)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&farmFile, "config", "c", "", "the farm file")
	dataFlag(cmd, &o.DataDir)
	f.Float64Var(&fenceKV, "fence-kv", 0, "the fence under the short, kilovolts")
	f.Float64Var(&stakeV, "stake-v", 0, "the stake against a probe, volts")
	f.StringVar(&on, "on", "", "when, as 2026-07-20 or 2026-07-20T15:00; now when left out")
	byFlags(cmd, &o.By, &o.Note)
	return cmd
}
