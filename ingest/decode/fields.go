package decode

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"nightwire/ingest/pulse"
)

// fields gathers the values of one reading under the keys that payloads use.
type fields struct {
	reading pulse.Reading
	stamp   time.Time // zero when the payload has no usable one

	seen    uint16 // one bit per slot, to refuse a key given twice
	badV    error  // what is wrong with v; it matters only when there is no kv
	leftOut error  // the first side value that was left out, in case nothing else remains
}

// slot numbers the keys of a payload.
type slot int8

const (
	unknownKey slot = iota - 1
	kvSlot
	vSlot
	pulsesSlot
	intervalSlot
	supplySlot
	earthSlot
	batterySlot
	rssiSlot
	seqSlot
	timeSlot
)

// slotOf returns the slot of a payload's key. The switch on a converted key does not allocate.
func slotOf(key []byte) slot {
	switch string(key) {
	case "kv", "kV", "KV":
		return kvSlot
	case "v":
		return vSlot
	case "pulses":
		return pulsesSlot
	case "interval_ms":
		return intervalSlot
	case "supply_v":
		return supplySlot
	case "earth_kv", "earth_kV":
		return earthSlot
	case "battery_v":
		return batterySlot
	case "rssi":
		return rssiSlot
	case "seq":
		return seqSlot
	case "t":
		return timeSlot
	}
	return unknownKey
}

// sides gives the field and the scale of the slots that are not the peak or the time.
var sides = [timeSlot]struct {
	field pulse.Field
	scale float64
}{
	pulsesSlot:   {pulse.Pulses, 1},
	intervalSlot: {pulse.IntervalMS, 1},
	supplySlot:   {pulse.SupplyVolts, 1},
	earthSlot:    {pulse.EarthVolts, 1000},
	batterySlot:  {pulse.BatteryVolts, 1},
	rssiSlot:     {pulse.RSSI, 1},
	seqSlot:      {pulse.Seq, 1},
}

// set takes the value found under a key.
func (f *fields) set(s slot, key []byte, v value) error {
	if s == timeSlot {
		if err := f.once(s, key); err != nil {
			return err
		}
		f.stamp = stampOf(v)
		return nil
	}
	x, err := v.number()
	return f.take(s, key, x, err)
}

// take takes a number, or what was wrong with it, for a key. A bad kv, or a key given twice, is an error at once.
func (f *fields) take(s slot, key []byte, x float64, err error) error {
	if err := f.once(s, key); err != nil {
		return err
	}
	if err == nil {
		err = f.put(s, x)
	}
	if err == nil || errors.Is(err, errMissing) {
		return nil
	}
	err = fmt.Errorf("%s %w", quote(key), err)
	switch {
	case s == kvSlot:
		return err
	case s == vSlot:
		f.badV = err
	case f.leftOut == nil:
		f.leftOut = err
	}
	return nil
}

// once refuses a second value for a slot: which of the two is right would be a guess.
func (f *fields) once(s slot, key []byte) error {
	if f.seen&(1<<s) != 0 {
		return fmt.Errorf("%s is given twice", quote(key))
	}
	f.seen |= 1 << s
	return nil
}

// put stores a number in its field. Where a payload has both kv and v, kv wins: it can only mean the fence, while v may
// be some board's own supply.
func (f *fields) put(s slot, x float64) error {
	switch s {
	case kvSlot:
		return f.putField(pulse.Volts, x*1000)
	case vSlot:
		if _, done := f.reading.Get(pulse.Volts); done {
			return nil
		}
		return f.putField(pulse.Volts, x)
	}
	return f.putField(sides[s].field, x*sides[s].scale)
}

func (f *fields) putField(field pulse.Field, x float64) error {
	if err := pulse.Check(field, x); err != nil {
		return fmt.Errorf("cannot be true: %w", err)
	}
	f.reading.Set(field, x+0) // a printed -0 becomes 0
	return nil
}

// err returns why the fields make no reading, or nil. None says what was looked for.
func (f *fields) err(none string) error {
	if _, ok := f.reading.Get(pulse.Volts); !ok && f.badV != nil {
		return f.badV
	}
	if !f.reading.Empty() {
		return nil
	}
	if f.leftOut != nil {
		return fmt.Errorf("no value left in it: %w", f.leftOut)
	}
	return fmt.Errorf("no value in it: %s", none)
}

// errMissing means that there is a key but no measurement under it.
var errMissing = errors.New("no value")

// parseFloat reads a decimal number. It takes what C libraries print (a plus sign, leading zeros, a bare point) but no
// hexadecimal, no digit grouping, no decimal comma and no unit.
func parseFloat(b []byte) (float64, error) {
	for _, c := range b {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, notNumber(b)
		}
	}
	x, err := strconv.ParseFloat(string(b), 64)
	switch {
	case errors.Is(err, strconv.ErrRange):
		return 0, fmt.Errorf("is %s, which is too large", quote(b))
	case err != nil:
		return 0, notNumber(b)
	}
	return x, nil
}

// notNumber says that b is no number, and missing when it is a usual word for that.
func notNumber(b []byte) error {
	if len(b) <= len("unavailable") {
		switch strings.ToLower(string(b)) {
		case "", "-", "--", "---", "nan", "-nan", "null", "none", "n/a", "na", "unknown", "unavailable":
			return errMissing
		}
	}
	return fmt.Errorf("is %s, which is not a number", quote(b))
}

// millisFrom is the number from which a Unix time is taken to be in milliseconds: as seconds it would lie in the year
// 5138, as milliseconds in 1973.
const millisFrom = 1e11

// stampOf reads a payload's t. A time that cannot be read is no time: the reading then counts from its arrival, as it
// does for a sensor without a clock.
func stampOf(v value) time.Time {
	if v.kind == text && len(v.raw) >= len("2006-01-02T15:04:05Z") {
		return calendarTime(string(v.raw))
	}
	x, err := v.number()
	if err != nil {
		return time.Time{}
	}
	if math.Abs(x) < millisFrom {
		x *= 1000
	}
	return unixMillis(x)
}

// calendarTime reads RFC 3339, and two near misses: a space for the T (which its section 5.6 allows) and a zone with no
// colon.
func calendarTime(s string) time.Time {
	for _, layout := range [...]string{time.RFC3339, "2006-01-02 15:04:05Z07:00", "2006-01-02T15:04:05Z0700"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t
		}
	}
	return time.Time{}
}

// unixMillis converts milliseconds since 1970, or returns the zero time when they lie beyond the year 9999.
func unixMillis(ms float64) time.Time {
	if !(math.Abs(ms) < 253402300800e3) {
		return time.Time{}
	}
	return time.UnixMilli(int64(math.Round(ms)))
}
