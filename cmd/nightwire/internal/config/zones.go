package config

import (
	"slices"
	"strings"

	"nightwire/ingest/farm"
)

// zone checks one zone by itself and returns it in base units.
func (r *reader) zone(z *zone) farm.Zone {
	r.between(&z.LengthM, z.LengthM, 0.1, 100_000, "length_m", "metres")
	r.between(&z.OhmsPerKM, z.OhmsPerKM, 0.1, 1e6, "ohms_per_km", "ohms")
	r.checkKV(&z.MinimumKV, z.MinimumKV, "minimum_kv")
	out := farm.Zone{
		Name: z.Name, FedBy: z.FedBy, LengthM: z.LengthM, OhmsPerKM: z.OhmsPerKM, Stock: z.Stock,
		JoinedTo: z.JoinedTo, Training: z.Training, Marks: r.marks(z), Sensor: r.sensor(z.Sensor),
	}
	switch {
	case r.given(&z.OhmsPerKM) && r.given(&z.Conductor):
		r.blame(&z.Conductor, "ohms_per_km is what you measured, conductor has it computed: take one of the two out", "both ohms_per_km and conductor are given")
	case r.given(&z.Conductor):
		if r.checkConductor(z.Conductor) {
			out.Conductor = z.Conductor.wires()
			out.OhmsPerKM = out.Conductor.OhmsPerKM()
		}
	case r.absent(&z.OhmsPerKM) && r.absent(&z.Conductor) && r.given(z):
		r.blame(z, "give ohms_per_km, or conductor: {material: stainless, strands: 6, diameter_mm: 0.2}", "%s has no ohms_per_km", z.label())
	}
	out.MinimumVolts, out.MinimumGiven = z.MinimumKV*1000, r.given(&z.MinimumKV)
	if r.absent(&z.MinimumKV) {
		out.MinimumVolts = r.stockMinimum(z)
	}
	return out
}

// label names the zone in a mistake.
func (z *zone) label() string { return strings.TrimSuffix("zone "+clip(z.Name), ` ""`) }

// stockMinimum returns the default minimum for a zone's stock.
func (r *reader) stockMinimum(z *zone) float64 {
	m, ok := farm.DefaultMinimum(z.Stock)
	switch {
	case ok && z.Training:
		return m.TrainingVolts
	case ok:
	case r.given(&z.Stock):
		hint := didYouMean(z.Stock, farm.StockKinds())
		r.blame(&z.Stock, hint+" — or give minimum_kv", "there is no default minimum for %s", clip(z.Stock))
	case r.absent(&z.Stock) && r.given(z):
		r.blame(z, "say what it holds with stock, or give minimum_kv", "%s has neither stock nor minimum_kv", z.label())
	}
	return m.Volts
}

// marks checks a zone's marks and returns them from its start outward.
func (r *reader) marks(z *zone) []farm.Mark {
	var out []farm.Mark
	for i := range z.Marks {
		m := &z.Marks[i]
		if r.given(&m.AtM) && (m.AtM < 0 || m.AtM > z.LengthM && r.given(&z.LengthM)) {
			r.blame(&m.AtM, "marks are measured from the zone's start", "the mark is at %g m, and zone %s is %g m long", m.AtM, clip(z.Name), z.LengthM)
		}
		if r.given(&m.Name) && strings.TrimSpace(m.Name) == "" {
			r.blame(&m.Name, "", "the mark's name is empty")
		}
		out = append(out, farm.Mark{AtM: m.AtM, Name: m.Name})
	}
	slices.SortStableFunc(out, func(a, b farm.Mark) int {
		switch {
		case a.AtM < b.AtM:
			return -1
		case a.AtM > b.AtM:
			return 1
		}
		return 0
	})
	return out
}

// checkTree notes zones that no energizer feeds: fed by an unknown name, by themselves, or round in a circle.
func (r *reader) checkTree(f *file) {
	feeder := feeders(f)
	var names []string
	for i := range f.Energizers {
		names = append(names, f.Energizers[i].Name)
	}
	for i := range f.Zones {
		names = append(names, f.Zones[i].Name)
	}
	for i := range f.Zones {
		z := &f.Zones[i]
		if !r.given(&z.FedBy) {
			continue
		}
		if !slices.Contains(names, z.FedBy) {
			others := slices.DeleteFunc(slices.Clone(names), func(n string) bool { return n == z.Name })
			r.blame(&z.FedBy, didYouMean(z.FedBy, others), "zone %s is fed by %s, which is not in this file", clip(z.Name), clip(z.FedBy))
			continue
		}
		// Noted once for a circle, at its first zone in the file.
		if circle := circleFrom(z.Name, feeder); circle != nil && z.Name == firstOf(circle, f) {
			r.blame(&z.FedBy, "one of them must be fed by an energizer", "the feeding goes round in a circle: %s", strings.Join(circle, " from "))
		}
	}
}

// feeders maps each zone to what feeds it.
func feeders(f *file) map[string]string {
	out := map[string]string{}
	for i := range f.Zones {
		out[f.Zones[i].Name] = f.Zones[i].FedBy
	}
	for i := range f.Energizers {
		delete(out, f.Energizers[i].Name) // a zone of the same name is noted elsewhere
	}
	return out
}

// circleFrom follows the feeding up from a zone. It returns the zones passed when that leads back to the same zone.
func circleFrom(name string, feeder map[string]string) []string {
	path := []string{name}
	for range feeder {
		up, ok := feeder[path[len(path)-1]]
		if !ok {
			return nil
		}
		path = append(path, up)
		if up == name {
			return path
		}
	}
	return nil
}

// firstOf returns the name that comes first in the file.
func firstOf(names []string, f *file) string {
	for i := range f.Zones {
		if slices.Contains(names, f.Zones[i].Name) {
			return f.Zones[i].Name
		}
	}
	return ""
}

// rootOf returns the name at the top of a zone's feeding, or "" when it goes round.
func rootOf(name string, feeder map[string]string) string {
	for range len(feeder) + 1 {
		up, ok := feeder[name]
		if !ok {
			return name
		}
		name = up
	}
	return ""
}

// checkLoops notes joined_to that close no loop.
func (r *reader) checkLoops(f *file) {
	feeder := feeders(f)
	joined := map[[2]string]int{}
	for i := range f.Zones {
		z := &f.Zones[i]
		if !r.given(&z.JoinedTo) {
			continue
		}
		_, known := feeder[z.JoinedTo]
		pair := [2]string{min(z.Name, z.JoinedTo), max(z.Name, z.JoinedTo)}
		switch {
		case z.JoinedTo == z.Name:
			r.blame(&z.JoinedTo, "name the other zone whose far end it meets", "zone %s is joined to itself", clip(z.Name))
		case !known:
			r.blame(&z.JoinedTo, didYouMean(z.JoinedTo, zoneNames(f, z.Name)), "zone %s is joined to %s, which is not a zone in this file", clip(z.Name), clip(z.JoinedTo))
		case rootOf(z.Name, feeder) != rootOf(z.JoinedTo, feeder):
			r.blame(&z.JoinedTo, "a fence has one energizer: two on one wire are not allowed", "zone %s and zone %s hang on different energizers", clip(z.Name), clip(z.JoinedTo))
		case joined[pair] != 0:
			r.blame(&z.JoinedTo, "take one of the two out", "this loop is given before, in line %d", joined[pair])
		default:
			joined[pair] = r.at[&z.JoinedTo].line
		}
	}
}

func zoneNames(f *file, but string) []string {
	var out []string
	for i := range f.Zones {
		if f.Zones[i].Name != but {
			out = append(out, f.Zones[i].Name)
		}
	}
	return out
}

// checkMinimums notes minimums that a zone's energizer cannot give even with no fence on it.
func (r *reader) checkMinimums(f *file, built *farm.Farm) {
	feeder := feeders(f)
	for i := range f.Zones {
		z := &built.Zones[i]
		e := built.Energizer(rootOf(z.Name, feeder))
		if e == nil || e.OpenVolts <= 0 || e.OpenVolts > maxKV*1000 || z.MinimumVolts <= e.OpenVolts || z.MinimumVolts > maxKV*1000 {
			continue
		}
		field := any(&f.Zones[i].MinimumKV)
		if !r.given(field) {
			field = &f.Zones[i].Stock
		}
		r.blame(field, "a stronger energizer, or a lower minimum_kv", "zone %s needs %g kV, and energizer %s gives %g kV at most",
			clip(z.Name), z.MinimumVolts/1000, clip(e.Name), e.OpenVolts/1000)
	}
}
