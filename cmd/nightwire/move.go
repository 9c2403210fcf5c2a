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
	var back bool
	cmd := &cobra.Command{
		Use:   "move ZONE... --config FILE --for 3h",
		Short: "Take zones out of service while you move them, for a stated time",
		Long: `Move tells the night watch that you work on zones, so that they wake nobody. It ends by itself after the time you
state, and reminds you before. Stock behind a fence that is still off then is the most urgent reminder there is: it is
sent at any hour, again and again, and to the next person too.

An energizer's name takes the whole of its fence. Say it again to set a new end; --back ends it now. Afterwards what is
usual there is learnt anew. If lengths or feeds change, change the farm file as well.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case back && cmd.Flags().Changed("for"):
				return &usageError{errors.New("both --for and --back are given"), "--for takes out of service, --back puts back"}
			case !back && (o.For <= 0 || o.For > longestMove):
				return &usageError{errors.New("it is not said for how long"), "give --for between 1m and 168h, as --for 3h; or --back when you are done"}
			}
			cfg, err := loadConfig(farmFile)
			if err != nil {
				return err
			}
			o.Farm, o.DataDir, o.Names, o.Now, o.Out = &cfg.Farm, data, args, clockOf(cmd.Context())(), cmd.OutOrStdout()
			return placeError(app.Move(cmd.Context(), o), &cfg.Farm)
		},
	}
	configFlag(cmd, &farmFile)
	dataFlag(cmd, &data)
	f := cmd.Flags()
	f.DurationVar(&o.For, "for", 0, "how long the work takes, as 3h or 90m")
	f.BoolVar(&back, "back", false, "it is done: watch again")
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
