// Package decode turns what sensors send into readings: bare numbers, JSON, other JSON by pointer, and SenML.
//
// It is lenient where cheap sensors err and it never guesses a value. Tolerated: a byte order mark, spaces, line ends
// and NUL bytes around the payload, numbers in quotes, leading zeros, keys nobody knows. A value is missing, and not
// zero, when it is null, NaN or one of the usual words for "nothing measured". The peak on the wire must be right or
// the payload is refused; any other value that cannot be a measurement is left out, so that a broken battery gauge
// does not blind us to the fence.
package decode

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"time"

	"nightwire/ingest/pulse"
)

// MaxPayload is the longest payload that is looked at, in bytes. The longest honest ones, an uplink of a LoRaWAN
// network server or a day's batch in SenML, stay well under it.
const MaxPayload = 64 << 10

// ErrRetained means that a retained message does not say when it was measured, so it cannot count as fresh.
var ErrRetained = errors.New("retained message without a usable time: it may be old")

// Format says how a sensor's payload is to be read.
type Format struct {
	Kind     string            // "" or "auto", "number", "json", "senml", "pointer"
	Pointers map[string]string // for "pointer": field key (kv, v, t, …) to the JSON Pointer of its value
	Name     string            // for "senml": the record that carries the peak; empty takes the first in volts
}

// Kinds returns the kinds of format that New knows, in the order in which to explain them.
func Kinds() []string { return []string{"auto", "number", "json", "senml", "pointer"} }

// Keys returns the field keys that a payload or a pointer mapping may use.
func Keys() []string {
	return []string{"kv", "v", "pulses", "interval_ms", "supply_v", "earth_kv", "battery_v", "rssi", "seq", "t"}
}

// Decoder reads the payloads of one format. It is safe for use by many goroutines.
type Decoder struct {
	parse func(message) ([]pulse.Reading, error)
}

// New returns a decoder for the format.
func New(f Format) (*Decoder, error) {
	if len(f.Pointers) > 0 && f.Kind != "pointer" {
		return nil, fmt.Errorf("pointers are given but the format is %q, not \"pointer\"", f.Kind)
	}
	switch f.Kind {
	case "", "auto":
		return &Decoder{parse: autoParser(f.Name)}, nil
	case "number":
		return &Decoder{parse: parseNumber}, nil
	case "json":
		return &Decoder{parse: parseJSON}, nil
	case "senml":
		return &Decoder{parse: senmlParser(f.Name)}, nil
	case "pointer":
		parse, err := pointerParser(f.Pointers)
		if err != nil {
			return nil, err
		}
		return &Decoder{parse: parse}, nil
	}
	return nil, fmt.Errorf("format %q is not one of %s", f.Kind, strings.Join(Kinds(), ", "))
}

// Decode returns the readings in a payload, at least one unless there is an error. The error is written for people and
// quotes little of the payload. It is ErrRetained when all is well but the age of a retained message is unknown.
func (d *Decoder) Decode(sensor pulse.SensorID, payload []byte, arrived time.Time, retained bool) ([]pulse.Reading, error) {
	m, err := open(sensor, payload, arrived, retained)
	if err != nil {
		return nil, err
	}
	return d.parse(m)
}

// open returns a payload as it is to be read.
func open(sensor pulse.SensorID, payload []byte, arrived time.Time, retained bool) (message, error) {
	if len(payload) > MaxPayload {
		return message{}, fmt.Errorf("payload of %d bytes is longer than %d", len(payload), MaxPayload)
	}
	body := trim(payload)
	if len(body) == 0 {
		return message{}, errors.New("payload is empty")
	}
	return message{sensor: sensor, body: body, arrived: arrived.UTC().Truncate(time.Millisecond), retained: retained}, nil
}

// trim drops what cheap boards send around a payload: a byte order mark, white space, and the rest of a NUL-filled
// buffer. A NUL inside stays, and makes the payload an error: text in UTF-16 must not be read as its first digit.
func trim(b []byte) []byte {
	b = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))
	return bytes.Trim(b, " \t\r\n\x00")
}

// autoParser picks the form by the first byte.
func autoParser(name string) func(message) ([]pulse.Reading, error) {
	senml := senmlParser(name)
	return func(m message) ([]pulse.Reading, error) {
		switch m.body[0] {
		case '{':
			return parseJSON(m)
		case '[':
			return senml(m)
		}
		return parseNumber(m)
	}
}

// message is one payload on its way to becoming readings.
type message struct {
	sensor   pulse.SensorID
	body     []byte
	arrived  time.Time
	retained bool
}

// reading returns r under its time: the payload's own stamp where it can be trusted, else its arrival.
func (m *message) reading(r pulse.Reading, stamp time.Time) (pulse.Reading, error) {
	r.Sensor = m.sensor
	r.Arrived = m.arrived
	r.At = pulse.Stamp(stamp, m.arrived)
	if m.retained && !r.At.Equal(stamp.Truncate(time.Millisecond)) {
		return r, ErrRetained
	}
	return r, nil
}

// one returns the fields gathered as the only reading of a payload. None says what was looked for.
func (m *message) one(f *fields, none string) ([]pulse.Reading, error) {
	if err := f.err(none); err != nil {
		return nil, err
	}
	r, err := m.reading(f.reading, f.stamp)
	if err != nil {
		return nil, err
	}
	return []pulse.Reading{r}, nil
}

// quoteLimit is how much of a payload an error may show, in bytes.
const quoteLimit = 60

// quote returns the start of b in quotes, with everything but printable ASCII replaced, fit for a log or a page.
func quote(b []byte) string {
	more := ""
	if len(b) > quoteLimit {
		b, more = b[:quoteLimit], "…"
	}
	safe := bytes.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, b)
	return `"` + string(safe) + `"` + more
}
