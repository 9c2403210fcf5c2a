package alerts

import (
	"fmt"
	"slices"
	"strconv"

	"nightwire/ingest/farm"
)

// MinimumStandings says what the minimums of a farm rest on that its file leaves to us, a line for each kind of stock.
func MinimumStandings(f *farm.Farm) []string {
	kv := func(volts float64) string { return strconv.FormatFloat(volts/1000, 'f', -1, 64) }
	var out []string
	for _, kind := range farm.StockKinds() {
		ours := func(z farm.Zone) bool { return z.Stock == kind && (z.Training || !z.MinimumGiven) }
		if !slices.ContainsFunc(f.Zones, ours) {
			continue
		}
		m, _ := farm.DefaultMinimum(kind) // every kind in the list has one
		out = append(out, fmt.Sprintf("%s %s kV, in training %s kV [%s]", kind, kv(m.Volts), kv(m.TrainingVolts), m.Standing))
	}
	return out
}
