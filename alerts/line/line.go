// Package line models the fence as what it is electrically, a leaky resistive line: from the leakage of each zone to
// the voltages at the sensors, and from those voltages back to leakages and faults, with error bars.
//
// Every zone is an evenly leaking line between two nodes, solved in closed form (the hyperbolic equations of
// transmission lines with neither inductance nor capacity); the zones meet in a nodal matrix, so that loops are as
// easy as trees. Peaks of short pulses are treated as direct voltages: on steel wire the ohms at pulse frequencies
// are higher than the ohms at rest, which is why ohms per kilometre is a setting.
package line

import (
	"fmt"
	"math"
	"slices"

	"nightwire/ingest/farm"
)

// Network is the fence that one energizer feeds. Node 0 is the energizer's output; each zone's far end is a node,
// shared by two zones that are joined there.
type Network struct {
	Zones []Zone // each after the zone that feeds it

	OpenVolts  float64
	SourceOhms float64 // the energizer's own and its earth together

	nodes int
	loops []bool // by zone, whether it lies on a loop
}

// Zone is one zone of a network.
type Zone struct {
	*farm.Zone
	Parent int // index of the zone that feeds it, -1 when the energizer does
	Start  int // node
	End    int // node
	Ohms   float64
}

// minOhms keeps a zone of no length from making two nodes one; no fence wire is that good.
const minOhms = 0.01

// New returns the network fed by the energizer called name.
func New(f *farm.Farm, name string) (*Network, error) {
	e := f.Energizer(name)
	if e == nil {
		return nil, fmt.Errorf("no energizer is called %q", name)
	}
	n := &Network{OpenVolts: e.OpenVolts, SourceOhms: e.SourceOhms + e.EarthOhms, nodes: 1}
	index := map[string]int{}
	for i, z := range f.Feeding(name) {
		parent, start := -1, 0
		if p, ok := index[z.FedBy]; ok {
			parent, start = p, n.Zones[p].End
		}
		index[z.Name] = i
		n.Zones = append(n.Zones, Zone{Zone: z, Parent: parent, Start: start, End: -1, Ohms: max(z.Ohms(), minOhms)})
		end := n.nodes
		if j, ok := index[z.JoinedTo]; ok && j < i {
			end = n.Zones[j].End
		} else {
			n.nodes++
		}
		n.Zones[i].End = end
	}
	n.joinForward(index)
	n.loops = make([]bool, len(n.Zones))
	for z := range n.loops {
		n.loops[z] = n.reachedWithout(z)
	}
	return n, nil
}

// joinForward merges the far ends of zones joined to one that came later in feeding order.
func (n *Network) joinForward(index map[string]int) {
	for i := range n.Zones {
		j, ok := index[n.Zones[i].JoinedTo]
		if !ok || j < i {
			continue
		}
		from, to := n.Zones[j].End, n.Zones[i].End
		for k := range n.Zones {
			if n.Zones[k].Start == from {
				n.Zones[k].Start = to
			}
			if n.Zones[k].End == from {
				n.Zones[k].End = to
			}
		}
	}
}

// Behind reports whether zone i gets its pulses through zone z alone: it is z itself or fed by way of z, and no loop
// closes round z.
func (n *Network) Behind(i, z int) bool {
	if n.InLoop(z) {
		return false
	}
	for ; i >= 0; i = n.Zones[i].Parent {
		if i == z {
			return true
		}
	}
	return false
}

// InLoop reports whether zone z lies on a loop, so that breaking it leaves every zone fed from the other side.
func (n *Network) InLoop(z int) bool { return n.loops[z] }

// reachedWithout reports whether the end of zone z can still be reached from the energizer when z is removed.
func (n *Network) reachedWithout(z int) bool {
	reached := make([]bool, n.nodes)
	reached[0] = true
	for range n.Zones {
		for k, b := range n.Zones {
			if k != z && reached[b.Start] != reached[b.End] {
				reached[b.Start], reached[b.End] = true, true
			}
		}
	}
	return reached[n.Zones[z].End]
}

// State is what may differ from one hour to the next.
type State struct {
	OpenVolts  float64
	SourceOhms float64
	Leak       []float64 // leakage to earth of each zone over its whole length, siemens
	Joints     []float64 // ohms somewhere in each zone more than as strung; nil where there are none
}

// CleanLeakPerKM is the leakage we expect of a well-strung fence with no growth on it, siemens per kilometre.
// Insulators alone give about 1.2e-5 (100 a kilometre at the 8.3 megohms measured in rain for glass insulators, The
// Telegrapher 9:351, 1873); the rest is posts, joints and the first grass. Common practice, no source.
const CleanLeakPerKM = 5e-5

// Clean returns the state of the network as laid out, with no growth on it.
func (n *Network) Clean() State {
	s := State{OpenVolts: n.OpenVolts, SourceOhms: n.SourceOhms, Leak: make([]float64, len(n.Zones))}
	for i, z := range n.Zones {
		s.Leak[i] = CleanLeakPerKM * math.Max(z.LengthM, 1) / 1000
	}
	return s
}

// Copy returns a state that shares nothing with s.
func (s State) Copy() State {
	s.Leak, s.Joints = slices.Clone(s.Leak), slices.Clone(s.Joints)
	return s
}

// FaultKind says what sort of fault a zone has.
type FaultKind uint8

// The kinds of fault.
const (
	None   FaultKind = iota
	Shunt            // a path of Ohms to earth at AtM
	Break            // the wire parted at AtM
	Joint            // Ohms in series at AtM
	Fallen           // parted at AtM, the live end on the ground through Ohms
)

// Fault is one fault in one zone.
type Fault struct {
	Kind FaultKind
	Zone int     // index in the network
	AtM  float64 // from the zone's start
	Ohms float64

	Nearer bool // than the zone's joint in the state, which is otherwise taken to be at its start
}

// BrokenOhms stands for a parted wire in the nodal matrix.
const BrokenOhms = 1e10
