package store

import (
	"encoding/binary"

	"nightwire/ingest/pulse"
)

// tally is what a stretch of time says about one field. The zero tally says nothing.
type tally struct {
	n              int
	min, max, mean float64
}

func (t *tally) add(o tally) {
	if o.n == 0 {
		return
	}
	if t.n == 0 {
		*t = o
		return
	}
	t.min, t.max = min(t.min, o.min), max(t.max, o.max)
	t.n += o.n
	t.mean += (o.mean - t.mean) * float64(o.n) / float64(t.n)
}

// summary is what the UTC hours of a block say: the block's head. From it come daily extremes without unpacking, and
// it is what remains of a block whose readings were let go.
type summary struct {
	hours  []int64 // start of each hour that has readings, milliseconds
	fields [pulse.NumFields][]tally
	cursor [pulse.NumFields]int
}

func floorTo(ms, unit int64) int64 {
	if r := ms % unit; r < 0 {
		return ms - r - unit
	} else {
		return ms - r
	}
}

func newSummary(at []int64) *summary {
	s := &summary{}
	for _, ms := range at {
		if h := floorTo(ms, hourMS); len(s.hours) == 0 || s.hours[len(s.hours)-1] != h {
			s.hours = append(s.hours, h)
		}
	}
	return s
}

// add counts value v of field f. Times come in order within a field.
func (s *summary) add(f pulse.Field, ms int64, v float64) {
	if s.fields[f] == nil {
		s.fields[f] = make([]tally, len(s.hours))
	}
	for ms-s.hours[s.cursor[f]] >= hourMS {
		s.cursor[f]++
	}
	s.fields[f][s.cursor[f]].add(tally{n: 1, min: v, max: v, mean: v})
}

// head packs a summary: format, hours, fields, raw fields, then columns: hour, and for each field how many, least,
// greatest and mean; checksum. Hours without the field have zeros in them. Means are rounded as readings are.
func (p *packer) head(s *summary, union uint64) []byte {
	cols := p.appendColumn(nil, s.hours)
	var raws uint64
	for f := range pulse.NumFields {
		if union&(1<<f) == 0 {
			continue
		}
		p.values, p.floats = p.values[:0], p.floats[:0]
		for _, t := range s.fields[f] {
			p.values = append(p.values, int64(t.n))
			p.floats = append(p.floats, t.min, t.max, t.mean)
		}
		cols = p.appendColumn(cols, p.values)
		ints, raw := toInts(p.values[:0], p.floats)
		if p.values = ints; raw {
			raws |= 1 << f
		}
		for k := range 3 {
			p.third = p.third[:0]
			for i := k; i < len(ints); i += 3 {
				p.third = append(p.third, ints[i])
			}
			cols = p.appendColumn(cols, p.third)
		}
	}
	head := append(make([]byte, 0, len(cols)+16), formatHead)
	head = binary.AppendUvarint(head, uint64(len(s.hours)))
	head = binary.AppendUvarint(head, union)
	head = binary.AppendUvarint(head, raws)
	return seal(append(head, cols...))
}

// hourTally is one hour of a head.
type hourTally struct {
	from int64
	tally
}

// hours appends to dst what a head says about field f.
func (u *unpacker) hours(dst []hourTally, head []byte, f pulse.Field) ([]hourTally, error) {
	body, err := unseal(head, formatHead)
	if err != nil {
		return dst, err
	}
	c := columns{rest: byteReader{buf: body}}
	n := c.rest.uvarint()
	c.union, c.raws = c.rest.uvarint(), c.rest.uvarint()
	if c.rest.failed || n == 0 || n > maxBlock || c.union >= 1<<pulse.NumFields {
		return dst, errDamaged
	}
	if u.at, err = c.next(u.at, int(n)); err != nil || c.union&(1<<f) == 0 {
		return dst, err
	}
	for g := range f {
		if c.union&(1<<g) != 0 {
			for range 4 {
				c.skip()
			}
		}
	}
	start, raw := len(dst), c.raws&(1<<f) != 0
	for k := range 4 {
		if u.values, err = c.next(u.values, int(n)); err != nil {
			return dst[:start], err
		}
		for i, v := range u.values {
			if k == 0 {
				dst = append(dst, hourTally{from: u.at[i], tally: tally{n: int(v)}})
				continue
			}
			h := &dst[start+i]
			*[...]*float64{&h.min, &h.max, &h.mean}[k-1] = fromInt(v, raw)
		}
	}
	return dst, nil
}
