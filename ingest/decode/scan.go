package decode

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
)

// maxDepth is how deep objects and arrays may be nested. Uplinks of LoRaWAN network servers reach about ten.
const maxDepth = 32

// scanner walks over one JSON text without building it. It takes all that RFC 8259 allows and is lenient with numbers,
// which are checked only where they are used.
type scanner struct {
	b     []byte
	i     int
	depth int
}

// kind is the kind of a JSON value.
type kind uint8

const (
	number  kind = iota // a number, or nan as C libraries print it
	text                // a string
	nothing             // null
	boolean
	object
	array
)

// value is one JSON value where it stands in the payload.
type value struct {
	kind kind
	raw  []byte // a string without its quotes, everything else as it stands
}

// number returns the number that v is, or the one in it when it is a string.
func (v value) number() (float64, error) {
	switch v.kind {
	case number, text:
		return parseFloat(bytes.TrimSpace(v.raw))
	case nothing:
		return 0, errMissing
	}
	return 0, fmt.Errorf("is %s, which is not a number", quote(v.raw))
}

// string returns the string that v is, with its escapes resolved.
func (v value) string() (string, error) {
	if v.kind != text {
		return "", fmt.Errorf("is %s, which is not a string", quote(v.raw))
	}
	if bytes.IndexByte(v.raw, '\\') < 0 {
		return string(v.raw), nil
	}
	quoted := append(append([]byte{'"'}, v.raw...), '"')
	var s string
	if err := json.Unmarshal(quoted, &s); err != nil {
		return "", fmt.Errorf("is %s, which has a bad escape", quote(v.raw))
	}
	return s, nil
}

// object scans an object and hands each member to fn.
func (s *scanner) object(fn func(key []byte, v value) error) error {
	return s.list('{', '}', func() error {
		if s.space() != '"' {
			return s.unexpected("a key in double quotes")
		}
		key, err := s.string()
		if err != nil {
			return err
		}
		if bytes.IndexByte(key.raw, '\\') >= 0 {
			plain, err := key.string()
			if err != nil {
				return fmt.Errorf("key %w", err)
			}
			key.raw = []byte(plain)
		}
		if s.space() != ':' {
			return s.unexpected("a colon after " + quote(key.raw))
		}
		s.i++
		v, err := s.value()
		if err != nil {
			return err
		}
		return fn(key.raw, v)
	})
}

// array scans an array and hands each element to fn.
func (s *scanner) array(fn func(index int, v value) error) error {
	n := 0
	return s.list('[', ']', func() error {
		v, err := s.value()
		if err != nil {
			return err
		}
		n++
		return fn(n-1, v)
	})
}

// list scans what stands between two brackets, parted by commas.
func (s *scanner) list(open, shut byte, item func() error) error {
	if s.space() != open {
		return s.unexpected(fmt.Sprintf("%q", open))
	}
	if s.depth++; s.depth > maxDepth {
		return fmt.Errorf("nested deeper than %d levels", maxDepth)
	}
	s.i++
	for s.space() != shut {
		if err := item(); err != nil {
			return err
		}
		if c := s.space(); c == ',' {
			s.i++ // one before the closing bracket is tolerated: boards that print in a loop leave it
		} else if c != shut {
			return s.unexpected(fmt.Sprintf("a comma or %q", shut))
		}
	}
	s.i++
	s.depth--
	return nil
}

// value scans any value. What is nested in it is checked and skipped.
func (s *scanner) value() (value, error) {
	c := s.space()
	start := s.i
	switch {
	case c == '"':
		return s.string()
	case c == '{':
		err := s.object(func([]byte, value) error { return nil })
		return value{object, s.b[start:s.i]}, err
	case c == '[':
		err := s.array(func(int, value) error { return nil })
		return value{array, s.b[start:s.i]}, err
	}
	for s.i < len(s.b) && isWord(s.b[s.i]) {
		s.i++
	}
	word := s.b[start:s.i]
	switch {
	case len(word) == 0:
		return value{}, s.unexpected("a value")
	case string(word) == "null":
		return value{nothing, word}, nil
	case string(word) == "true", string(word) == "false":
		return value{boolean, word}, nil
	case word[0] <= '9' || bytes.EqualFold(word, []byte("nan")) || bytes.EqualFold(word, []byte("-nan")):
		return value{number, word}, nil
	}
	s.i = start
	return value{}, s.unexpected("a value")
}

// isWord reports whether c may be part of a number or a literal.
func isWord(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '.' || c == '-' || c == '+'
}

// string scans a string and returns what is between its quotes, escapes and all.
func (s *scanner) string() (value, error) {
	start := s.i + 1
	for i := start; i < len(s.b); i++ {
		switch c := s.b[i]; {
		case c == '"':
			s.i = i + 1
			return value{text, s.b[start:i]}, nil
		case c == '\\':
			i++
		case c < ' ':
			return value{}, fmt.Errorf("not JSON: a control character in a string, at byte %d", i+1)
		}
	}
	return value{}, errors.New("not JSON: a string has no closing quote")
}

// space skips white space and returns the byte after it, or 0 at the end.
func (s *scanner) space() byte {
	for ; s.i < len(s.b); s.i++ {
		switch c := s.b[s.i]; c {
		case ' ', '\t', '\r', '\n':
		default:
			return c
		}
	}
	return 0
}

// end returns an error unless only white space is left.
func (s *scanner) end() error {
	if s.space() != 0 || s.i < len(s.b) {
		return fmt.Errorf("not JSON: more after its end, from byte %d: %s", s.i+1, quote(s.b[s.i:]))
	}
	return nil
}

// unexpected says what was wanted where the scanner stands.
func (s *scanner) unexpected(want string) error {
	if s.i >= len(s.b) {
		return fmt.Errorf("not JSON: it ends where %s should be", want)
	}
	return fmt.Errorf("not JSON: %s should be at byte %d, not %s", want, s.i+1, quote(s.b[s.i:]))
}
