package main

import (
	"errors"

	"github.com/spf13/cobra"

	"nightwire/alerts/turnout"
	"nightwire/cmd/nightwire/internal/app"
)

// errNotYet makes the exit code of a turnout check that says no.
var errNotYet = errors.New("not yet\nhint: mend what speaks against it, and ask again")

func newTurnout() *cobra.Command {
	var farmFile string
	var o app.TurnoutOptions
	cmd := &cobra.Command{
		Use:   "turnout [ZONE...] --config FILE",
		Short: "Say whether stock may go out, yes or no, and why",
		Long: `Turnout looks at the zones that stock are to go into, or at all: is each heard, well over what it needs at its far end,
steady for ten minutes and near what its layout gives; are energizer and earth well; would an alarm reach somebody.
Zones marked training: true need more. It answers yes (exit code 0) or no (1), with reasons.

The answer is kept with the time and who asked. After a yes, growth and faults are judged from
the fence as it is now; --look keeps nothing and changes nothing.`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			o.Config, o.Zones, o.Now, o.Out = cfg, args, clockOf(cmd.Context())(), cmd.OutOrStdout()
			yes, err := app.Turnout(cmd.Context(), o)
			var none *turnout.ErrNoZone
			switch {
			case errors.As(err, &none):
				return &usageError{err, "nightwire check FILE lists the zones"}
			case err == nil && !yes:
				return errNotYet
			}
			return err
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &o.DataDir)
	f := cmd.Flags()
	f.StringVar(&o.By, "by", "", "who asks, as the farm file calls them")
	f.BoolVar(&o.Look, "look", false, "only look: keep no answer, and change nothing")
	f.BoolVar(&o.JSON, "json", false, "answer as one JSON object")
	return cmd
}
