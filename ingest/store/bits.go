package store

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

// errDamaged is what every decoder returns for bytes that it did not write.
var errDamaged = errors.New("the stored bytes are damaged")

// Rice codes write a number as a quotient in unary and k low bits. A quotient of escapeAt or more stands for a
// number too far out for that: 64 plain bits follow. maxRice keeps a whole code within the 57 bits that one load
// gives whatever the bit offset.
const (
	escapeAt = 24
	maxRice  = 57 - escapeAt - 1
)

// bitWriter appends numbers to buf, most significant bit first.
type bitWriter struct {
	buf  []byte
	acc  uint64 // the bits not yet in buf, in its low end
	free uint   // how many more acc can take, 1 to 64
}

func (w *bitWriter) write(v uint64, n uint) {
	if n < w.free {
		w.acc = w.acc<<n | v
		w.free -= n
		return
	}
	rest := n - w.free // bits that do not fit
	w.buf = binary.BigEndian.AppendUint64(w.buf, w.acc<<w.free|v>>rest)
	w.acc, w.free = v&(1<<rest-1), 64-rest
}

// rice writes u with parameter k.
func (w *bitWriter) rice(u uint64, k uint) {
	q := u >> k
	if q >= escapeAt {
		w.write(1<<escapeAt-1, escapeAt)
		w.write(u, 64)
		return
	}
	w.write((1<<q-1)<<1, uint(q)+1) // q ones and a zero
	w.write(u&(1<<k-1), k)
}

// gamma writes u ≥ 1 in Elias's gamma code: short for short runs, and never long.
func (w *bitWriter) gamma(u uint64) {
	n := uint(bits.Len64(u))
	w.write(0, n-1)
	w.write(u, n)
}

// bytes fills up the last byte with zeros and returns all.
func (w *bitWriter) bytes() []byte {
	for used := 64 - w.free; used > 0; {
		take := min(used, 8)
		used -= take
		w.buf = append(w.buf, byte(w.acc>>used<<(8-take)))
	}
	w.acc, w.free = 0, 64
	return w.buf
}

// bitReader reads what bitWriter wrote. Past the end it reads zeros; ask overrun when done.
type bitReader struct {
	buf []byte
	pos uint // in bits
}

// peek returns the next bits, of which at least 57 count, at the high end.
func (r *bitReader) peek() uint64 {
	i := r.pos >> 3
	if i+8 <= uint(len(r.buf)) {
		return binary.BigEndian.Uint64(r.buf[i:]) << (r.pos & 7)
	}
	var tail [8]byte
	if i < uint(len(r.buf)) {
		copy(tail[:], r.buf[i:])
	}
	return binary.BigEndian.Uint64(tail[:]) << (r.pos & 7)
}

// word reads 64 bits.
func (r *bitReader) word() uint64 {
	high := r.peek() >> 32
	r.pos += 32
	low := r.peek() >> 32
	r.pos += 32
	return high<<32 | low
}

func (r *bitReader) rice(k uint) uint64 {
	v := r.peek()
	q := uint(bits.LeadingZeros64(^v))
	if q >= escapeAt {
		r.pos += escapeAt
		return r.word()
	}
	r.pos += q + 1 + k
	return uint64(q)<<k | v<<(q+1)>>(64-k)
}

// gamma reads a number of at most 28 bits; a longer one comes back as 0, which gamma never writes.
func (r *bitReader) gamma() uint64 {
	v := r.peek()
	zeros := uint(bits.LeadingZeros64(v))
	if zeros > 27 {
		return 0
	}
	r.pos += 2*zeros + 1
	return v << zeros >> (63 - zeros)
}

func (r *bitReader) overrun() bool { return r.pos > 8*uint(len(r.buf)) }

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// byteReader reads varints from a blob. After the first failure it gives zeros and stays failed.
type byteReader struct {
	buf    []byte
	failed bool
}

func (r *byteReader) uvarint() uint64 {
	v, n := binary.Uvarint(r.buf)
	if n <= 0 {
		r.fail()
		return 0
	}
	r.buf = r.buf[n:]
	return v
}

func (r *byteReader) varint() int64 { return unzigzag(r.uvarint()) }

func (r *byteReader) byte() byte {
	if len(r.buf) == 0 {
		r.fail()
		return 0
	}
	b := r.buf[0]
	r.buf = r.buf[1:]
	return b
}

// take returns the next n bytes, or nothing when there are not so many.
func (r *byteReader) take(n uint64) []byte {
	if n > uint64(len(r.buf)) {
		r.fail()
		return nil
	}
	b := r.buf[:n]
	r.buf = r.buf[n:]
	return b
}

func (r *byteReader) fail() { r.buf, r.failed = nil, true }
