package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/ingest/farm"
)

// longestMove is the longest that anything stays out of service; it ends by itself then.
const longestMove = 7 * 24 * time.Hour

func newMove() *cobra.Command {
	var farmFile, data string
	var o app.MoveOptions
	var r relay
	var back bool
	cmd := &cobra.Command{
		Use:   "move ZONE... --config FILE --for 3h",
		Short: "Take zones out of service while you move them, and say how they are laid out then",
		Long: `Move tells the night watch that you work on zones, so that they wake nobody. It ends by itself after the time you
state, and reminds you before. Stock behind a fence that is still off then is the most urgent reminder there is: it is
sent at any hour, again and again, and to the next person too.

An energizer's name takes the whole of its fence. Say it again to set a new end; --back ends it now. Afterwards what is
usual there is learnt anew.

--fed-by, --length-m and --away change the layout itself, from now on: in the farm file, in which all else stays as it is,
and in the night watch that runs. A zone that is taken away keeps its history, and stays in the file as a comment; --back
brings it back.`,
		Example: `  nightwire move lane --config farm.yaml --for 3h
  nightwire move lane --config farm.yaml --fed-by hazel --length-m 240
  nightwire move lane --config farm.yaml --back
  nightwire move pen --config farm.yaml --away`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			laid, err := r.asked(cmd, args, back)
			switch {
			case err != nil:
				return err
			case laid:
				return r.do(cmd, farmFile, data, args)
			case back && cmd.Flags().Changed("for"):
				return &usageError{errors.New("both --for and --back are given"), "--for takes out of service, --back puts back"}
			case !back && (o.For <= 0 || o.For > longestMove):
				return &usageError{errors.New("it is not said for how long"), "give --for between 1m and 168h, as --for 3h; or --back when you are done"}
			}
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			if back && r.away(cfg, farmFile, args) {
				return r.do(cmd, farmFile, data, args)
			}
			o.Farm, o.DataDir, o.Names, o.Now, o.Out = &cfg.Farm, data, args, clockOf(cmd.Context())(), cmd.OutOrStdout()
			return placeError(app.Move(cmd.Context(), o), &cfg.Farm)
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	f := cmd.Flags()
	f.DurationVar(&o.For, "for", 0, "how long the work takes, as 3h or 90m")
	f.BoolVar(&back, "back", false, "it is done: watch again; or bring back what was taken away")
	f.StringVar(&r.fedBy, "fed-by", "", "the zones are fed by this zone or energizer from now on")
	f.Float64Var(&r.lengthM, "length-m", 0, "the zone is so long from now on, metres")
	f.BoolVar(&r.gone, "away", false, "the zones are taken off the fence from now on")
	byFlags(cmd, &o.By, &o.Note)
	return cmd
}

// byFlags adds who did it, and what they say of it.
func byFlags(cmd *cobra.Command, by, note *string) {
	cmd.Flags().StringVar(by, "by", "", "who does it, as the farm file calls them")
	cmd.Flags().StringVar(note, "note", "", "a word on it, for the history")
}

// placeError makes a name that the farm file does not have a usage error, with the names that it has.
func placeError(err error, f *farm.Farm) error {
	if !errors.Is(err, app.ErrNoSuchPlace) {
		return err
	}
	var names []string
	for i := range f.Zones {
		names = append(names, f.Zones[i].Name)
	}
	for i := range f.Energizers {
		names = append(names, f.Energizers[i].Name)
	}
	return &usageError{err, fmt.Sprintf("the farm file has %s", strings.Join(names, ", "))}
}
