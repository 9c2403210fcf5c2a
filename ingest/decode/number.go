package decode

import (
	"errors"
	"fmt"

	"nightwire/ingest/pulse"
)

// parseNumber reads a payload that is nothing but the peak in kilovolts, bare or in quotes.
func parseNumber(m message) ([]pulse.Reading, error) {
	x, err := parseFloat(unquoted(m.body))
	if errors.Is(err, errMissing) {
		return nil, fmt.Errorf("no value in it: %s", quote(m.body))
	}
	var f fields
	if err == nil {
		err = f.put(kvSlot, x)
	}
	if err != nil {
		return nil, fmt.Errorf("payload, as kilovolts, %w", err)
	}
	return m.one(&f, "no number")
}

// unquoted returns what stands between a pair of double quotes, or b.
func unquoted(b []byte) []byte {
	if len(b) >= 2 && b[0] == '"' && b[len(b)-1] == '"' {
		return b[1 : len(b)-1]
	}
	return b
}
