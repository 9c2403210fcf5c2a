package plan

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"nightwire/ingest/farm"
)

// Apply returns the layout with changes made to it, each written as zone.key=value or energizer.key=value.
func Apply(f *farm.Farm, changes []string) (*farm.Farm, error) {
	out := copyOf(f)
	for _, c := range changes {
		if err := apply(out, c); err != nil {
			return nil, fmt.Errorf("change %q: %w", c, err)
		}
	}
	return out, nil
}

func apply(f *farm.Farm, c string) error {
	what, value, ok := strings.Cut(c, "=")
	name, key, dotted := strings.Cut(strings.TrimSpace(what), ".")
	if value = strings.TrimSpace(value); !ok || !dotted || value == "" {
		return errors.New("it names no thing, key and value\nhint: write it as lane.length_m=120")
	}
	if z := f.Zone(name); z != nil {
		return applyZone(z, key, value)
	}
	if e := f.Energizer(name); e != nil {
		return applyEnergizer(e, key, value)
	}
	return fmt.Errorf("no zone or energizer is called %q\nhint: nightwire check FILE lists them", name)
}

func applyZone(z *farm.Zone, key, value string) error {
	switch key {
	case "wire":
		c, err := farm.ParseConductor(value)
		if err == nil {
			z.Conductor, z.OhmsPerKM = c, c.OhmsPerKM()
		}
		return err
	case "length_m":
		return number(&z.LengthM, value, 1, 0.1, 100_000)
	case "ohms_per_km":
		z.Conductor = nil
		return number(&z.OhmsPerKM, value, 1, 0.1, 1e6)
	case "minimum_kv":
		z.MinimumGiven = true
		return number(&z.MinimumVolts, value, 1000, 0.1, 30)
	}
	return fmt.Errorf("a zone has no %q to change\nhint: one of wire, length_m, ohms_per_km, minimum_kv", key)
}

func applyEnergizer(e *farm.Energizer, key, value string) error {
	switch key {
	case "open_kv":
		return number(&e.OpenVolts, value, 1000, 0.1, 30)
	case "source_ohms":
		return number(&e.SourceOhms, value, 1, 1, 100_000)
	case "earth_ohms":
		return number(&e.EarthOhms, value, 1, 0, 100_000)
	}
	return fmt.Errorf("an energizer has no %q to change\nhint: one of open_kv, source_ohms, earth_ohms", key)
}

// number sets a value in base units from text in units of scale.
func number(at *float64, text string, scale, least, most float64) error {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || v < least || v > most {
		return fmt.Errorf("%q is not a number from %g to %g\nhint: units are in the key: metres, ohms, kilovolts", text, least, most)
	}
	*at = v * scale
	return nil
}

// WithEarth returns the layout with the earth that stakes in a soil give; unchanged where the soil is not known.
func WithEarth(f *farm.Farm, g Ground) *farm.Farm {
	if g.OhmM <= 0 {
		return f
	}
	out := copyOf(f)
	for i := range out.Energizers {
		out.Energizers[i].EarthOhms = StakesOhms(g.Stake.Ohms(g.OhmM), g.Stakes)
	}
	return out
}
