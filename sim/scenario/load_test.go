package scenario_test

import (
	"strings"
	"testing"
	"time"

	"nightwire/sim/scenario"
)

// little is a whole scenario in few lines; each bad case changes one thing in it.
const little = `name: little
start: 2026-05-01
days: 3
seed: 1
farm:
  farm: croft
  timezone: UTC
  energizers:
    - {name: e, supply: mains, open_kv: 8, sensor: {topic: croft/e, every: 60s}}
  zones:
    - {name: a, fed_by: e, length_m: 100, ohms_per_km: 4000, stock: pigs, sensor: {topic: croft/a, every: 60s}}
    - {name: b, fed_by: a, length_m: 100, ohms_per_km: 4000, stock: pigs, sensor: {topic: croft/b, every: 60s}}
faults:
  - {kind: break, zone: b, at_m: 50, from: "1 06:00", to: "1 12:00"}
acts:
  - {kind: trim, zone: a, at: "2 09:00"}
`

func TestLoad(t *testing.T) {
	s, err := scenario.Load([]byte(little))
	if err != nil {
		t.Fatal(err)
	}
	f := s.Options.Faults[0]
	if want := time.Date(2026, 5, 2, 6, 0, 0, 0, time.UTC); !f.From.Equal(want) || f.AtM != 50 {
		t.Errorf("fault %+v, want a break at 50 m from %v", f, want)
	}
	if z := s.Farm().Zone("a"); z.MinimumVolts != 2000 || s.Farm().Energizers[0].PulseEvery != 1300*time.Millisecond {
		t.Errorf("defaults not filled in: %+v, %+v", z, s.Farm().Energizers[0])
	}
	if got := string(s.FarmFile()); !strings.Contains(got, "fed_by: a") || strings.Contains(got, "faults") {
		t.Errorf("farm file:\n%s", got)
	}
}

func TestLoadRefuses(t *testing.T) {
	tests := []struct{ name, old, now, want string }{
		{"unknown key", "days: 3", "days: 3\nnights: 4", "[4:1] unknown field \"nights\""},
		{"bad date", "2026-05-01", "tomorrow", "not a date"},
		{"date before there were sensors", "2026-05-01", "0000-01-01", "1970 to 2199"},
		{"date beyond the clock", "2026-05-01", "9999-01-01", "1970 to 2199"},
		{"no days", "days: 3", "days: 0", "days 0"},
		{"not a number of days", "days: 3", "days: .nan", "days NaN"},
		{"bad timezone", "UTC", "Moon/Crater", "timezone"},
		{"fed by nothing", "fed_by: a", "fed_by: c", `fed by "c"`},
		{"circle", "fed_by: e", "fed_by: b", "which no energizer feeds"},
		{"same name", "name: b", "name: a", `two things are called "a"`},
		{"same topic", "croft/b", "croft/a", "its own topic"},
		{"joined to nothing", "fed_by: a,", "fed_by: a, joined_to: d,", `joined to "d"`},
		{"no length", "length_m: 100, ohms_per_km: 4000, stock: pigs, sensor: {topic: croft/b", "length_m: 0, ohms_per_km: 4000, stock: pigs, sensor: {topic: croft/b", "zone b"},
		{"reports without pause", "croft/b, every: 60s", "croft/b, every: 1us", "a second or more"},
		{"fault of no kind", "kind: break", "kind: gremlin", `"gremlin"`},
		{"fault on no zone", "zone: b, at_m", "zone: c, at_m", "needs a zone"},
		{"fault past the end", "at_m: 50", "at_m: 500", "outside the zone"},
		{"fault that ends first", `to: "1 12:00"`, `to: "0 12:00"`, "end after it starts"},
		{"bad time", `"1 06:00"`, `"1 26:00"`, "26:00"},
		{"act of no kind", "kind: trim", "kind: burn", `"burn"`},
		{"act on no zone", "kind: trim, zone: a", "kind: trim, zone: q", "no such zone"},
		{"sensor of no thing", "faults:", "sensors:\n  q: {loss: 0.1}\nfaults:", `sensor of "q"`},
		{"loss over one", "faults:", "sensors:\n  all: {loss: 1.5}\nfaults:", "share up to"},
		{"noise that is no number", "faults:", "sensors:\n  all: {white: .inf}\nfaults:", "shares of the reading"},
		{"ground of no zone", "faults:", "ground:\n  q: {start_mm: 1}\nfaults:", `ground of "q"`},
		{"negative growth", "faults:", "ground:\n  a: {vigour: -1}\nfaults:", "negative"},
		{"tag where a list belongs", "faults:", "faults: !wire\nacts_before:", "without tags"},
		{"climate", "faults:", "climate: {rain_hours: 2}\nfaults:", "climate"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if !strings.Contains(little, tt.old) {
				t.Fatalf("%q is not in the scenario", tt.old)
			}
			_, err := scenario.Load([]byte(strings.Replace(little, tt.old, tt.now, 1)))
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, want one with %q", err, tt.want)
			}
		})
	}
	for _, empty := range []string{"", "---\n", "[]", "\x00"} {
		if _, err := scenario.Load([]byte(empty)); err == nil {
			t.Errorf("%q was taken for a scenario", empty)
		}
	}
}

// Whatever the file holds, it is refused or it plays: messages in order, and never a crash.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(little))
	f.Add([]byte(strings.Replace(little, "faults:", "faults: !wire\nacts_before:", 1)))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := scenario.Load(b)
		if err != nil {
			return
		}
		s.Options.Length = min(s.Options.Length, 48*time.Hour)
		season, err := s.Sim()
		if err != nil {
			t.Fatalf("loaded, but does not run: %v", err)
		}
		var last time.Time
		for range 300 {
			m, ok := season.Next()
			if !ok {
				break
			}
			if m.At.Before(last) {
				t.Fatalf("a message of %v after one of %v", m.At, last)
			}
			last = m.At
		}
	})
}
