package app

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// captured is one message of a capture, as mosquitto_sub -F %J writes it. Its slices are good until the next line.
type captured struct {
	at       time.Time
	topic    []byte
	payload  []byte
	retained bool
}

var (
	errNotObject = errors.New("not one whole JSON object")
	errNoTime    = errors.New("no usable tst")
	errNoTopic   = errors.New("no topic")
	errNoPayload = errors.New("no payload")
)

// parseCaptured reads one line of a capture. A season is half a million lines, so the line is walked once and only the
// values that matter are looked at; whether a payload is sound is for its decoder to say.
func parseCaptured(text []byte) (captured, error) {
	var m captured
	var hasPayload bool
	c := cursor{b: text}
	if !c.take('{') {
		return m, errNotObject
	}
	for first := true; !c.take('}'); first = false {
		if !first && !c.take(',') {
			return m, errNotObject
		}
		key, ok := c.text()
		if !ok || !c.take(':') {
			return m, errNotObject
		}
		value, ok := c.value()
		if !ok {
			return m, errNotObject
		}
		switch string(key) {
		case "tst":
			m.at, ok = parseTST(unquote(value))
			if !ok {
				return m, errNoTime
			}
		case "topic":
			m.topic = unquote(value)
		case "payload":
			m.payload, hasPayload = unquote(value), true
		case "retain":
			m.retained = string(value) == "1" || string(value) == "true"
		}
	}
	switch c.space(); {
	case c.i != len(c.b):
		return m, errNotObject
	case m.at.IsZero():
		return m, errNoTime
	case len(m.topic) == 0:
		return m, errNoTopic
	case !hasPayload:
		return m, errNoPayload
	}
	return m, nil
}

// cursor walks along JSON text.
type cursor struct {
	b []byte
	i int
}

func (c *cursor) space() {
	for c.i < len(c.b) && (c.b[c.i] == ' ' || c.b[c.i] == '\t' || c.b[c.i] == '\r' || c.b[c.i] == '\n') {
		c.i++
	}
}

// take steps over ch, if it is next.
func (c *cursor) take(ch byte) bool {
	c.space()
	if c.i < len(c.b) && c.b[c.i] == ch {
		c.i++
		return true
	}
	return false
}

// text returns the inside of the string that is next, as it is written.
func (c *cursor) text() ([]byte, bool) {
	if !c.take('"') {
		return nil, false
	}
	start := c.i
	for ; c.i < len(c.b); c.i++ {
		switch c.b[c.i] {
		case '\\':
			c.i++
		case '"':
			c.i++
			return c.b[start : c.i-1], true
		}
	}
	return nil, false
}

// value returns the value that is next, as it is written.
func (c *cursor) value() ([]byte, bool) {
	c.space()
	start, depth := c.i, 0
	for c.i < len(c.b) {
		switch c.b[c.i] {
		case '"':
			if _, ok := c.text(); !ok {
				return nil, false
			}
			if depth == 0 {
				return c.b[start:c.i], true
			}
			continue
		case '{', '[':
			depth++
		case '}', ']', ',':
			if depth == 0 {
				return bytes.TrimRight(c.b[start:c.i], " \t\r\n"), c.i > start
			}
			if c.b[c.i] == ',' {
				break
			}
			if depth--; depth == 0 {
				c.i++
				return c.b[start:c.i], true
			}
		}
		c.i++
	}
	return nil, false
}

// unquote returns what a value stands for: the text of a string, nothing for null, and all else as it is written.
func unquote(value []byte) []byte {
	switch {
	case string(value) == "null":
		return nil
	case len(value) < 2 || value[0] != '"':
		return value
	case bytes.IndexByte(value, '\\') < 0:
		return value[1 : len(value)-1]
	}
	var s string
	if json.Unmarshal(value, &s) != nil {
		return value
	}
	return []byte(s)
}

// parseTST reads a time as mosquitto_sub writes it: 2026-04-20T00:00:01.793965Z+0000, where the offset decides and Z is
// only a letter. RFC 3339 is read too. It comes back in UTC and whole milliseconds, as a message's arrival does.
func parseTST(b []byte) (time.Time, bool) {
	const seconds = "2006-01-02T15:04:05"
	if len(b) < len(seconds) {
		return time.Time{}, false
	}
	var n [6]int // year, month, day, hour, minute, second
	for i, f := range [6]struct{ from, to int }{{0, 4}, {5, 7}, {8, 10}, {11, 13}, {14, 16}, {17, 19}} {
		var ok bool
		if n[i], ok = digits(b[f.from:f.to]); !ok {
			return time.Time{}, false
		}
	}
	if b[4] != '-' || b[7] != '-' || b[10] != 'T' || b[13] != ':' || b[16] != ':' ||
		n[1] < 1 || n[1] > 12 || n[2] < 1 || n[2] > 31 || n[3] > 23 || n[4] > 59 || n[5] > 60 {
		return time.Time{}, false
	}
	rest, nanos := fraction(b[len(seconds):])
	rest = bytes.TrimPrefix(rest, []byte("Z"))
	offset, ok := utcOffset(rest)
	if !ok {
		return time.Time{}, false
	}
	t := time.Date(n[0], time.Month(n[1]), n[2], n[3], n[4], n[5], nanos, time.UTC).Add(-offset)
	return t.Truncate(time.Millisecond), true
}

// fraction reads a fraction of a second, if there is one.
func fraction(b []byte) (rest []byte, nanos int) {
	if len(b) == 0 || b[0] != '.' {
		return b, 0
	}
	i, unit := 1, int(time.Second)
	for ; i < len(b) && '0' <= b[i] && b[i] <= '9'; i++ {
		unit /= 10
		nanos += int(b[i]-'0') * unit
	}
	return b[i:], nanos
}

// utcOffset reads +0100 or +01:00; nothing is UTC.
func utcOffset(b []byte) (time.Duration, bool) {
	if len(b) == 0 {
		return 0, true
	}
	if b[0] != '+' && b[0] != '-' {
		return 0, false
	}
	sign := time.Duration(1)
	if b[0] == '-' {
		sign = -1
	}
	b = b[1:]
	if len(b) == 5 && b[2] == ':' {
		b = append(b[:2:2], b[3:]...)
	}
	if len(b) != 4 {
		return 0, false
	}
	h, ok1 := digits(b[:2])
	m, ok2 := digits(b[2:])
	return sign * (time.Duration(h)*time.Hour + time.Duration(m)*time.Minute), ok1 && ok2 && h < 24 && m < 60
}

func digits(b []byte) (n int, ok bool) {
	for _, d := range b {
		if d < '0' || d > '9' {
			return 0, false
		}
		n = n*10 + int(d-'0')
	}
	return n, true
}

// lineError says which line of a capture is bad.
type lineError struct {
	line int
	err  error
}

// Error returns the line and what is wrong with it.
func (e *lineError) Error() string { return fmt.Sprintf("line %d: %v", e.line, e.err) }

// Unwrap returns what is wrong.
func (e *lineError) Unwrap() error { return e.err }
