package main

import (
	"errors"
	"fmt"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/cmd/nightwire/internal/config"
)

// relay is what move is asked to change in the layout.
type relay struct {
	fedBy   string
	lengthM float64
	gone    bool
	back    bool
}

// asked reports whether any of it was asked for, and refuses what does not go together.
func (r *relay) asked(cmd *cobra.Command, zones []string, back bool) (bool, error) {
	given := cmd.Flags().Changed
	laid := given("fed-by") || given("length-m")
	switch {
	case !laid && !r.gone:
		return false, nil
	case given("for") || back:
		return false, &usageError{errors.New("the layout is changed by itself"), "first --for, then the layout when the wire hangs, then --back"}
	case laid && r.gone:
		return false, &usageError{errors.New("what is taken away is not fed and has no length"), "give --away alone"}
	case given("fed-by") && r.fedBy == "":
		return false, &usageError{errors.New("it is not said what feeds it"), "name a zone or an energizer, as --fed-by hazel"}
	case given("length-m") && (r.lengthM <= 0 || len(zones) > 1):
		return false, &usageError{errors.New("a length is of one zone, and more than nothing"), "nightwire move lane --length-m 240"}
	}
	return true, nil
}

// away reports whether back means to bring back zones that were taken away: none of them is on the fence.
func (r *relay) away(cfg *config.Config, path string, zones []string) bool {
	text, err := os.ReadFile(path)
	r.back = err == nil && !slices.ContainsFunc(zones, func(name string) bool {
		return cfg.Farm.Zone(name) != nil || cfg.Farm.Energizer(name) != nil || !config.IsAway(text, name)
	})
	return r.back
}

// do changes the layout.
func (r *relay) do(cmd *cobra.Command, path, data string, zones []string) error {
	o := app.RelayOptions{Path: path, DataDir: data, Now: clockOf(cmd.Context())(), Out: cmd.OutOrStdout()}
	for _, name := range zones {
		o.Changes = append(o.Changes, config.Relay{Zone: name, FedBy: r.fedBy, LengthM: r.lengthM, Away: r.gone, Back: r.back})
	}
	if _, err := loadConfig(path); err != nil {
		return err
	}
	err := app.Relay(cmd.Context(), o)
	var mistakes config.Mistakes
	switch {
	case errors.As(err, &mistakes):
		return fmt.Errorf("the farm file would have mistakes then, and stays as it is:\n%w", mistakes)
	case errors.Is(err, config.ErrNotThere), errors.Is(err, config.ErrNoChange), errors.Is(err, config.ErrByHand):
		return asUsage(err, "nothing was changed")
	}
	return err
}
