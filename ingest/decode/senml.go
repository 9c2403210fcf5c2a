package decode

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"time"

	"nightwire/ingest/pulse"
)

const (
	// senmlVersion is the newest version understood (RFC 8428 section 4.4).
	senmlVersion = 10
	// senmlAbsolute is the time, in seconds, from which a SenML time counts from 1970 and below which it is relative to
	// now (RFC 8428 section 4.5.3).
	senmlAbsolute = 1 << 28
)

// senmlParser returns a parser for SenML JSON (RFC 8428 section 5). The record called name carries the peak; when name
// is empty it is the first in volts that is not another of our fields. Records of one time make one reading.
func senmlParser(name string) func(message) ([]pulse.Reading, error) {
	return func(m message) ([]pulse.Reading, error) {
		p := pack{byTime: make(map[float64]*fields, 1)}
		if name != "" {
			p.peak = &name
		}
		s := scanner{b: m.body}
		err := s.array(func(i int, v value) error {
			if v.kind != object {
				return fmt.Errorf("SenML record %d is %s, not an object", i+1, quote(v.raw))
			}
			if err := p.add(v.raw); err != nil {
				return fmt.Errorf("SenML record %d: %w", i+1, err)
			}
			return nil
		})
		if err == nil {
			err = s.end()
		}
		if err != nil {
			return nil, err
		}
		return p.readings(&m)
	}
}

// pack gathers the records of a SenML pack and carries its base fields along.
type pack struct {
	peak *string // the name of the record with the peak; nil until one in volts is met

	baseName, baseUnit  string
	baseTime, baseValue float64

	times  []float64 // of the readings, in the order of the pack
	byTime map[float64]*fields
}

// record is one record with the base fields applied. Its value is of kind nothing when it has no number of its own.
type record struct {
	name, unit string
	time       float64
	value      value
}

// add reads one record and keeps its value if it is one of ours. A record with no number of its own (a text, a truth
// value, data, a sum, or base fields alone) measures nothing, even where there is a base value: missing is not zero.
func (p *pack) add(raw []byte) error {
	r, err := p.resolve(raw)
	if err != nil {
		return err
	}
	s, scale := p.slot(&r)
	if s == unknownKey || r.value.kind == nothing {
		return nil
	}
	f := p.byTime[r.time]
	if f == nil {
		f = new(fields)
		p.byTime[r.time] = f
		p.times = append(p.times, r.time)
	}
	x, err := r.value.number()
	return f.take(s, []byte(r.name), (x+p.baseValue)*scale, err)
}

// resolve reads a record's members and applies the base fields to them (RFC 8428 section 4.6).
func (p *pack) resolve(raw []byte) (record, error) {
	r := record{value: value{kind: nothing}}
	var name, unit string
	s := scanner{b: raw}
	err := s.object(func(key []byte, v value) (err error) {
		switch string(key) {
		case "bn":
			p.baseName, err = v.string()
		case "bu":
			p.baseUnit, err = v.string()
		case "bt":
			p.baseTime, err = v.number()
		case "bv":
			p.baseValue, err = v.number()
		case "bver":
			err = checkVersion(v)
		case "n":
			name, err = v.string()
		case "u":
			unit, err = v.string()
		case "t":
			r.time, err = v.number()
		case "v":
			r.value = v
		default:
			if bytes.HasSuffix(key, []byte("_")) {
				err = errors.New("must be understood, and is not") // RFC 8428 section 4.4
			}
		}
		if err != nil {
			return fmt.Errorf("%s %w", quote(key), err)
		}
		return nil
	})
	if unit == "" {
		unit = p.baseUnit
	}
	r.name, r.unit, r.time = p.baseName+name, unit, p.baseTime+r.time
	return r, err
}

func checkVersion(v value) error {
	x, err := v.number()
	if err == nil && x > senmlVersion {
		err = fmt.Errorf("is %g: only versions up to %d are understood", x, senmlVersion)
	}
	return err
}

// slot returns where a record's value belongs and what brings it to the slot's unit. Name and unit together tell the
// peak: records of one name may be in several units (RFC 8428 section 5.1.3).
func (p *pack) slot(r *record) (slot, float64) {
	own := r.name[strings.LastIndexAny(r.name, ":/")+1:]
	key := slotOf([]byte(own))
	toVolts, inVolts := voltUnit(r.unit)
	if r.unit == "" && key == kvSlot { // the name says the unit
		toVolts, inVolts = 1000, true
	} else if r.unit == "" && key == vSlot {
		toVolts, inVolts = 1, true
	}
	if p.peak == nil && inVolts && (key == unknownKey || key == kvSlot || key == vSlot) {
		p.peak = &r.name
	}
	if inVolts && p.peak != nil && (r.name == *p.peak || own == *p.peak) {
		return vSlot, toVolts
	}
	scale := 1.0
	switch {
	case key == unknownKey || key == kvSlot || key == vSlot || key == timeSlot:
		return unknownKey, 0
	case inVolts && key == earthSlot:
		scale = toVolts / 1000
	case inVolts:
		scale = toVolts
	case key == intervalSlot && r.unit == "s":
		scale = 1000
	}
	return key, scale
}

// voltUnit returns how many volts a unit is. V is of RFC 8428 section 12.1, mV of RFC 8798; kV is in neither and is
// what people write for a fence.
func voltUnit(unit string) (volts float64, ok bool) {
	switch unit {
	case "V":
		return 1, true
	case "kV":
		return 1000, true
	case "mV":
		return 0.001, true
	}
	return 0, false
}

// readings returns one reading for each time in the pack.
func (p *pack) readings(m *message) ([]pulse.Reading, error) {
	var out []pulse.Reading
	var leftOut error
	for _, seconds := range p.times {
		f := p.byTime[seconds]
		if f.badV != nil {
			return nil, f.badV
		}
		if err := f.err("no number"); err != nil {
			leftOut = err
			continue
		}
		r, err := m.reading(f.reading, m.senmlTime(seconds))
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	if len(out) > 0 {
		return out, nil
	}
	if leftOut != nil {
		return nil, leftOut
	}
	wanted := ""
	if p.peak != nil {
		wanted = " " + quote([]byte(*p.peak))
	}
	return nil, fmt.Errorf("no value in it: no SenML record%s in V or kV, and none with the name of a field", wanted)
}

// senmlTime returns the moment that a resolved SenML time means. A time relative to now says nothing when now is not
// known, as with a retained message.
func (m *message) senmlTime(seconds float64) time.Time {
	if seconds >= senmlAbsolute {
		return unixMillis(seconds * 1000)
	}
	if seconds == 0 || m.retained {
		return time.Time{}
	}
	return unixMillis(float64(m.arrived.UnixMilli()) + seconds*1000)
}
