package line

import "math"

// Solver computes voltages. It keeps its matrix between calls and is not safe for use by two goroutines at once.
type Solver struct {
	net   *Network
	size  int       // rows in use
	a     []float64 // the nodal conductance matrix, row by row, stride wide
	b     []float64
	wide  int
	volts []float64
}

// NewSolver returns a solver for net.
func NewSolver(net *Network) *Solver {
	wide := net.nodes + 2 // a fault adds at most two nodes
	return &Solver{net: net, wide: wide, a: make([]float64, wide*wide), b: make([]float64, wide), volts: make([]float64, wide)}
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
	s.size = s.net.nodes
	if f.Kind == Shunt {
		s.size++
	} else if f.Kind != None {
		s.size += 2
	}
	clear(s.a[:s.size*s.wide])
	clear(s.b[:s.size])
	source := 1 / math.Max(st.SourceOhms, minOhms)
	s.a[0] = source
	s.b[0] = st.OpenVolts * source
	for i := range s.net.Zones {
		z := &s.net.Zones[i]
		if f.Kind != None && f.Zone == i {
			s.split(z, st.Leak[i], f)
			continue
		}
		s.run(z.Start, z.End, z.Ohms, st.Leak[i])
	}
}

// split enters zone z in two runs with the fault between them.
func (s *Solver) split(z *Zone, leak float64, f Fault) {
	part := 0.5
	if z.LengthM > 0 {
		part = min(max(f.AtM/z.LengthM, 0), 1)
	}
	near := s.net.nodes
	far := near
	if f.Kind == Shunt {
		s.a[near*s.wide+near] += 1 / math.Max(f.Ohms, minOhms)
	} else {
		far++
		ohms := f.Ohms
		if f.Kind != Joint {
			ohms = brokenOhms
		}
		s.join(near, far, 1/math.Max(ohms, minOhms))
		if f.Kind != Joint {
			s.a[far*s.wide+far] += trickle
		}
		if f.Kind == Fallen {
			s.a[near*s.wide+near] += 1 / math.Max(f.Ohms, minOhms)
		}
	}
	s.run(z.Start, near, math.Max(z.Ohms*part, minOhms), leak*part)
	s.run(far, z.End, math.Max(z.Ohms*(1-part), minOhms), leak*(1-part))
}

// trickle is a leakage behind a parted wire, siemens: parted at a zone's very end, it has no other, and nothing would
// pull the dead side down.
const trickle = 1e-7

// run enters an evenly leaking line of ohms and leak siemens between two nodes: with x = √(ohms·leak), a conductance
// x/(ohms·sinh x) between its ends and x·tanh(x/2)/ohms from each end to earth.
func (s *Solver) run(p, q int, ohms, leak float64) {
	x2 := ohms * leak
	if x2 < 1e-4 { // the series, where the closed form loses digits; the next term is under 1e-9
		s.join(p, q, (1-x2/6)/ohms)
		toEarth := leak / 2 * (1 - x2/12)
		s.a[p*s.wide+p] += toEarth
		s.a[q*s.wide+q] += toEarth
		return
	}
	x := math.Sqrt(x2)
	s.join(p, q, x/(ohms*math.Sinh(x)))
	toEarth := x * math.Tanh(x/2) / ohms
	s.a[p*s.wide+p] += toEarth
	s.a[q*s.wide+q] += toEarth
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
	for k := range s.size {
		v := s.b[k]
		for j := range k {
			v -= s.a[k*w+j] * s.volts[j]
		}
		s.volts[k] = v / s.a[k*w+k]
	}
}
