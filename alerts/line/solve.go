package line

import "math"

// Solver computes voltages. It keeps its matrix between calls and is not safe for use by two goroutines at once.
type Solver struct {
	net   *Network
	size  int       // rows in use
	a     []float64 // the nodal conductance matrix, row by row, stride wide; once solved, its factors
	b     []float64
	wide  int
	volts []float64
	moved []float64 // scratch of Slopes
	whole []span    // each zone as it was last entered whole: most are the same from one call to the next
	start []int     // each zone's start, behind its joint where it has one
	parts [2]span   // of the zone that a fault splits
	fault Fault
}

// NewSolver returns a solver for net.
func NewSolver(net *Network) *Solver {
	wide := net.nodes + 2 + len(net.Zones) // a fault adds at most two nodes, a joint one
	return &Solver{net: net, wide: wide, a: make([]float64, wide*wide), b: make([]float64, wide), volts: make([]float64, wide), moved: make([]float64, wide), whole: make([]span, len(net.Zones)), start: make([]int, len(net.Zones))}
}

// Volts writes the voltages with fault f into dst and returns it: dst[0] is the energizer's output and dst[i+1] the
// far end of zone i. dst must hold one more than there are zones. It does not allocate.
func (s *Solver) Volts(dst []float64, st State, f Fault) []float64 {
	s.build(st, f)
	s.solve()
	dst[0] = s.volts[0]
	for i := range s.net.Zones {
		dst[i+1] = s.volts[s.net.Zones[i].End]
	}
	return dst
}

// FaultVolts returns the voltage at the fault of the last call of Volts. It means nothing after a call with no fault.
func (s *Solver) FaultVolts() float64 { return s.volts[s.net.nodes] }

func (s *Solver) build(st State, f Fault) {
	s.size, s.fault = s.net.nodes, f
	if f.Kind == Shunt {
		s.size++
	} else if f.Kind != None {
		s.size += 2
	}
	for i := range s.net.Zones {
		s.start[i] = s.net.Zones[i].Start
		if st.Joints != nil && st.Joints[i] > 0 {
			s.start[i] = s.size
			s.size++
		}
	}
	clear(s.a[:s.size*s.wide])
	clear(s.b[:s.size])
	source := 1 / math.Max(st.SourceOhms, minOhms)
	s.a[0] = source
	s.b[0] = st.OpenVolts * source
	for i := range s.net.Zones {
		z := &s.net.Zones[i]
		before := z.Start // the joint
		if f.Kind != None && f.Zone == i {
			before = s.split(z, st.Leak[i], f)
		}
		if s.start[i] != z.Start {
			s.join(before, s.start[i], 1/math.Max(st.Joints[i], minOhms))
		}
		if f.Kind != None && f.Zone == i {
			continue
		}
		w := &s.whole[i]
		if w.leak != st.Leak[i] || w.ohms != z.Ohms {
			*w = newSpan(z.Ohms, st.Leak[i])
		}
		s.enter(s.start[i], z.End, w)
	}
}

// split enters zone z in two runs with the fault between them, and returns the node before its joint.
func (s *Solver) split(z *Zone, leak float64, f Fault) (before int) {
	part := 0.5
	if z.LengthM > 0 {
		part = min(max(f.AtM/z.LengthM, 0), 1)
	}
	near, far := s.ends()
	if f.Kind == Shunt {
		s.a[near*s.wide+near] += 1 / math.Max(f.Ohms, minOhms)
	} else {
		ohms := f.Ohms
		if f.Kind != Joint {
			ohms = BrokenOhms
		}
		s.join(near, far, 1/math.Max(ohms, minOhms))
		if f.Kind != Joint {
			s.a[far*s.wide+far] += trickle
		}
		if f.Kind == Fallen {
			s.a[near*s.wide+near] += 1 / math.Max(f.Ohms, minOhms)
		}
	}
	s.parts[0], s.parts[1] = newSpan(math.Max(z.Ohms*part, minOhms), leak*part), newSpan(math.Max(z.Ohms*(1-part), minOhms), leak*(1-part))
	first, last, before := s.runs(f.Zone, near, far)
	s.enter(first, near, &s.parts[0])
	s.enter(last, z.End, &s.parts[1])
	return before
}

// runs returns the nodes at which the two runs of the faulty zone begin, and the one before its joint.
func (s *Solver) runs(zone, near, far int) (first, last, before int) {
	start, behind := s.net.Zones[zone].Start, s.start[zone]
	if s.fault.Nearer && behind != start {
		return start, behind, far
	}
	return behind, far, start
}

// ends returns the nodes on either side of the fault.
func (s *Solver) ends() (near, far int) {
	near = s.net.nodes
	if s.fault.Kind == Shunt {
		return near, near
	}
	return near, near + 1
}

// trickle is a leakage behind a parted wire, siemens: parted at a zone's very end, it has no other, and nothing would
// pull the dead side down.
const trickle = 1e-7

// span is an evenly leaking line of ohms and leak siemens between two nodes: with x = √(ohms·leak), a conductance
// x/(ohms·sinh x) between its ends and x·tanh(x/2)/ohms from each end to earth.
type span struct {
	ohms, leak     float64
	along, toEarth float64
}

func newSpan(ohms, leak float64) span {
	x2 := ohms * leak
	if x2 < 1e-4 { // the series, where the closed form loses digits; the next term is under 1e-9
		return span{ohms, leak, (1 - x2/6) / ohms, leak / 2 * (1 - x2/12)}
	}
	x := math.Sqrt(x2)
	return span{ohms, leak, x / (ohms * math.Sinh(x)), x * math.Tanh(x/2) / ohms}
}

// slopes returns how the two conductances go with the logarithm of the leakage.
func (w *span) slopes() (along, toEarth float64) {
	x2 := w.ohms * w.leak
	if x2 < 1e-4 {
		return -x2 / 6 / w.ohms, w.leak / 2 * (1 - x2/6)
	}
	x := math.Sqrt(x2) // its own logarithm goes half as fast
	half := math.Tanh(x / 2)
	return w.along * (1 - x/math.Tanh(x)) / 2, (x*half + x2/2*(1-half*half)) / (2 * w.ohms)
}

// enter adds a span between two nodes to the matrix.
func (s *Solver) enter(p, q int, w *span) {
	s.join(p, q, w.along)
	s.a[p*s.wide+p] += w.toEarth
	s.a[q*s.wide+q] += w.toEarth
}

// join enters a conductance between two nodes.
func (s *Solver) join(p, q int, siemens float64) {
	s.a[p*s.wide+p] += siemens
	s.a[q*s.wide+q] += siemens
	s.a[p*s.wide+q] -= siemens
	s.a[q*s.wide+p] -= siemens
}

// solve eliminates from the last node to the first. Nodes are numbered outward, so that on a tree each row has one
// neighbour left when its turn comes, and nothing fills in. Conductances are positive and the matrix is symmetric, so
// the pivots need no choosing.
func (s *Solver) solve() {
	w := s.wide
	for k := s.size - 1; k > 0; k-- {
		pivot := s.a[k*w+k]
		if pivot <= 0 { // a dead end with neither wire nor leakage
			s.b[k] = 0
			s.a[k*w+k] = 1
			continue
		}
		for i := range k {
			m := s.a[i*w+k]
			if m == 0 {
				continue
			}
			m /= pivot
			for j := range k {
				s.a[i*w+j] -= m * s.a[k*w+j]
			}
			s.b[i] -= m * s.b[k]
		}
	}
	s.forward(s.volts)
}

// forward gives x, to which it writes, from b: each node's value from those before it.
func (s *Solver) forward(x []float64) {
	for k := range s.size {
		v := s.b[k]
		for j, g := range s.a[k*s.wide : k*s.wide+k] {
			v -= g * x[j]
		}
		x[k] = v / s.a[k*s.wide+k]
	}
}

// Slopes writes into dst how the voltages of the last call of Volts go with the logarithm of the leakage of a zone, in
// volts; dst is laid out as there. It does not allocate.
func (s *Solver) Slopes(dst []float64, zone int) []float64 {
	clear(s.b[:s.size])
	z := &s.net.Zones[zone]
	if s.fault.Kind != None && s.fault.Zone == zone {
		near, far := s.ends()
		first, last, _ := s.runs(zone, near, far)
		s.lean(first, near, &s.parts[0])
		s.lean(last, z.End, &s.parts[1])
	} else {
		s.lean(s.start[zone], z.End, &s.whole[zone])
	}
	for k := s.size - 1; k > 0; k-- {
		if s.b[k] == 0 {
			continue
		}
		m := s.b[k] / s.a[k*s.wide+k]
		for i := range k {
			s.b[i] -= m * s.a[i*s.wide+k]
		}
	}
	s.forward(s.moved)
	dst[0] = s.moved[0]
	for i := range s.net.Zones {
		dst[i+1] = s.moved[s.net.Zones[i].End]
	}
	return dst
}

// lean enters into b what a change of the span's leakage asks of the currents at its ends.
func (s *Solver) lean(p, q int, w *span) {
	along, toEarth := w.slopes()
	s.b[p] -= along*(s.volts[p]-s.volts[q]) + toEarth*s.volts[p]
	s.b[q] -= along*(s.volts[q]-s.volts[p]) + toEarth*s.volts[q]
}
