package app

import (
	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// ExpectedVolts returns a function that gives the volts at the far end of each zone of a clean and dry fence, by name.
// The fence of f is solved at once, so that what cannot be solved is an error here.
func ExpectedVolts(f *farm.Farm) (func(farm.Farm) map[string]float64, error) {
	out := map[string]float64{}
	for i := range f.Energizers {
		net, err := line.New(f, f.Energizers[i].Name)
		if err != nil {
			return nil, err
		}
		volts := line.NewSolver(net).Volts(make([]float64, len(net.Zones)+1), net.Clean(), line.Fault{})
		for j, z := range net.Zones {
			out[z.Name] = volts[j+1]
		}
	}
	return func(farm.Farm) map[string]float64 { return out }, nil
}
