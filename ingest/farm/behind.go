package farm

import "slices"

// StockBehind returns the kinds of animals that may get out where the fence is off at s: those of the zone itself and of
// the zones that meet it, for an energizer those of every zone that it feeds.
func (f *Farm) StockBehind(s Source) []string {
	var out []string
	for i := range f.Zones {
		z := &f.Zones[i]
		if z.Stock != "" && !slices.Contains(out, z.Stock) && f.touches(z, s) {
			out = append(out, z.Stock)
		}
	}
	return out
}

// touches reports whether z is s, meets it end to end, or hangs on it as on an energizer. Fields side by side share a
// post, and that is as near as the farm file can tell.
func (f *Farm) touches(z *Zone, s Source) bool {
	if z.Source() == s {
		return true
	}
	for i := range f.Zones {
		o := &f.Zones[i]
		if o.Source() == s {
			return z.FedBy == o.Name || o.FedBy == z.Name || z.JoinedTo == o.Name || o.JoinedTo == z.Name
		}
	}
	for i := range f.Energizers {
		if e := &f.Energizers[i]; e.Source() == s {
			return slices.Contains(f.Feeding(e.Name), z)
		}
	}
	return false
}
