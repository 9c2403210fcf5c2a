package decode

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"nightwire/ingest/pulse"
)

// pointer is a JSON Pointer (RFC 6901) split into its reference tokens, unescaped.
type pointer []string

// parsePointer reads a pointer in the string form of RFC 6901 section 3.
func parsePointer(s string) (pointer, error) {
	if s == "" {
		return nil, nil // the whole document
	}
	if s[0] != '/' {
		return nil, fmt.Errorf("JSON Pointer %q must start with /", s)
	}
	tokens := strings.Split(s[1:], "/")
	for i, t := range tokens {
		for rest := t; ; {
			_, after, found := strings.Cut(rest, "~")
			if !found {
				break
			}
			if after == "" || after[0] != '0' && after[0] != '1' {
				return nil, fmt.Errorf("JSON Pointer %q has a ~ that is not followed by 0 or 1", s)
			}
			rest = after
		}
		// In this order, so that ~01 becomes ~1 and not / (RFC 6901 section 4).
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~")
	}
	return tokens, nil
}

// find returns the value that p points to in a document, which must be valid. It is errMissing when there is none.
func (p pointer) find(doc []byte) (value, error) {
	s := scanner{b: doc}
	if len(p) == 0 {
		return s.value()
	}
	var found *value
	take := func(v value) error {
		if found != nil {
			return fmt.Errorf("key %s is given twice", quote([]byte(p[0])))
		}
		found = &v
		return nil
	}
	var err error
	switch s.space() {
	case '{':
		err = s.object(func(key []byte, v value) error {
			if string(key) != p[0] {
				return nil
			}
			return take(v)
		})
	case '[':
		err = s.array(func(i int, v value) error {
			if strconv.Itoa(i) != p[0] { // compared as text: leading zeros are not allowed, and - is never there
				return nil
			}
			return take(v)
		})
	}
	if err != nil {
		return value{}, err
	}
	if found == nil {
		return value{}, errMissing
	}
	if len(p) > 1 && (found.kind != object && found.kind != array) {
		return value{}, errMissing
	}
	if len(p) == 1 {
		return *found, nil
	}
	return p[1:].find(found.raw)
}

// binding ties a field key to the place of its value.
type binding struct {
	slot slot
	key  string
	at   pointer
}

// pointerParser returns a parser for JSON of any shape, each of whose fields is found by a JSON Pointer.
func pointerParser(pointers map[string]string) (func(message) ([]pulse.Reading, error), error) {
	if len(pointers) == 0 {
		return nil, errors.New(`format "pointer" needs at least one field with its JSON Pointer`)
	}
	var bindings []binding
	for _, key := range Keys() {
		text, ok := pointers[key]
		if !ok {
			continue
		}
		at, err := parsePointer(text)
		if err != nil {
			return nil, fmt.Errorf("field %s: %w", key, err)
		}
		bindings = append(bindings, binding{slot: slotOf([]byte(key)), key: key, at: at})
	}
	for key := range pointers {
		if !slices.Contains(Keys(), key) {
			return nil, fmt.Errorf("field %q is not one of %s", key, strings.Join(Keys(), ", "))
		}
	}
	return func(m message) ([]pulse.Reading, error) { return parsePointers(m, bindings) }, nil
}

// parsePointers reads one payload by its bindings.
func parsePointers(m message, bindings []binding) ([]pulse.Reading, error) {
	s := scanner{b: m.body}
	if _, err := s.value(); err != nil {
		return nil, err
	}
	if err := s.end(); err != nil {
		return nil, err
	}
	var f fields
	for _, b := range bindings {
		v, err := b.at.find(m.body)
		if errors.Is(err, errMissing) {
			continue
		}
		if err == nil {
			err = f.set(b.slot, []byte(b.key), v)
		}
		if err != nil {
			return nil, err
		}
	}
	return m.one(&f, "nothing where the pointers point")
}
