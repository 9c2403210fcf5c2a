package decode

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"nightwire/ingest/pulse"
)

// weatherCase is one file of testdata/weather: a head that says where the payload comes from, then payload or payloads
// (one a line, to one station), pointers (as JSON), retained (empty: they were), and the outcome.
type weatherCase struct {
	archive  *txtar.Archive
	payloads [][]byte
	pointers map[string]string
	retained bool
}

func readWeatherCase(t testing.TB, file string) weatherCase {
	t.Helper()
	a, err := txtar.ParseFile(file)
	if err != nil {
		t.Fatal(err)
	}
	c := weatherCase{archive: a}
	if len(strings.TrimSpace(string(a.Comment))) == 0 {
		t.Errorf("%s does not say where its payload comes from", file)
	}
	for _, f := range a.Files {
		var err error
		switch f.Name {
		case "payload":
			c.payloads = [][]byte{f.Data}
		case "payloads":
			c.payloads = bytes.Split(bytes.TrimSpace(f.Data), []byte("\n"))
		case "pointers":
			err = json.Unmarshal(f.Data, &c.pointers)
		case "retained":
			c.retained = true
		case "outcome":
		default:
			err = errors.New("unknown section")
		}
		if err != nil {
			t.Fatalf("%s, section %s: %v", file, f.Name, err)
		}
	}
	return c
}

func TestWeatherCases(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("testdata", "weather", "*.txt"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no cases: %v", err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".txt")
		t.Run(name, func(t *testing.T) {
			c := readWeatherCase(t, file)
			w, err := NewWeather(c.pointers)
			if err != nil {
				t.Fatal(err)
			}
			got := ""
			for _, p := range c.payloads {
				rs, err := w.Decode("alder-bank/weather", p, arrived, c.retained)
				if (err != nil) != strings.HasPrefix(name, "bad-") {
					t.Errorf("%s: error %v", p, err)
				}
				switch {
				case err != nil:
					got += "error: " + err.Error() + "\n"
				case len(rs) == 0:
					got += "nothing\n"
				default:
					got += show(&rs[0]) + "\n"
				}
			}
			if *update {
				in := c.archive.Files
				if in[len(in)-1].Name == "outcome" {
					in = in[:len(in)-1]
				}
				c.archive.Files = append(in, txtar.File{Name: "outcome", Data: []byte(got)})
				if err := os.WriteFile(file, txtar.Format(c.archive), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want := c.archive.Files[len(c.archive.Files)-1]
			if diff := cmp.Diff(string(want.Data), got); diff != "" || want.Name != "outcome" {
				t.Errorf("%s (-want +got):\n%s", want.Name, diff)
			}
		})
	}
}

func TestNewWeatherRefuses(t *testing.T) {
	for _, tt := range []struct {
		name, want string
		pointers   map[string]string
	}{
		{"unknown key", `field "rain" is not one of rain_mm, rain_total_mm,`, map[string]string{"rain": "/a"}},
		{"a fence's key", `field "kv" is not one of rain_mm,`, map[string]string{"kv": "/a"}},
		{"no slash", `field temp_c: JSON Pointer "a/b" must start with /`, map[string]string{"temp_c": "a/b"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := NewWeather(tt.pointers); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
}

func FuzzWeather(f *testing.F) {
	files, err := filepath.Glob(filepath.Join("testdata", "weather", "*.txt"))
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range files {
		c := readWeatherCase(f, file)
		for _, p := range c.payloads {
			f.Add(p, c.retained, c.pointers != nil)
		}
	}
	f.Fuzz(func(t *testing.T, payload []byte, retained, byPointers bool) {
		var pointers map[string]string
		if byPointers {
			pointers = map[string]string{"rain_total_mm": "/rain_mm", "temp_c": "/a/0/b~1c", "snow_cm": "", "t": "/t"}
		}
		w, err := NewWeather(pointers)
		if err != nil {
			t.Fatal(err)
		}
		fell := 0.0
		for range 2 { // the second time there is a count to compare with: the same, so no rain has fallen
			rs, err := w.Decode("alder-bank/weather", payload, arrived, retained)
			if err != nil {
				checkText(t, err)
			}
			for i := range rs {
				checkReading(t, &rs[i])
				fell, _ = rs[i].Get(pulse.RainMM)
			}
		}
		if w.total != nil && byPointers && fell != 0 {
			t.Errorf("the same count twice gives %g mm", fell)
		}
	})
}
