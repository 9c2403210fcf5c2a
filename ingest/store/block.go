package store

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"slices"
	"time"

	"nightwire/ingest/pulse"
)

const (
	// maxBlock is how many readings a block may hold, and maxBatch how many a row of fresh ones: decoders trust
	// no larger count, so that damaged bytes cannot ask for memory.
	maxBlock = 2048
	maxBatch = 4096

	formatBlock   = 1
	formatSummary = 1
	formatBatch   = 1

	minuteMS = 60_000
	hourMS   = 60 * minuteMS
	dayMS    = 24 * hourMS
)

// castagnoli has hardware support on amd64 and arm64. SQLite does not check its pages, and memory cards do rot.
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func seal(b []byte) []byte {
	return binary.LittleEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// unseal checks format and checksum and returns what lies between.
func unseal(b []byte, format byte) ([]byte, error) {
	if len(b) < 5 || b[0] != format {
		return nil, errDamaged
	}
	body, sum := b[:len(b)-4], binary.LittleEndian.Uint32(b[len(b)-4:])
	if crc32.Checksum(body, castagnoli) != sum {
		return nil, errDamaged
	}
	return body[1:], nil
}

// toInts turns a field's values into whole numbers: thousandths, or the bits of the floats when one of them is too
// large for that.
func toInts(dst []int64, vals []float64) (ints []int64, raw bool) {
	for _, v := range vals {
		if !(math.Abs(v) < pulse.RoundBelow) {
			raw = true
			break
		}
	}
	for _, v := range vals {
		dst = append(dst, toInt(v, raw))
	}
	return dst, raw
}

func toInt(v float64, raw bool) int64 {
	if raw {
		return int64(math.Float64bits(v))
	}
	return int64(math.Round(v * 1000))
}

func fromInt(i int64, raw bool) float64 {
	if raw {
		return math.Float64frombits(uint64(i))
	}
	return float64(i) / 1000
}

// fields returns which fields a reading carries, a bit each.
func fields(r *pulse.Reading) (mask uint64) {
	for f := range pulse.NumFields {
		if _, ok := r.Get(f); ok {
			mask |= 1 << f
		}
	}
	return mask
}

// appendColumn writes a column with its length before it, so that readers can step over it.
func (p *packer) appendColumn(dst []byte, vals []int64) []byte {
	p.bytes = p.column(p.bytes[:0], vals)
	dst = binary.AppendUvarint(dst, uint64(len(p.bytes)))
	return append(dst, p.bytes...)
}

// block packs readings of one sensor, sorted by time. Its head has what the hours say, its data everything:
//
//	data: format, count, fields carried by any reading, which of them are raw, then columns:
//	      time, arrival after time, fields of each reading, and the values of each field; checksum
func (p *packer) block(rs []pulse.Reading) (head, data []byte) {
	at, lag, masks := p.ints[0][:0], p.ints[1][:0], p.ints[2][:0]
	var union, raws uint64
	for i := range rs {
		ms := rs[i].At.UnixMilli()
		mask := fields(&rs[i])
		union |= mask
		at, lag, masks = append(at, ms), append(lag, rs[i].Arrived.UnixMilli()-ms), append(masks, int64(mask))
	}
	p.ints = [3][]int64{at, lag, masks}

	cols := p.appendColumn(nil, at)
	cols = p.appendColumn(cols, lag)
	cols = p.appendColumn(cols, masks)
	sum := newSummary(at, hourMS)
	for f := range pulse.NumFields {
		if union&(1<<f) == 0 {
			continue
		}
		p.floats = p.floats[:0]
		for i := range rs {
			if v, ok := rs[i].Get(f); ok {
				p.floats = append(p.floats, v)
				sum.add(f, at[i], v)
			}
		}
		var raw bool
		if p.values, raw = toInts(p.values[:0], p.floats); raw {
			raws |= 1 << f
		}
		cols = p.appendColumn(cols, p.values)
	}
	data = make([]byte, 0, len(cols)+16)
	data = append(data, formatBlock)
	data = binary.AppendUvarint(data, uint64(len(rs)))
	data = binary.AppendUvarint(data, union)
	data = binary.AppendUvarint(data, raws)
	return p.summary(sum, union), seal(append(data, cols...))
}

// unpacker holds the scratch space of unpacking.
type unpacker struct {
	at, lag, masks, values []int64
	floats                 []float64
}

// columns is a block opened but for its columns.
type columns struct {
	n           int
	union, raws uint64
	rest        byteReader
}

func openBlock(data []byte) (columns, error) {
	body, err := unseal(data, formatBlock)
	if err != nil {
		return columns{}, err
	}
	c := columns{rest: byteReader{buf: body}}
	n := c.rest.uvarint()
	c.union, c.raws = c.rest.uvarint(), c.rest.uvarint()
	if c.rest.failed || n == 0 || n > maxBlock || c.union >= 1<<pulse.NumFields {
		return columns{}, errDamaged
	}
	c.n = int(n)
	return c, nil
}

// next reads the next column of n numbers into dst.
func (c *columns) next(dst []int64, n int) ([]int64, error) {
	b := c.rest.take(c.rest.uvarint())
	if c.rest.failed {
		return dst, errDamaged
	}
	return unpackColumn(dst, b, n)
}

func (c *columns) skip() { c.rest.take(c.rest.uvarint()) }

// times returns only when the readings of a block were taken.
func (u *unpacker) times(data []byte) (_ []int64, err error) {
	c, err := openBlock(data)
	if err != nil {
		return nil, err
	}
	if u.at, err = c.next(u.at, c.n); err != nil {
		return nil, err
	}
	if !ascending(u.at) {
		return nil, errDamaged
	}
	return u.at, nil
}

// readings appends a block's readings to dst.
func (u *unpacker) readings(dst []pulse.Reading, sensor pulse.SensorID, data []byte) ([]pulse.Reading, error) {
	c, err := openBlock(data)
	if err != nil {
		return dst, err
	}
	if err := u.frame(&c); err != nil {
		return dst, err
	}
	start := len(dst)
	dst = slices.Grow(dst, c.n)[:start+c.n]
	rs := dst[start:]
	for i := range rs {
		rs[i] = pulse.Reading{
			Sensor:  sensor,
			At:      time.UnixMilli(u.at[i]).UTC(),
			Arrived: time.UnixMilli(u.at[i] + u.lag[i]).UTC(),
		}
	}
	for f := range pulse.NumFields {
		if c.union&(1<<f) == 0 {
			continue
		}
		if u.values, err = c.next(u.values, u.carrying(f)); err != nil {
			return dst[:start], err
		}
		raw, k := c.raws&(1<<f) != 0, 0
		for i, mask := range u.masks {
			if mask&(1<<f) != 0 {
				rs[i].Set(f, fromInt(u.values[k], raw))
				k++
			}
		}
	}
	return dst, nil
}

// field returns the times and values of those readings of a block that carry f. Both are good until the next call.
func (u *unpacker) field(data []byte, f pulse.Field) (at []int64, vals []float64, err error) {
	c, err := openBlock(data)
	if err != nil {
		return nil, nil, err
	}
	if err := u.frame(&c); err != nil || c.union&(1<<f) == 0 {
		return nil, nil, err
	}
	for g := range f {
		if c.union&(1<<g) != 0 {
			c.skip()
		}
	}
	n := u.carrying(f)
	if u.values, err = c.next(u.values, n); err != nil {
		return nil, nil, err
	}
	raw := c.raws&(1<<f) != 0
	u.floats = u.floats[:0]
	for _, v := range u.values {
		u.floats = append(u.floats, fromInt(v, raw))
	}
	if n == c.n {
		return u.at, u.floats, nil
	}
	at = u.lag[:0] // no longer needed
	for i, mask := range u.masks {
		if mask&(1<<f) != 0 {
			at = append(at, u.at[i])
		}
	}
	return at, u.floats, nil
}

// frame reads the columns that every block has.
func (u *unpacker) frame(c *columns) (err error) {
	if u.at, err = c.next(u.at, c.n); err != nil {
		return err
	}
	if u.lag, err = c.next(u.lag, c.n); err != nil {
		return err
	}
	if u.masks, err = c.next(u.masks, c.n); err != nil {
		return err
	}
	if !ascending(u.at) {
		return errDamaged
	}
	return nil
}

func (u *unpacker) carrying(f pulse.Field) (n int) {
	for _, mask := range u.masks {
		n += int(mask >> f & 1)
	}
	return n
}

// ascending reports whether no two times are the same or out of order.
func ascending(at []int64) bool {
	for i := 1; i < len(at); i++ {
		if at[i] <= at[i-1] {
			return false
		}
	}
	return true
}
