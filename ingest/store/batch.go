package store

import (
	"encoding/binary"
	"math"
	"time"

	"nightwire/ingest/pulse"
)

// A batch is one row of fresh readings, in the order in which they came:
//
//	format, base time, count, then for each reading: sensor, length, and
//	time from base, arrival after time, fields<<1 | raw, values; checksum
//
// The length lets a reader that wants one sensor step over the others.

// appendBatch packs up to maxBatch readings. ids gives each one's sensor.
func appendBatch(dst []byte, ids []int64, rs []pulse.Reading) []byte {
	base := rs[0].Arrived.UnixMilli()
	dst = append(dst, formatBatch)
	dst = binary.AppendUvarint(dst, zigzag(base))
	dst = binary.AppendUvarint(dst, uint64(len(rs)))
	var body []byte
	for i := range rs {
		body = appendReading(body[:0], base, &rs[i])
		dst = binary.AppendUvarint(dst, uint64(ids[i]))
		dst = binary.AppendUvarint(dst, uint64(len(body)))
		dst = append(dst, body...)
	}
	return seal(dst)
}

func appendReading(dst []byte, base int64, r *pulse.Reading) []byte {
	at := r.At.UnixMilli()
	dst = binary.AppendUvarint(dst, zigzag(at-base))
	dst = binary.AppendUvarint(dst, zigzag(r.Arrived.UnixMilli()-at))
	mask, raw := fields(r), false
	for f := range pulse.NumFields {
		if v, ok := r.Get(f); ok && !(math.Abs(v) < pulse.RoundBelow) {
			raw = true
		}
	}
	flags := mask << 1
	if raw {
		flags |= 1
	}
	dst = binary.AppendUvarint(dst, flags)
	for f := range pulse.NumFields {
		if v, ok := r.Get(f); ok {
			dst = binary.AppendUvarint(dst, zigzag(toInt(v, raw)))
		}
	}
	return dst
}

// batch reads a row of fresh readings. Its readings lack the sensor's name.
type batch struct {
	base int64
	left int
	rest byteReader
}

func openBatch(data []byte) (batch, error) {
	body, err := unseal(data, formatBatch)
	if err != nil {
		return batch{}, err
	}
	b := batch{rest: byteReader{buf: body}}
	b.base = b.rest.varint()
	n := b.rest.uvarint()
	if b.rest.failed || n > maxBatch {
		return batch{}, errDamaged
	}
	b.left = int(n)
	return b, nil
}

// next returns the sensor of the next reading and its bytes; ok is false after the last.
func (b *batch) next() (sensor int64, body []byte, ok bool, err error) {
	if b.left == 0 {
		return 0, nil, false, nil
	}
	b.left--
	sensor = int64(b.rest.uvarint())
	body = b.rest.take(b.rest.uvarint())
	if b.rest.failed {
		return 0, nil, false, errDamaged
	}
	return sensor, body, true, nil
}

// at returns only the time of the reading in body.
func (b *batch) at(body []byte) int64 {
	in := byteReader{buf: body}
	return b.base + in.varint()
}

// value returns only field f of the reading in body; ok is false when it does not carry it.
func (b *batch) value(f pulse.Field, body []byte) (v float64, ok bool, err error) {
	in := byteReader{buf: body}
	in.varint()
	in.varint()
	flags := in.uvarint()
	if in.failed || flags>>1 >= 1<<pulse.NumFields {
		return 0, false, errDamaged
	}
	mask := flags >> 1
	if mask&(1<<f) == 0 {
		return 0, false, nil
	}
	for g := range f {
		if mask&(1<<g) != 0 {
			in.varint()
		}
	}
	v = fromInt(in.varint(), flags&1 != 0)
	if in.failed {
		return 0, false, errDamaged
	}
	return v, true, nil
}

// reading unpacks the reading in body into r.
func (b *batch) reading(r *pulse.Reading, body []byte) error {
	in := byteReader{buf: body}
	at := b.base + in.varint()
	arrived := at + in.varint()
	flags := in.uvarint()
	if flags>>1 >= 1<<pulse.NumFields {
		return errDamaged
	}
	*r = pulse.Reading{Sensor: r.Sensor, At: time.UnixMilli(at).UTC(), Arrived: time.UnixMilli(arrived).UTC()}
	for f := range pulse.NumFields {
		if flags>>1&(1<<f) != 0 {
			r.Set(f, fromInt(in.varint(), flags&1 != 0))
		}
	}
	if in.failed {
		return errDamaged
	}
	return nil
}
