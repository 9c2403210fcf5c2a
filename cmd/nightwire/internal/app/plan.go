package app

import (
	"fmt"
	"io"

	"nightwire/alerts/plan"
	"nightwire/cmd/nightwire/internal/web/chart"
	"nightwire/ingest/farm"
)

// PlanOptions says what to plan.
type PlanOptions struct {
	Farm    *farm.Farm
	Changed *farm.Farm // the same with Changes made; nil for none
	Changes []string
	Lines   int // of wire, in the fence
	Ground  plan.Ground
	Out     io.Writer
	Picture io.Writer // for the first fence as SVG; nil for none
}

// Plan writes what a fence will carry.
func Plan(opts PlanOptions) error {
	r := plan.Report{Farm: opts.Farm, Changes: opts.Changes, Ground: opts.Ground}
	var err error
	if r.Fences, err = plan.New(plan.Options{Farm: opts.Farm, Lines: opts.Lines, Stakes: opts.Ground.Stakes}); err != nil {
		return err
	}
	if opts.Changed != nil {
		if r.Changed, err = plan.New(plan.Options{Farm: opts.Changed, Lines: opts.Lines, Stakes: opts.Ground.Stakes}); err != nil {
			return err
		}
	}
	if err := r.Write(opts.Out); err != nil {
		return err
	}
	if opts.Picture == nil || len(r.Fences) == 0 {
		return nil
	}
	_, err = io.WriteString(opts.Picture, picture(opts.Farm.Name, &r.Fences[0]).SVG())
	return err
}

// picturePoints is how many points each zone has in a picture.
const picturePoints = 24

// picture draws the way to a fence's weakest point.
func picture(name string, f *plan.Fence) chart.Profile {
	c := chart.Profile{Title: fmt.Sprintf("%s: volts from %s to the weakest point, planned", name, f.Energizer.Name), Unit: "m"}
	for g, growth := range plan.Growths() {
		l := chart.ProfileLine{Name: growth.Name}
		from := 0.0
		for _, z := range f.Path() {
			for k := range picturePoints + 1 {
				share := float64(k) / picturePoints
				l.Points = append(l.Points, chart.AlongKV{M: from + share*z.LengthM, KV: z.At(g, share) / 1000})
			}
			from += z.LengthM
		}
		c.Lines = append(c.Lines, l)
	}
	from := 0.0
	for _, z := range f.Path() {
		c.Needs = append(c.Needs, chart.Stretch{Name: z.Name, FromM: from, ToM: from + z.LengthM, KV: z.NeedVolts() / 1000})
		from += z.LengthM
	}
	return c
}
