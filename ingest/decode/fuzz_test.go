package decode

import (
	"encoding/json"
	"path/filepath"
	"testing"
	"time"
	"unicode/utf8"

	"nightwire/ingest/pulse"
)

// Run one for a while with: go test -fuzz FuzzJSON -fuzztime 20s ./ingest/decode

func FuzzNumber(f *testing.F)  { fuzzDecoder(f, Format{Kind: "number"}) }
func FuzzJSON(f *testing.F)    { fuzzDecoder(f, Format{Kind: "json"}) }
func FuzzSenML(f *testing.F)   { fuzzDecoder(f, Format{Kind: "senml"}) }
func FuzzAuto(f *testing.F)    { fuzzDecoder(f, Format{Kind: "auto"}) }
func FuzzPointer(f *testing.F) { fuzzDecoder(f, Format{Kind: "pointer", Pointers: somePointers()}) }

func somePointers() map[string]string {
	return map[string]string{"kv": "/a/0/b~1c", "v": "/v", "battery_v": "", "t": "/t", "rssi": "/a/1"}
}

// fuzzDecoder checks what holds for every payload: no panic; an error fit to show, or readings that are not empty,
// within limits, and under a time that Stamp would give.
func fuzzDecoder(f *testing.F, format Format) {
	for _, kind := range Kinds() {
		files, err := filepath.Glob(filepath.Join("testdata", kind, "*.txt"))
		if err != nil {
			f.Fatal(err)
		}
		for _, file := range files {
			c := readCase(f, kind, file)
			f.Add(c.payload, c.retained)
		}
	}
	d, err := New(format)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, payload []byte, retained bool) {
		readings, err := d.Decode("alder-bank/zone/brook", payload, arrived, retained)
		if err != nil {
			checkText(t, err)
			return
		}
		if len(readings) == 0 {
			t.Fatal("neither a reading nor an error")
		}
		for i := range readings {
			checkReading(t, &readings[i])
		}
	})
}

func checkReading(t *testing.T, r *pulse.Reading) {
	t.Helper()
	if r.Empty() {
		t.Error("empty reading")
	}
	if r.At != pulse.Stamp(r.At, arrived) || r.At.Location() != time.UTC {
		t.Errorf("time %v is not one that Stamp gives", r.At)
	}
	for f := range pulse.NumFields {
		if v, ok := r.Get(f); ok && pulse.Check(f, v) != nil {
			t.Errorf("value let through: %v", pulse.Check(f, v))
		}
	}
}

// FuzzScanner checks the scanner against encoding/json: it takes every text that is JSON, and finds in an object what
// encoding/json finds.
func FuzzScanner(f *testing.F) {
	for _, seed := range []string{`{"a":1.5,"b":"x\u00e9\n","c":[{},[],null,true]}`, `[]`, `"\ud834\udd1e"`, `-0.5e-7`, `{"":{"":""}}`, "{\"\xff\":\"\"}"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if !json.Valid(b) || len(b) > MaxPayload {
			return
		}
		s := scanner{b: b}
		v, err := s.value()
		if err == nil {
			err = s.end()
		}
		if err != nil {
			if !deep(b) {
				t.Fatalf("refused valid JSON: %v", err)
			}
			return
		}
		if v.kind == object && utf8.Valid(b) { // in other bytes encoding/json puts U+FFFD, and the scanner leaves them
			compareObject(t, b)
		}
	})
}

// deep reports whether b may be nested deeper than the scanner goes.
func deep(b []byte) bool {
	n := 0
	for _, c := range b {
		if c == '{' || c == '[' {
			n++
		}
	}
	return n > maxDepth
}

// compareObject compares the top-level members with what encoding/json finds; a key given twice counts by its last.
func compareObject(t *testing.T, b []byte) {
	t.Helper()
	var want map[string]any
	if err := json.Unmarshal(b, &want); err != nil {
		return // a number out of range
	}
	got := map[string]value{}
	s := scanner{b: b}
	if err := s.object(func(key []byte, v value) error { got[string(key)] = v; return nil }); err != nil {
		t.Fatal(err)
	}
	for key, w := range want {
		v, ok := got[key]
		switch w := w.(type) {
		case float64:
			if x, err := v.number(); err != nil || x != w {
				t.Errorf("%q: got %v, %v; want %v", key, x, err, w)
			}
		case string:
			// Invalid UTF-8 is replaced by encoding/json and left alone here, so only the length of clean text counts.
			if x, err := v.string(); err != nil || x != w && json.Valid([]byte(`"`+w+`"`)) && !hasReplacement(w) {
				t.Errorf("%q: got %q, %v; want %q", key, x, err, w)
			}
		default:
			if !ok && !hasReplacement(key) {
				t.Errorf("%q is not there", key)
			}
		}
	}
}

func hasReplacement(s string) bool {
	for _, r := range s {
		if r == '\uFFFD' {
			return true
		}
	}
	return false
}
