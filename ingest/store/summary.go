package store

import (
	"encoding/binary"
	"time"

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

// summary is what the UTC hours, or minutes, of a block say. Of hours it is the block's head: from it come daily
// extremes without unpacking. Of minutes, and then of hours, it is what remains when single readings are let go.
type summary struct {
	unit   int64   // of time: hourMS or minuteMS
	starts []int64 // of each unit that has readings, milliseconds
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

func newSummary(at []int64, unit int64) *summary {
	s := &summary{unit: unit}
	for _, ms := range at {
		if start := floorTo(ms, unit); len(s.starts) == 0 || s.starts[len(s.starts)-1] != start {
			s.starts = append(s.starts, start)
		}
	}
	return s
}

// summarize sums up readings of one sensor, in order of time.
func summarize(rs []pulse.Reading, unit int64) (s *summary, union uint64) {
	at := make([]int64, len(rs))
	for i := range rs {
		at[i] = rs[i].At.UnixMilli()
	}
	s = newSummary(at, unit)
	for i := range rs {
		mask := fields(&rs[i])
		union |= mask
		for f := range pulse.NumFields {
			if mask&(1<<f) != 0 {
				v, _ := rs[i].Get(f)
				s.add(f, at[i], v)
			}
		}
	}
	return s, union
}

// add counts value v of field f. Times come in order within a field.
func (s *summary) add(f pulse.Field, ms int64, v float64) {
	if s.fields[f] == nil {
		s.fields[f] = make([]tally, len(s.starts))
	}
	for ms-s.starts[s.cursor[f]] >= s.unit {
		s.cursor[f]++
	}
	s.fields[f][s.cursor[f]].add(tally{n: 1, min: v, max: v, mean: v})
}

// summary packs a summary: format, count, fields, raw fields, then columns: start, and for each field how many, least,
// greatest and mean; checksum. Units without the field have zeros in them. Means are rounded as readings are.
func (p *packer) summary(s *summary, union uint64) []byte {
	cols := p.appendColumn(nil, s.starts)
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
	out := append(make([]byte, 0, len(cols)+16), formatSummary)
	out = binary.AppendUvarint(out, uint64(len(s.starts)))
	out = binary.AppendUvarint(out, union)
	out = binary.AppendUvarint(out, raws)
	return seal(append(out, cols...))
}

// rows returns what a packed summary says of the minutes or hours of a block that begins at from.
func (u *unpacker) rows(sensor pulse.SensorID, from int64, unit time.Duration, packed []byte) (rows []Row, err error) {
	for f := range pulse.NumFields {
		units, err := u.summary(nil, packed, f)
		if err != nil {
			return nil, err
		}
		if rows == nil {
			rows = newRows(sensor, from, unit, u.at)
		}
		for i, t := range units {
			if t.n > 0 {
				r := &rows[i]
				r.Set(f, t.mean)
				r.Thin.Low.Set(f, t.min)
				r.Thin.High.Set(f, t.max)
				r.Thin.N[f] = t.n
			}
		}
	}
	return rows, nil
}

func newRows(sensor pulse.SensorID, from int64, unit time.Duration, starts []int64) []Row {
	rows := make([]Row, len(starts))
	for i, ms := range starts {
		at := time.UnixMilli(max(ms, from)).UTC()
		empty := pulse.Reading{Sensor: sensor, At: at, Arrived: at}
		rows[i] = Row{empty, &Thin{Unit: unit, Low: empty, High: empty}}
	}
	return rows
}

// unitTally is one hour, or minute, of a summary.
type unitTally struct {
	from int64
	tally
}

// summary appends to dst what a packed summary says about field f.
func (u *unpacker) summary(dst []unitTally, packed []byte, f pulse.Field) ([]unitTally, error) {
	body, err := unseal(packed, formatSummary)
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
				dst = append(dst, unitTally{from: u.at[i], tally: tally{n: int(v)}})
				continue
			}
			h := &dst[start+i]
			*[...]*float64{&h.min, &h.max, &h.mean}[k-1] = fromInt(v, raw)
		}
	}
	return dst, nil
}
