package sim

import "slices"

// circuit is a network of resistors to earth, solved by nodal analysis: G·v = i, with G the conductance matrix.
// The matrix is factored as LDLᵀ along an order chosen once by least degree, so that a tree costs one step a node and
// each loop adds only its own fill-in. The pattern is fixed by compile; values may change between solves.
type circuit struct {
	edges []edge
	leak  []float64 // siemens from each node to earth
	in    []float64 // amperes driven into each node
	volts []float64 // the answer

	steps    []step
	diag     []float64
	off      []float64 // off-diagonal values of G, then of its factor, by slot
	edgeSlot []int
}

// edge is a resistor between two nodes.
type edge struct {
	a, b    int
	siemens float64
}

// step eliminates one node: its neighbours that are still there, the slots of its links to them, and for each pair of
// them the slot that takes the fill.
type step struct {
	node  int
	to    []int
	slots []int
	fill  []int // slot of (to[i], to[j]), i < j, row by row
}

// leastLeak keeps a part of the fence that a break cut off solvable: a picosiemens to earth pulls it to zero.
const leastLeak = 1e-12

func (c *circuit) node() int {
	c.leak = append(c.leak, 0)
	c.in = append(c.in, 0)
	return len(c.leak) - 1
}

func (c *circuit) connect(a, b int, siemens float64) int {
	c.edges = append(c.edges, edge{a, b, siemens})
	return len(c.edges) - 1
}

// compile fixes the order of elimination. It must be called after the last node and edge and before the first solve.
func (c *circuit) compile() {
	n := len(c.leak)
	c.volts = make([]float64, n)
	c.diag = make([]float64, n)
	slot := map[[2]int]int{}
	key := func(a, b int) [2]int { return [2]int{min(a, b), max(a, b)} }
	links := make([]map[int]bool, n)
	for i := range links {
		links[i] = map[int]bool{}
	}
	slotOf := func(a, b int) int {
		s, ok := slot[key(a, b)]
		if !ok {
			s = len(slot)
			slot[key(a, b)] = s
			links[a][b], links[b][a] = true, true
		}
		return s
	}
	for _, e := range c.edges {
		c.edgeSlot = append(c.edgeSlot, slotOf(e.a, e.b))
	}
	queue := newDegreeQueue(links)
	for p, ok := queue.pop(links); ok; p, ok = queue.pop(links) {
		st := step{node: p}
		for i := range links[p] {
			st.to = append(st.to, i)
		}
		slices.Sort(st.to)
		for i, a := range st.to {
			st.slots = append(st.slots, slotOf(p, a))
			delete(links[a], p)
			for _, b := range st.to[i+1:] {
				st.fill = append(st.fill, slotOf(a, b))
			}
		}
		for _, a := range st.to {
			queue.put(a, len(links[a]))
		}
		c.steps = append(c.steps, st)
	}
	c.off = make([]float64, len(slot))
}

// degreeQueue hands out nodes, those with the fewest links first. A node is put again whenever its links change; what
// it was put under before is then out of date and passed over.
type degreeQueue struct {
	byDegree [][]int
	gone     []bool
}

func newDegreeQueue(links []map[int]bool) *degreeQueue {
	q := &degreeQueue{gone: make([]bool, len(links))}
	for i := len(links) - 1; i >= 0; i-- {
		q.put(i, len(links[i]))
	}
	return q
}

func (q *degreeQueue) put(node, degree int) {
	for len(q.byDegree) <= degree {
		q.byDegree = append(q.byDegree, nil)
	}
	q.byDegree[degree] = append(q.byDegree[degree], node)
}

func (q *degreeQueue) pop(links []map[int]bool) (node int, ok bool) {
	for d := range q.byDegree {
		for len(q.byDegree[d]) > 0 {
			last := len(q.byDegree[d]) - 1
			node, q.byDegree[d] = q.byDegree[d][last], q.byDegree[d][:last]
			if !q.gone[node] && len(links[node]) == d {
				q.gone[node] = true
				return node, true
			}
		}
	}
	return 0, false
}

// solve computes volts from the present values. It allocates nothing.
func (c *circuit) solve() {
	clear(c.off)
	for i, g := range c.leak {
		c.diag[i] = g + leastLeak
		c.volts[i] = c.in[i]
	}
	for i, e := range c.edges {
		c.diag[e.a] += e.siemens
		c.diag[e.b] += e.siemens
		c.off[c.edgeSlot[i]] -= e.siemens
	}
	for k := range c.steps {
		c.eliminate(&c.steps[k])
	}
	for k := len(c.steps) - 1; k >= 0; k-- {
		st := &c.steps[k]
		v := c.volts[st.node]
		for i, n := range st.to {
			v -= c.off[st.slots[i]] * c.volts[n]
		}
		c.volts[st.node] = v / c.diag[st.node]
	}
}

func (c *circuit) eliminate(st *step) {
	d, v := c.diag[st.node], c.volts[st.node]
	fill := 0
	for i, a := range st.to {
		f := c.off[st.slots[i]] / d
		c.volts[a] -= f * v
		c.diag[a] -= f * c.off[st.slots[i]]
		for j := i + 1; j < len(st.to); j++ {
			c.off[st.fill[fill]] -= f * c.off[st.slots[j]]
			fill++
		}
	}
}
