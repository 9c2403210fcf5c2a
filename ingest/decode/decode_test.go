package decode

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"nightwire/ingest/pulse"
)

var update = flag.Bool("update", false, "write what the decoders now return into the case files")

// arrived is when every payload of the cases comes in.
var arrived = time.Date(2026, 4, 20, 12, 0, 0, 0, time.UTC)

// TestCases runs every file under testdata/<kind>. A file says in its head where the payload comes from. Its sections
// are payload (or payload.quoted, a Go string literal), format (the Format as JSON, without its kind), retained (empty:
// the message was), and the outcome: readings, or error with the whole text.
func TestCases(t *testing.T) {
	for _, kind := range Kinds() {
		files, err := filepath.Glob(filepath.Join("testdata", kind, "*.txt"))
		if err != nil {
			t.Fatal(err)
		}
		if len(files) == 0 {
			t.Fatalf("no samples of %s: put some into testdata/%s, and run this with -update", kind, kind)
		}
		for _, file := range files {
			name := kind + "/" + strings.TrimSuffix(filepath.Base(file), ".txt")
			t.Run(name, func(t *testing.T) { runCase(t, kind, file) })
		}
	}
}

func runCase(t *testing.T, kind, file string) {
	c := readCase(t, kind, file)
	section, got := "readings", ""
	d, err := New(c.format)
	var readings []pulse.Reading
	if err == nil {
		readings, err = d.Decode("alder-bank/zone/brook", c.payload, arrived, c.retained)
	}
	if err != nil {
		section, got = "error", err.Error()+"\n"
	}
	for i := range readings {
		got += show(&readings[i]) + "\n"
	}
	if *update {
		c.archive.Files = append(c.inputs(), txtar.File{Name: section, Data: []byte(got)})
		if err := os.WriteFile(file, txtar.Format(c.archive), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	outcome := c.archive.Files[len(c.archive.Files)-1]
	want := fmt.Sprintf("%s:\n%s", outcome.Name, outcome.Data)
	if diff := cmp.Diff(want, fmt.Sprintf("%s:\n%s", section, got)); diff != "" {
		t.Errorf("outcome (-want +got); if it is right, run this with -update:\n%s", diff)
	}
}

// testCase is one file of testdata.
type testCase struct {
	archive  *txtar.Archive
	format   Format
	payload  []byte
	retained bool
}

func readCase(t testing.TB, kind, file string) testCase {
	t.Helper()
	a, err := txtar.ParseFile(file)
	if err != nil {
		t.Fatal(err)
	}
	c := testCase{archive: a, format: Format{Kind: kind}}
	if len(strings.TrimSpace(string(a.Comment))) == 0 {
		t.Errorf("%s does not say where its payload comes from", file)
	}
	for _, f := range a.Files {
		var err error
		switch f.Name {
		case "payload":
			c.payload = f.Data
		case "payload.quoted":
			var s string
			s, err = strconv.Unquote(strings.TrimSpace(string(f.Data)))
			c.payload = []byte(s)
		case "format":
			err = json.Unmarshal(f.Data, &c.format)
		case "retained":
			c.retained = true
		case "readings", "error":
		default:
			err = errors.New("unknown section")
		}
		if err != nil {
			t.Fatalf("%s, section %s: %v", file, f.Name, err)
		}
	}
	return c
}

// inputs returns the sections of a case without its outcome.
func (c *testCase) inputs() []txtar.File {
	var in []txtar.File
	for _, f := range c.archive.Files {
		if f.Name != "readings" && f.Name != "error" {
			in = append(in, f)
		}
	}
	return in
}

// show writes a reading on one line, with "arrival" for a reading that counts from when it came in.
func show(r *pulse.Reading) string {
	line := r.At.Format("2006-01-02T15:04:05.999Z07:00")
	if r.At.Equal(r.Arrived) {
		line = "arrival"
	}
	for f := range pulse.NumFields {
		if v, ok := r.Get(f); ok {
			line += fmt.Sprintf(" %s=%s", f, strconv.FormatFloat(v, 'f', -1, 64))
		}
	}
	return line
}

func TestReadingCarriesSensorAndTimes(t *testing.T) {
	d, err := New(Format{})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 4, 20, 14, 0, 0, 123_456_789, time.FixedZone("", 2*3600))
	got, err := d.Decode("alder-bank/zone/lane", []byte(`{"kv":8.17,"t":"2026-04-20T13:59:59.5+02:00"}`), at, false)
	if err != nil {
		t.Fatal(err)
	}
	want := pulse.Reading{
		Sensor:  "alder-bank/zone/lane",
		At:      time.Date(2026, 4, 20, 11, 59, 59, 500e6, time.UTC),
		Arrived: time.Date(2026, 4, 20, 12, 0, 0, 123e6, time.UTC),
	}
	want.Set(pulse.Volts, 8170)
	if diff := cmp.Diff([]pulse.Reading{want}, got, cmp.AllowUnexported(pulse.Reading{})); diff != "" {
		t.Errorf("readings (-want +got):\n%s", diff)
	}
}

func TestRetainedIsToldApart(t *testing.T) {
	d, err := New(Format{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Decode("a/zone/b", []byte("8.17"), arrived, true); !errors.Is(err, ErrRetained) {
		t.Errorf("retained number: got %v, want ErrRetained", err)
	}
	if _, err := d.Decode("a/zone/b", []byte("eight"), arrived, true); err == nil || errors.Is(err, ErrRetained) {
		t.Errorf("retained word: got %v, want an error about the payload", err)
	}
}

func TestNewRefuses(t *testing.T) {
	for _, tt := range []struct {
		name, want string
		format     Format
	}{
		{"unknown kind", `format "xml" is not one of auto, number, json, senml, pointer`, Format{Kind: "xml"}},
		{"no pointers", `format "pointer" needs at least one field`, Format{Kind: "pointer"}},
		{"unknown field", `field "volts" is not one of kv, v,`, Format{Kind: "pointer", Pointers: map[string]string{"volts": "/a"}}},
		{"no slash", `field kv: JSON Pointer "a/b" must start with /`, Format{Kind: "pointer", Pointers: map[string]string{"kv": "a/b"}}},
		{"bad escape", `has a ~ that is not followed by 0 or 1`, Format{Kind: "pointer", Pointers: map[string]string{"kv": "/a~2"}}},
		{"trailing tilde", `has a ~ that is not followed by 0 or 1`, Format{Kind: "pointer", Pointers: map[string]string{"kv": "/a~"}}},
		{"pointers without the kind", `pointers are given but the format is "json"`, Format{Kind: "json", Pointers: map[string]string{"kv": "/a"}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := New(tt.format)
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("New: got %v, want %q", err, tt.want)
			}
		})
	}
}

// TestHostilePayloads checks that what is meant to hurt is refused, and that the error stays short and printable.
func TestHostilePayloads(t *testing.T) {
	long := strings.Repeat("9", MaxPayload)
	for name, payload := range map[string]string{
		"ten megabytes":       strings.Repeat("8", 10<<20),
		"long number":         long,
		"long key":            `{"` + long[:60000] + `":1`,
		"long string value":   `{"kv":"` + long[:60000] + `x"}`,
		"deep arrays":         strings.Repeat("[", 60000),
		"deep objects":        strings.Repeat(`{"a":`, 12000),
		"deep in unknown key": `{"a":` + strings.Repeat("[", 100) + strings.Repeat("]", 100) + `,"kv":8}`,
		"control characters":  "\x1b[31mred\x07",
		"not text":            "\xff\xfe8\x00.\x001\x007\x00",
		"text in UTF-16":      "8\x00.\x001\x007\x00",
		"huge exponent":       `{"kv":1e99999}`,
	} {
		for _, kind := range []string{"auto", "number", "json", "senml"} {
			t.Run(kind+"/"+name, func(t *testing.T) {
				d, err := New(Format{Kind: kind})
				if err != nil {
					t.Fatal(err)
				}
				_, err = d.Decode("a/zone/b", []byte(payload), arrived, false)
				if err == nil {
					t.Fatal("accepted")
				}
				checkText(t, err)
			})
		}
	}
}

// checkText fails when an error is too long or not printable for a page or a log.
func checkText(t testing.TB, err error) {
	t.Helper()
	if len(err.Error()) > 300 {
		t.Errorf("error of %d bytes: %.400s", len(err.Error()), err)
	}
	for _, r := range err.Error() {
		if !strconv.IsPrint(r) {
			t.Errorf("error has %q: %q", r, err)
		}
	}
}

func TestFastPathAllocatesOnlyTheReading(t *testing.T) {
	for _, payload := range []string{`8.17`, `{"kv":8.17,"pulses":46,"battery_v":3.92,"seq":40213,"t":1776643201793}`} {
		d, err := New(Format{})
		if err != nil {
			t.Fatal(err)
		}
		body := []byte(payload)
		got := testing.AllocsPerRun(100, func() {
			if _, err := d.Decode("alder-bank/zone/brook", body, arrived, false); err != nil {
				t.Fatal(err)
			}
		})
		if got > 1 {
			t.Errorf("%s: %g allocations, want 1", payload, got)
		}
	}
}

func TestNoneOfOursNamesEveryKey(t *testing.T) {
	want := "none of " + strings.Join(Keys()[:len(Keys())-1], ", ") // the time alone is no value
	if noneOfOurs != want {
		t.Errorf("noneOfOurs is %q, want %q", noneOfOurs, want)
	}
}
