package store

import (
	"encoding/binary"
	"math/bits"
	"slices"
)

// A column is a list of whole numbers that resemble one another: the times of a block, or one field of it. It is
// brought down to small numbers in three steps, each chosen so that the result is shortest:
//
//   - a grid: the greatest common divisor of all differences, so that 10 V steps or whole seconds cost nothing;
//   - a level to take them from: the numbers' own middle where they are noise about it, or (order 1) the middle of
//     their differences, for times of a sensor that reports every minute, and counters. Differences of neighbouring
//     differences, the usual way with times, came out a tenth of a byte longer for each reading with 500 ms jitter;
//   - a code: Rice codes of the zigzag residuals or, where most are zero, runs of zeros in between.
//
// Arithmetic wraps around on purpose: any list of int64 comes back as it was.
//
// On disk: flags (order, runs<<1), Rice parameter, grid, first number, level, then the bits.

const runsFlag = 1 << 1

// plan is one way to write a column.
type plan struct {
	order byte
	k     uint
	level int64
	cost  uint64
}

// packer holds the scratch space of packing, so that a run over many blocks allocates little.
type packer struct {
	grid, residuals, best, sample []int64

	ints          [3][]int64
	values, third []int64
	floats        []float64
	bytes         []byte
}

// column appends vals to dst.
func (p *packer) column(dst []byte, vals []int64) []byte {
	if len(vals) == 0 {
		return dst
	}
	first := vals[0]
	step := commonStep(vals)
	p.grid = p.grid[:0]
	for _, v := range vals {
		p.grid = append(p.grid, divide(v-first, step))
	}
	chosen := p.choose()
	zeros := 0
	for _, r := range p.best {
		if r == 0 {
			zeros++
		}
	}
	flags, body := chosen.order, plain(p.best, chosen.k)
	if zeros > len(p.best)/2 {
		if k, b := withRuns(p.best); len(b) < len(body) {
			flags, body, chosen.k = flags|runsFlag, b, k
		}
	}
	dst = append(dst, flags, byte(chosen.k))
	dst = binary.AppendUvarint(dst, step)
	dst = binary.AppendUvarint(dst, zigzag(first))
	dst = binary.AppendUvarint(dst, zigzag(chosen.level))
	return append(dst, body...)
}

// choose leaves the residuals of the cheapest plan in p.best.
func (p *packer) choose() plan {
	var best plan
	for order := range byte(min(2, len(p.grid))) {
		level := p.level(order)
		p.residuals = appendResiduals(p.residuals[:0], p.grid, order, level)
		k, cost := riceParameter(p.residuals)
		if order == 0 || cost < best.cost {
			best = plan{order: order, k: k, level: level, cost: cost}
			p.best, p.residuals = p.residuals, p.best
		}
	}
	return best
}

// level returns what residuals of the given order are taken from. It is a median, of at most 65 numbers: a mean
// would be dragged off by a single gap.
func (p *packer) level(order byte) int64 {
	p.sample = p.sample[:0]
	stride := len(p.grid)/64 + 1
	for i := int(order); i < len(p.grid); i += stride {
		v := p.grid[i]
		if order == 1 {
			v -= p.grid[i-1]
		}
		p.sample = append(p.sample, v)
	}
	slices.Sort(p.sample)
	return p.sample[len(p.sample)/2]
}

func appendResiduals(dst, grid []int64, order byte, level int64) []int64 {
	if order == 0 {
		for _, q := range grid {
			dst = append(dst, q-level)
		}
		return dst
	}
	for i, q := range grid[1:] {
		dst = append(dst, q-grid[i]-level)
	}
	return dst
}

// riceParameter returns the best Rice parameter for the residuals and about how many bits they will take.
func riceParameter(residuals []int64) (k uint, cost uint64) {
	var lengths [65]uint64 // how many residuals have so many bits
	longest := 0
	for _, r := range residuals {
		n := bits.Len64(zigzag(r))
		lengths[n]++
		longest = max(longest, n)
	}
	cost = ^uint64(0)
	for try := range uint(min(maxRice, longest) + 1) {
		var c uint64
		for n, count := range lengths[:longest+1] {
			if count > 0 {
				c += count * riceBits(uint(n), try)
			}
		}
		if c < cost {
			k, cost = try, c
		}
	}
	return k, cost
}

// riceBits is about the length of the code for a number of n bits: such numbers average three quarters of 1<<n.
func riceBits(n, k uint) uint64 {
	if n <= k {
		return uint64(k) + 1
	}
	over := n - k
	if over > 5 { // three quarters of 1<<5 is escapeAt
		return escapeAt + 64
	}
	return uint64(k) + 1 + 3<<over/4
}

func plain(residuals []int64, k uint) []byte {
	w := bitWriter{free: 64, buf: make([]byte, 0, len(residuals)*2+16)}
	for _, r := range residuals {
		w.rice(zigzag(r), k)
	}
	return w.bytes()
}

// withRuns writes a run of zeros before each residual that is not zero, and one at the end.
func withRuns(residuals []int64) (k uint, body []byte) {
	others := slices.DeleteFunc(slices.Clone(residuals), func(r int64) bool { return r == 0 })
	k, _ = riceParameter(others)
	w := bitWriter{free: 64}
	run := uint64(0)
	for _, r := range residuals {
		if r == 0 {
			run++
			continue
		}
		w.gamma(run + 1)
		w.rice(zigzag(r)-1, k)
		run = 0
	}
	if run > 0 {
		w.gamma(run + 1)
	}
	return k, w.bytes()
}

// unpackColumn reads n numbers into dst, which is grown as needed. The caller bounds n.
func unpackColumn(dst []int64, b []byte, n int) ([]int64, error) {
	dst = slices.Grow(dst[:0], n)[:n]
	if n == 0 {
		return dst, nil
	}
	r := byteReader{buf: b}
	flags, k := r.byte(), uint(r.byte())
	step, first, level := r.uvarint(), r.varint(), r.varint()
	order := int(flags &^ runsFlag)
	if r.failed || order > 1 || order >= n || k > maxRice {
		return nil, errDamaged
	}
	in := bitReader{buf: r.buf}
	residuals := dst[order:]
	if flags&runsFlag != 0 {
		if !readRuns(&in, residuals, k) {
			return nil, errDamaged
		}
	} else {
		for i := range residuals {
			residuals[i] = unzigzag(in.rice(k))
		}
	}
	if in.overrun() {
		return nil, errDamaged
	}
	integrate(dst, order, first, level, int64(step))
	return dst, nil
}

func readRuns(in *bitReader, residuals []int64, k uint) bool {
	for i := 0; i < len(residuals); i++ {
		run := in.gamma()
		if run == 0 || run-1 > uint64(len(residuals)-i) {
			return false
		}
		end := i + int(run-1)
		clear(residuals[i:end])
		i = end
		if i < len(residuals) {
			residuals[i] = unzigzag(in.rice(k) + 1)
		}
	}
	return true
}

// integrate turns residuals of the given order, in dst from that index on, back into numbers.
func integrate(dst []int64, order int, first, level, step int64) {
	if order == 0 {
		for i, r := range dst {
			dst[i] = first + (r+level)*step
		}
		return
	}
	dst[0] = first
	for i := 1; i < len(dst); i++ {
		dst[i] = dst[i-1] + (dst[i]+level)*step
	}
}

// commonStep returns the greatest common divisor of all differences from the first number, and 1 when there are none.
func commonStep(vals []int64) uint64 {
	var g uint64
	for _, v := range vals[1:] {
		d := magnitude(v - vals[0])
		for d != 0 {
			g, d = d, g%d
		}
		if g == 1 {
			break
		}
	}
	return max(g, 1)
}

func magnitude(d int64) uint64 {
	if d < 0 {
		return -uint64(d)
	}
	return uint64(d)
}

// divide is exact: step divides d.
func divide(d int64, step uint64) int64 {
	switch {
	case step == 1:
		return d
	case d < 0:
		return -int64(magnitude(d) / step)
	default:
		return int64(uint64(d) / step)
	}
}
