package plan

import (
	"fmt"
	"slices"

	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// change is one thing that could be done, on a copy of the layout.
type change struct {
	text string
	leak float64 // by how much the leakage of the way to the weakest point is multiplied
	do   func(f *farm.Farm, way []*farm.Zone)
}

// shorter is the share of its length that a shorter run keeps.
const shorter = 0.75

// helps returns what each change would give at the weakest point. Wire is changed on the whole way there.
func helps(opts Options, f Fence) ([]Help, error) {
	var out []Help
	for _, c := range changes(opts, &f) {
		h, err := try(opts.Farm, f.Energizer.Name, f.Weakest, c)
		if err != nil {
			return nil, err
		}
		out = append(out, h)
	}
	return out, nil
}

func changes(opts Options, f *Fence) []change {
	lines := float64(max(opts.Lines, 1))
	more := (lines + 1) / lines
	strand := func(_ *farm.Farm, way []*farm.Zone) {
		for _, z := range way {
			z.OhmsPerKM /= more
		}
	}
	nothing := func(*farm.Farm, []*farm.Zone) {}
	out := []change{
		{"as it is", 1, nothing},
		{"one more line, clear of growth", 1, strand},
		{"one more line, grown over alike", more, strand},
	}
	if w, ok := better(f); ok {
		out = append(out, change{"wire of " + w.String(), 1, func(_ *farm.Farm, way []*farm.Zone) {
			for _, z := range way {
				z.OhmsPerKM = min(z.OhmsPerKM, w.OhmsPerKM())
			}
		}})
	}
	metres := 0.0
	for _, z := range f.Path() {
		metres += z.LengthM
	}
	out = append(out, change{fmt.Sprintf("a way of %.0f m instead of %.0f m", metres*shorter, metres), 1, func(_ *farm.Farm, way []*farm.Zone) {
		for _, z := range way {
			z.LengthM *= shorter
		}
	}})
	if was := f.Energizer.EarthOhms; was > 0 {
		n := max(opts.Stakes, 1)
		now := OneMoreStake(was, n)
		out = append(out, change{fmt.Sprintf("earth stakes: %d for %d, %.0f Ω for %.0f Ω", n+1, n, now, was), 1, func(all *farm.Farm, _ []*farm.Zone) {
			all.Energizer(f.Energizer.Name).EarthOhms = now
		}})
	}
	return out
}

// better returns a wire that is well better than the worst on the way to the weakest point: polywire with copper for
// plain polywire, aluminium for anything else. It is false when the wire is good already.
func better(f *Fence) (farm.Conductor, bool) {
	worst := 0.0
	for _, z := range f.Path() {
		worst = max(worst, z.OhmsPerKM)
	}
	for _, w := range []farm.Conductor{
		{{Material: "stainless", Strands: 6, DiameterMM: 0.2}, {Material: "copper", Strands: 3, DiameterMM: 0.25}},
		{{Material: "aluminium", Strands: 1, DiameterMM: 1.6}},
	} {
		if worst > 2*w.OhmsPerKM() {
			return w, true
		}
	}
	return nil, false
}

// try works out the volts at a place after a change. The place keeps its share of its zone's length.
func try(before *farm.Farm, energizer string, at Point, c change) (Help, error) {
	share := at.AtM / max(before.Zone(at.Zone).LengthM, 1e-9)
	f := copyOf(before)
	var way []*farm.Zone
	for z := f.Zone(at.Zone); z != nil; z = f.Zone(z.FedBy) {
		way = append(way, z)
	}
	c.do(f, way)
	net, err := line.New(f, energizer)
	if err != nil {
		return Help{}, err
	}
	i := slices.IndexFunc(net.Zones, func(z line.Zone) bool { return z.Name == at.Zone })
	state := func(growth int) line.State {
		st := grown(net, Growths()[growth].LeakPerKM)
		for k := i; k >= 0; k = net.Zones[k].Parent {
			st.Leak[k] *= c.leak
		}
		return st
	}
	volts := func(growth int) float64 {
		st := state(growth)
		return between(ends(net, solve(net, st, line.Fault{}), i), net.Zones[i].Ohms*st.Leak[i], share)
	}
	return Help{Change: c.text, Light: volts(Light), Heavy: volts(Heavy), Animal: touched(net, state(Light), i, share, AnimalOhms)}, nil
}

// touched returns the volts that stay on the wire at a share of the way along zone i while ohms lead to earth there.
func touched(net *line.Network, st line.State, i int, share, ohms float64) float64 {
	s := line.NewSolver(net)
	s.Volts(make([]float64, len(net.Zones)+1), st, line.Fault{Kind: line.Shunt, Zone: i, AtM: share * net.Zones[i].LengthM, Ohms: ohms})
	return s.FaultVolts()
}

// copyOf returns a layout that can be changed without changing f.
func copyOf(f *farm.Farm) *farm.Farm {
	out := *f
	out.Energizers, out.Zones = slices.Clone(f.Energizers), slices.Clone(f.Zones)
	return &out
}
