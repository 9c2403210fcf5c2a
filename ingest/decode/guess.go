package decode

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightwire/ingest/pulse"
)

// kilovoltsBelow is what a number called a voltage is taken for kilovolts below: no energizer's pulse is so few volts,
// and none is so many kilovolts.
const kilovoltsBelow = 30

// guessDepth bounds how deep Guess looks into a payload.
const guessDepth = 8

// Guess returns a format that reads the payload of a sensor that nobody has told us of, and the first reading in it. It
// is auto where that will do, else JSON Pointers to values whose names say what they are. A person is to look at it: a
// name may promise what the value is not.
func Guess(payload []byte, arrived time.Time) (Format, pulse.Reading, error) {
	read := func(f Format) (Format, pulse.Reading, error) {
		d, err := New(f)
		if err != nil {
			return f, pulse.Reading{}, err
		}
		rs, err := d.Decode("", payload, arrived, false)
		if err != nil {
			return f, pulse.Reading{}, err
		}
		return f, rs[0], nil
	}
	f, r, err := read(Format{Kind: "auto"})
	if _, ok := r.Get(pulse.Volts); err == nil && ok {
		return f, r, nil
	}
	var doc any
	d := json.NewDecoder(bytes.NewReader(trim(payload)))
	d.UseNumber()
	if d.Decode(&doc) != nil || len(payload) > MaxPayload {
		return f, r, cmp.Or(err, errors.New("payload has no voltage"))
	}
	found := map[string]candidate{}
	gather(found, doc, "", "", 0)
	if _, kv := found["kv"]; kv {
		delete(found, "v")
	}
	pointers := map[string]string{}
	for key, c := range found {
		pointers[key] = c.at
	}
	if pointers["kv"] == "" && pointers["v"] == "" {
		return f, r, errors.New("no number in the payload is called a voltage")
	}
	return read(Format{Kind: "pointer", Pointers: pointers})
}

// candidate is a place where a field may be.
type candidate struct {
	at    string // JSON Pointer
	depth int
}

// gather notes the places whose names say what they hold, the least deep for each field.
func gather(found map[string]candidate, v any, name, at string, depth int) {
	if depth > guessDepth {
		return
	}
	switch v := v.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			gather(found, v[k], k, at+"/"+strings.ReplaceAll(strings.ReplaceAll(k, "~", "~0"), "/", "~1"), depth+1)
		}
	case []any:
		for i, e := range v {
			gather(found, e, name, at+"/"+strconv.Itoa(i), depth+1)
		}
	case json.Number, string:
		key := meaning(strings.ToLower(name), v)
		if c, had := found[key]; key != "" && (!had || depth < c.depth) {
			found[key] = candidate{at, depth}
		}
	}
}

// meaning returns the field that a value of this name probably is, empty when it is none.
func meaning(name string, v any) string {
	n, isNumber := v.(json.Number)
	has := func(words ...string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(name, w) })
	}
	switch {
	case slices.Contains([]string{"t", "ts", "time", "timestamp", "received_at"}, name):
		return "t"
	case !isNumber:
		return ""
	case slices.Contains([]string{"rssi", "seq", "pulses", "interval_ms"}, name):
		return name
	case slices.Contains([]string{"f_cnt", "fcnt", "counter"}, name):
		return "seq"
	case !has("volt", "kv") && name != "v" && !strings.HasSuffix(name, "_v"):
		return ""
	case has("bat"):
		return "battery_v"
	case has("supply"):
		return "supply_v"
	case has("earth", "ground"):
		return "earth_kv"
	}
	if x, err := n.Float64(); has("kv") || err == nil && x < kilovoltsBelow {
		return "kv"
	}
	return "v"
}
