package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"nightwire/alerts/plan"
	"nightwire/cmd/nightwire/internal/app"
	"nightwire/ingest/farm"
)

// planFlags are the flags of plan.
type planFlags struct {
	farmFile, svg, soil, wire, stock  string
	changes                           []string
	openKV, sourceOhms, earthOhms     float64
	lengthM, ohmsPerKM, stakeM, staMM float64
	lines, stakes                     int
	training                          bool
}

func newPlan() *cobra.Command {
	var o planFlags
	cmd := &cobra.Command{
		Use:   "plan [--config FILE]",
		Short: "Work out what a fence will carry, before it is strung",
		Long: `Plan works out what each zone will carry clean, with light and with heavy growth, where the fence is weakest, what
would help there, and how many earth stakes the soil wants. It reads a farm file, or takes one run of fence by flags:

  nightwire plan --open-kv 8.2 --length-m 600 --wire "6x0.2 stainless" --stock pigs --soil clay --stakes 2
  nightwire plan --config farm.yaml --what-if lane.length_m=120 --what-if cartshed.earth_ohms=20`,
		RunE: func(cmd *cobra.Command, _ []string) error { return runPlan(cmd, &o) },
	}
	f := cmd.Flags()
	f.StringVarP(&o.farmFile, "config", "c", "", "the farm file")
	f.StringArrayVar(&o.changes, "what-if", nil, "a change to try, as zone.length_m=120; may be given again")
	f.StringVar(&o.svg, "svg", "", "also write the plot to this file as SVG")
	f.IntVar(&o.lines, "lines", 1, "how many lines of wire the fence has")
	f.StringVar(&o.soil, "soil", "", "the soil at the earth stakes: fill, clay, mixed, gravel, or its ohm metres")
	f.IntVar(&o.stakes, "stakes", 1, "how many earth stakes there are")
	f.Float64Var(&o.stakeM, "stake-m", 0, "how deep each is, metres; 1.83 when left out")
	f.Float64Var(&o.staMM, "stake-mm", 0, "and how thick, millimetres; 16 when left out")
	f.Float64Var(&o.openKV, "open-kv", 0, "without a farm file: the energizer's peak with the fence unhooked, kilovolts")
	f.Float64Var(&o.sourceOhms, "source-ohms", farm.DefaultSourceOhms, "its own resistance")
	f.Float64Var(&o.earthOhms, "earth-ohms", 0, "the resistance of its earth stakes, where known")
	f.Float64Var(&o.lengthM, "length-m", 0, "the length of the fence, metres")
	f.StringVar(&o.wire, "wire", "", `the wire of one line, as "2.5 steel" or "6x0.2 stainless + 3x0.25 copper"`)
	f.Float64Var(&o.ohmsPerKM, "ohms-per-km", 0, "its resistance instead, all lines together, ohms per kilometre")
	f.StringVar(&o.stock, "stock", "", "what it holds: "+strings.Join(farm.StockKinds(), ", "))
	f.BoolVar(&o.training, "training", false, "animals learn there what a fence is")
	return cmd
}

// ownFence lists the flags that describe a fence, which a farm file does otherwise.
func ownFence() []string {
	return []string{"open-kv", "source-ohms", "earth-ohms", "length-m", "wire", "ohms-per-km", "stock", "training"}
}

func runPlan(cmd *cobra.Command, o *planFlags) error {
	f, err := o.farm(cmd)
	if err != nil {
		return err
	}
	if o.lines < 1 || o.lines > 20 {
		return &usageError{fmt.Errorf("--lines is %d", o.lines), "count the lines of wire, one above the other: 1 to 20"}
	}
	g, err := o.ground()
	if err != nil {
		return err
	}
	if cmd.Flags().Changed("earth-ohms") && o.soil != "" {
		return &usageError{errors.New("both --earth-ohms and --soil are given"), "the soil has the earth worked out: take one of the two out"}
	}
	f = plan.WithEarth(f, g)
	changed, err := plan.Apply(f, o.changes)
	if err != nil {
		return asUsage(err, "see nightwire plan --help")
	}
	opts := app.PlanOptions{Farm: f, Lines: o.lines, Ground: g, Out: cmd.OutOrStdout()}
	if len(o.changes) > 0 {
		opts.Changed, opts.Changes = changed, o.changes
	}
	if o.svg == "" {
		return app.Plan(opts)
	}
	return writeFile(cmd, o.svg, func(w io.Writer) error {
		opts.Picture = w
		return app.Plan(opts)
	})
}

// farm returns the fence to plan, of the farm file or of the flags.
func (o *planFlags) farm(cmd *cobra.Command) (*farm.Farm, error) {
	if o.farmFile != "" {
		for _, name := range ownFence() {
			if cmd.Flags().Changed(name) {
				return nil, &usageError{fmt.Errorf("both --config and --%s are given", name), "with a farm file, change what is in it by --what-if"}
			}
		}
		cfg, err := loadConfig(o.farmFile)
		if err != nil {
			return nil, err
		}
		return &cfg.Farm, nil
	}
	if o.openKV == 0 || o.lengthM == 0 || o.wire == "" == (o.ohmsPerKM == 0) {
		return nil, &usageError{errors.New("there is no fence to plan"), `give --config, or --open-kv, --length-m and one of --wire and --ohms-per-km`}
	}
	return o.lone()
}

// lone returns a farm of one energizer and one run of fence.
func (o *planFlags) lone() (*farm.Farm, error) {
	z := farm.Zone{Name: "fence", FedBy: "energizer", LengthM: o.lengthM, OhmsPerKM: o.ohmsPerKM, Stock: o.stock, Training: o.training}
	if o.wire != "" {
		c, err := farm.ParseConductor(o.wire)
		if err != nil {
			return nil, asUsage(err, "see nightwire plan --help")
		}
		z.Conductor, z.OhmsPerKM = c, c.OhmsPerKM()/float64(max(o.lines, 1))
	}
	m, ok := farm.DefaultMinimum(o.stock)
	if o.stock != "" && !ok {
		return nil, &usageError{fmt.Errorf("there is no default minimum for %q", o.stock), "one of " + strings.Join(farm.StockKinds(), ", ")}
	}
	if z.MinimumVolts = m.Volts; o.training {
		z.MinimumVolts = m.TrainingVolts
	}
	for _, v := range []struct {
		name              string
		value, from, most float64
	}{
		{"open-kv", o.openKV, 0.1, 30}, {"source-ohms", o.sourceOhms, 1, 100_000}, {"earth-ohms", o.earthOhms, 0, 100_000},
		{"length-m", o.lengthM, 0.1, 100_000}, {"ohms-per-km", z.OhmsPerKM, 0.1, 1e6},
	} {
		if math.IsNaN(v.value) || v.value < v.from || v.value > v.most {
			return nil, &usageError{fmt.Errorf("--%s is %g", v.name, v.value), fmt.Sprintf("it must be from %g to %g", v.from, v.most)}
		}
	}
	e := farm.Energizer{Name: "energizer", OpenVolts: o.openKV * 1000, SourceOhms: o.sourceOhms, EarthOhms: o.earthOhms}
	return &farm.Farm{Name: "one fence", Energizers: []farm.Energizer{e}, Zones: []farm.Zone{z}}, nil
}

// ground reads what is said of the earth.
func (o *planFlags) ground() (plan.Ground, error) {
	g := plan.Ground{Stake: plan.DefaultStake()}
	if o.stakeM != 0 {
		g.Stake.LengthM = o.stakeM
	}
	if o.staMM != 0 {
		g.Stake.DiameterMM = o.staMM
	}
	g.Stakes = o.stakes
	switch {
	case o.stakes < 1 || o.stakes > plan.MostStakes:
		return g, &usageError{fmt.Errorf("--stakes is %d", o.stakes), fmt.Sprintf("published figures are for 1 to %d", plan.MostStakes)}
	case !(g.Stake.LengthM >= 0.2 && g.Stake.LengthM <= 20) || !(g.Stake.DiameterMM >= 3 && g.Stake.DiameterMM <= 100):
		return g, &usageError{fmt.Errorf("a stake of %g m by %g mm", g.Stake.LengthM, g.Stake.DiameterMM), "0.2 to 20 m deep, 3 to 100 mm thick"}
	case o.soil == "":
		return g, nil
	}
	for _, s := range plan.Soils() {
		if s.Name == o.soil {
			g.OhmM = s.OhmM
			return g, nil
		}
	}
	v, err := strconv.ParseFloat(o.soil, 64)
	if err != nil || !(v >= 0.1 && v <= 100_000) {
		return g, &usageError{fmt.Errorf("soil %q is not known", o.soil), "fill, clay, mixed, gravel, or a number of ohm metres from 0.1 to 100000"}
	}
	g.OhmM = v
	return g, nil
}

// asUsage makes err a usage error, with its own hint where it has one.
func asUsage(err error, hint string) error {
	text, own, ok := strings.Cut(err.Error(), "\nhint: ")
	if ok {
		hint = own
	}
	return &usageError{errors.New(text), hint}
}
