package sim

import (
	"math"
	"slices"

	"nightwire/ingest/farm"
)

const (
	// soundJointOhms closes a place where a fault may open the wire later. It is far below what any span has.
	soundJointOhms = 1e-4
	// A run of wire is cut into lumps so short that r·g·l² is at most lumpLoad at a leak of heavyLeak: a lump with half
	// its leak at either end is then wrong by a twelfth of that, 0.2 %.
	lumpLoad   = 0.025
	heavyLeak  = 2e-3 // siemens per kilometre
	leastSpans = 3    // so that growth can be patchy
	mostSpans  = 40
)

// network is the fence as a circuit: each strand of a zone a chain of spans from the end of the thing that feeds the
// zone to the zone's own end, where all strands meet and the sensor stands.
type network struct {
	circuit
	energizers []source
	zones      []run
}

// source is an energizer as a Thevenin source between the soil and its terminal.
type source struct {
	node int
}

// run is one zone's wires.
type run struct {
	end     int
	ohms    float64
	strands []strand
}

// strand is one wire of a zone. Spans run in order from the zone's start.
type strand struct {
	spans  []span
	joints []joint
	begin  int // edge of the clamp at the zone's start, opened when the zone is taken down
}

type span struct {
	a, b   int
	km     float64
	edge   int
	weight float64 // this stretch's share of growth against the zone's mean
}

// joint is a place where a fault sits: an edge that can open, and the node before and after it.
type joint struct {
	atM           float64
	edge          int
	before, after int
}

// build lays out the farm with a joint at each of the given places, by zone name. weight gives a stretch's share of
// growth and is called once per span in order. The farm has been checked.
func build(f *farm.Farm, strands func(zone string) int, places map[string][]float64, weight func(zone string) float64) *network {
	n := &network{zones: make([]run, len(f.Zones))}
	ends := map[string]int{}
	for _, e := range f.Energizers {
		node := n.node()
		n.energizers = append(n.energizers, source{node: node})
		ends[e.Name] = node
	}
	for i := range f.Zones {
		n.zones[i].end = n.node()
		ends[f.Zones[i].Name] = n.zones[i].end
	}
	for i := range f.Zones {
		z := &f.Zones[i]
		from := ends[z.FedBy]
		r := &n.zones[i]
		r.ohms = z.Ohms()
		count := max(1, strands(z.Name))
		for range count {
			s := n.lay(from, r.end, z, places[z.Name], count, func() float64 { return weight(z.Name) })
			r.strands = append(r.strands, s)
		}
		if z.JoinedTo != "" {
			n.connect(r.end, ends[z.JoinedTo], 1/soundJointOhms)
		}
	}
	n.compile()
	return n
}

// lay strings one wire of a zone from node from to node to.
func (n *network) lay(from, to int, z *farm.Zone, places []float64, count int, weight func() float64) strand {
	var s strand
	ohmsPerKM := z.OhmsPerKM * float64(count) // each strand carries a share, so each alone has more
	cuts := spanCuts(z.LengthM, ohmsPerKM, places)
	a := n.node()
	s.begin = n.connect(from, a, 1/soundJointOhms)
	if slices.Contains(places, 0) {
		a = n.joint(&s, 0, a)
	}
	for i := 1; i < len(cuts); i++ {
		km := (cuts[i] - cuts[i-1]) / 1000
		b := to
		if i < len(cuts)-1 || slices.Contains(places, cuts[i]) {
			b = n.node()
		}
		e := n.connect(a, b, 1/max(ohmsPerKM*km, soundJointOhms))
		s.spans = append(s.spans, span{a: a, b: b, km: km, edge: e, weight: weight()})
		a = b
		if slices.Contains(places, cuts[i]) {
			a = n.joint(&s, cuts[i], a)
		}
	}
	if a != to {
		n.connect(a, to, 1/soundJointOhms)
	}
	normalise(s.spans)
	return s
}

// joint adds a closed joint after node a and returns the node beyond it.
func (n *network) joint(s *strand, atM float64, a int) int {
	b := n.node()
	s.joints = append(s.joints, joint{atM: atM, edge: n.connect(a, b, 1/soundJointOhms), before: a, after: b})
	return b
}

// spanCuts returns where a zone's wire is cut, its start and end included.
func spanCuts(lengthM, ohmsPerKM float64, places []float64) []float64 {
	lumpM := 1000 * math.Sqrt(lumpLoad/(heavyLeak*max(ohmsPerKM, 1)))
	k := max(int(min(math.Ceil(lengthM/lumpM), mostSpans)), leastSpans)
	var cuts []float64
	for i := range k + 1 {
		cuts = append(cuts, lengthM*float64(i)/float64(k))
	}
	cuts = append(cuts, places...)
	slices.Sort(cuts)
	return slices.Compact(cuts)
}

// normalise makes the mean weight over the strand's length one, so that patchy growth adds up to the zone's.
func normalise(spans []span) {
	var sum, km float64
	for _, s := range spans {
		sum += s.weight * s.km
		km += s.km
	}
	for i := range spans {
		spans[i].weight *= km / sum
	}
}

// feed sets an energizer's source: open peak volts behind source and earth ohms.
func (n *network) feed(i int, openVolts, ohms float64) {
	node := n.energizers[i].node
	n.leak[node] += 1 / ohms
	n.in[node] = openVolts / ohms
}

// leakage sets a strand's leak, in siemens per kilometre: even is the same all along, patchy follows the growth.
// Half of each span's goes to either end of it.
func (n *network) leakage(s *strand, even, patchy float64) {
	for i := range s.spans {
		sp := &s.spans[i]
		half := (even + patchy*sp.weight) * sp.km / 2
		n.leak[sp.a] += half
		n.leak[sp.b] += half
	}
}

// at returns the joint of a strand at the given metre.
func (s *strand) at(m float64) *joint {
	i := slices.IndexFunc(s.joints, func(j joint) bool { return j.atM == m })
	if i < 0 {
		return nil
	}
	return &s.joints[i]
}

// near returns the node of a strand nearest to the given metre.
func (s *strand) near(m float64) int {
	at, node := 0.0, s.spans[0].a
	for _, sp := range s.spans {
		if next := at + sp.km*1000; math.Abs(next-m) < math.Abs(at-m) {
			at, node = next, sp.b
			continue
		}
		break
	}
	return node
}
