package rolling

import "math"

// ring holds the last few values in order of arrival. Its buffer is twice as long as it need be, so that the values
// are always one contiguous slice; when the buffer is full they slide back to its start, once in size pushes.
type ring struct {
	buf   []float64
	start int
	size  int
}

func newRing(size int) ring {
	if size < 1 {
		panic("rolling: a window needs room for at least one value")
	}
	return ring{buf: make([]float64, 0, 2*size), size: size}
}

func (r *ring) values() []float64 { return r.buf[r.start:] }
func (r *ring) len() int          { return len(r.buf) - r.start }
func (r *ring) full() bool        { return r.len() == r.size }
func (r *ring) reset()            { r.buf, r.start = r.buf[:0], 0 }

// push adds the newest value; the ring must not be full.
func (r *ring) push(x float64) {
	if len(r.buf) == cap(r.buf) {
		n := copy(r.buf, r.values())
		r.buf, r.start = r.buf[:n], 0
	}
	r.buf = append(r.buf, x)
}

// pop removes and returns the oldest value; the ring must not be empty.
func (r *ring) pop() float64 {
	x := r.buf[r.start]
	r.start++
	return x
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
