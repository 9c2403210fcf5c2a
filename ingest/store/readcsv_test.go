package store

import (
	"bytes"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// readAll returns the readings and the errors of a table.
func readAll(text string) (rs []pulse.Reading, errs []string) {
	for r, err := range ReadCSV(strings.NewReader(text)) {
		if err != nil {
			errs = append(errs, err.Error())
			continue
		}
		rs = append(rs, r)
	}
	return rs, errs
}

func TestReadCSVTakesWhatExportGives(t *testing.T) {
	db := openTemp(t)
	want := series(rand.New(rand.NewPCG(3, 3)), "alder-bank/zone/brook", day0, 500, time.Second)
	mustAppend(t, db, want...)
	var b bytes.Buffer
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.ExportCSV(t.Context(), &b, Export{Sensors: []pulse.SensorID{"alder-bank/zone/brook"}, Location: dublin}); err != nil {
		t.Fatal(err)
	}
	got, errs := readAll(b.String())
	if diff := diffReadings(want, got); diff != "" || len(errs) > 0 {
		t.Errorf("%q (-want +got):\n%.1500s", errs, diff)
	}
}

func TestReadCSVOfOthers(t *testing.T) {
	const at = "2026-04-20T06:30:00+01:00"
	for _, tt := range []struct {
		name, text string
		readings   int
		err        string // of the first that has one
	}{
		{"columns in another order", "note,measured,peak (V),sensor\nfine," + at + ",7100,a\n", 1, ""},
		{"minutes have no readings", "sensor,measured,peak (V),what\na," + at + ",7100,lowest of a minute\na," + at + ",7100,reading\n", 1, ""},
		{"no arrival", "sensor,measured,arrived,pulses\na," + at + ",,46\n", 1, ""},
		{"a row that is odd does not end it", "sensor,measured,peak (V)\na," + at + ",high\na," + at + ",7100\n", 1, "line 2: peak (V)"},
		{"too few cells", "sensor,measured,peak (V)\na\na," + at + ",7100\n", 1, "line 2: "},
		{"a broken quote", "sensor,measured,peak (V)\n\"a\"b," + at + ",1\na," + at + ",7100\n", 1, "line 2: "},
		{"no sensor", "sensor,measured,peak (V)\n," + at + ",1\n", 0, "line 2: there is no sensor"},
		{"no value", "sensor,measured,peak (V)\na," + at + ",\n", 0, "line 2: the row has no value"},
		{"no measurement", "sensor,measured,peak (V)\na," + at + ",90000\n", 0, "line 2: volts 90000 is outside"},
		{"no time", "sensor,measured,peak (V)\na,yesterday,1\n", 0, "line 2: parsing time"},
		{"a time beyond reason", "sensor,measured,peak (V)\na,0001-01-01T00:00:00Z,1\n", 0, "line 2: the year 1"},
		{"no such table", "when,what\n1,2\n", 0, "the table has no columns"},
		{"empty", "", 0, "read the heading"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rs, errs := readAll(tt.text)
			if len(rs) != tt.readings || (len(errs) > 0) != (tt.err != "") || tt.err != "" && !strings.HasPrefix(errs[0], tt.err) {
				t.Errorf("got %d readings and %q, want %d and %q", len(rs), errs, tt.readings, tt.err)
			}
			for _, r := range rs {
				if want := time.Date(2026, 4, 20, 5, 30, 0, 0, time.UTC); r.Sensor != "a" || !r.At.Equal(want) || !r.Arrived.Equal(want) {
					t.Errorf("got %s at %v, arrived %v", r.Sensor, r.At, r.Arrived)
				}
			}
		})
	}
}

// FuzzReadCSV wants that whatever is taken can be stored, and comes out of an export the same.
func FuzzReadCSV(f *testing.F) {
	f.Add("sensor,measured,arrived,peak (V),pulses\na,2026-04-20T06:30:00Z,2026-04-20T06:30:01Z,7100.5,46\n")
	f.Add("measured,sensor\n\"2026-04-20T06:30:00.123+02:00\",\"x\ny\"\n")
	f.Add("sensor,measured,signal (dBm)\na,2026-04-20T06:30:00Z,-70\na,,\n\"")
	f.Fuzz(func(t *testing.T, text string) {
		rs, _ := readAll(text)
		for _, r := range rs {
			if r.Sensor == "" || r.Empty() || r.At.IsZero() || r.At.Nanosecond()%1e6 != 0 {
				t.Errorf("took %+v", r)
			}
		}
		if len(rs) > 0 {
			if b := appendBatch(nil, make([]int64, min(len(rs), maxBatch)), rs[:min(len(rs), maxBatch)]); len(b) == 0 {
				t.Error("what was taken cannot be stored")
			}
		}
	})
}

// TestReadCSVStopsWhenAsked reads no further than is wanted.
func TestReadCSVStopsWhenAsked(t *testing.T) {
	n := 0
	row := "a,2026-04-20T06:30:00Z,1\n"
	for _, err := range ReadCSV(strings.NewReader("sensor,measured,pulses\n" + strings.Repeat(row, 10))) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n == 3 {
			break
		}
	}
	if n != 3 {
		t.Errorf("read %d rows, want 3", n)
	}
}
