package config

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// laidFarm has zones in every style that a keeper may write, and comments in every place.
const laidFarm = "# the farm of spring\r\n" + `farm: bank   # short
energizers:
  - {name: shed, open_kv: 8}
  - {name: mill, open_kv: 8}
zones:
  # the stream side
  - name: brook
    fed_by: 'shed'        # by the door
    length_m: 180.50      # paced out
    ohms_per_km: 4000
    stock: pigs

    # the gate sticks
    marks:
      - {at_m: 40, name: grüne Pforte}
  # and up the hill
  - {name: hazel, fed_by: brook, length_m: 150, ohms_per_km: 4000, stock: sheep} # one line
  -   stock: pigs
      length_m: 90
      ohms_per_km: 4000
      fed_by: hazel
      name: "lane"
page: {listen: "127.0.0.1:8099"}
`

// TestEditTouchesNothingElse compares the lines that changed; all others must be as they were, to the byte.
func TestEditTouchesNothingElse(t *testing.T) {
	for _, tt := range []struct {
		name    string
		changes []Relay
		want    []string
	}{
		{"re-fed, in quotes", []Relay{{Zone: "brook", FedBy: "mill"}}, []string{"9:     fed_by: mill        # by the door"}},
		{"re-fed, on one line with umlauts before", []Relay{{Zone: "hazel", FedBy: "shed", LengthM: 162.5}},
			[]string{"18:   - {name: hazel, fed_by: shed, length_m: 162.5, ohms_per_km: 4000, stock: sheep} # one line"}},
		{"longer", []Relay{{Zone: "lane", LengthM: 240}}, []string{"20:       length_m: 240"}},
		{"two at once", []Relay{{Zone: "lane", FedBy: "shed"}, {Zone: "hazel", Away: true}}, []string{
			"18: # away:   - {name: hazel, fed_by: brook, length_m: 150, ohms_per_km: 4000, stock: sheep} # one line", "22:       fed_by: shed"}},
		{"the last taken away", []Relay{{Zone: "lane", Away: true}}, []string{"19: # away:   -   stock: pigs", "20: # away:       length_m: 90",
			"21: # away:       ohms_per_km: 4000", "22: # away:       fed_by: hazel", `23: # away:       name: "lane"`}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Edit("farm.yaml", []byte(laidFarm), tt.changes...)
			if err != nil {
				t.Fatal(err)
			}
			was, is := strings.SplitAfter(laidFarm, "\n"), strings.SplitAfter(string(got.Text), "\n")
			if len(was) != len(is) {
				t.Fatalf("%d lines of %d", len(is), len(was))
			}
			var changed []string
			for i := range was {
				if was[i] != is[i] {
					changed = append(changed, strings.TrimSpace(numbered(i+1, is[i])))
				}
			}
			if diff := cmp.Diff(tt.want, changed); diff != "" {
				t.Errorf("lines (-want +got):\n%s", diff)
			}
		})
	}
}

func numbered(n int, line string) string {
	var l Line
	l.Number, l.New = n, strings.TrimRight(line, "\n")
	return l.String()
}

// Taken away and brought back, a file is as it was, to the byte; also with a zone of many lines and blank ones between.
func TestAwayAndBack(t *testing.T) {
	text := []byte(laidFarm)
	step := func(c Relay) {
		t.Helper()
		out, err := Edit("farm.yaml", text, c)
		if err != nil {
			t.Fatal(err)
		}
		text = out.Text
	}
	step(Relay{Zone: "hazel", FedBy: "shed"})
	before := string(text)
	step(Relay{Zone: "lane", Away: true})
	step(Relay{Zone: "brook", Away: true})
	if IsAway(text, "hazel") || !IsAway(text, "lane") || !IsAway(text, "brook") {
		t.Errorf("away are not lane and brook alone:\n%s", text)
	}
	if cfg, err := Parse("farm.yaml", text); err != nil || len(cfg.Farm.Zones) != 1 {
		t.Fatalf("left are %+v, %v; want hazel", cfg, err)
	}
	step(Relay{Zone: "brook", Back: true})
	step(Relay{Zone: "lane", Back: true})
	if diff := cmp.Diff(before, string(text)); diff != "" {
		t.Errorf("brought back (-want +got):\n%s", diff)
	}
}

func TestEditRefuses(t *testing.T) {
	flow := strings.Replace(laidFarm, laidFarm[strings.Index(laidFarm, "zones:"):strings.Index(laidFarm, "page:")],
		"zones: [{name: brook, fed_by: shed, length_m: 1, ohms_per_km: 1, stock: pigs}, {name: lane, fed_by: shed, length_m: 1, ohms_per_km: 1, stock: pigs}]\n", 1)
	for _, tt := range []struct {
		name   string
		text   string
		change Relay
		want   error
		says   string
	}{
		{"no such zone", laidFarm, Relay{Zone: "rowan", LengthM: 1}, ErrNotThere, "rowan\nhint: nightwire check"},
		{"an energizer", laidFarm, Relay{Zone: "shed", LengthM: 1}, ErrNotThere, "shed"},
		{"never taken away", laidFarm, Relay{Zone: "rowan", Back: true}, ErrNotThere, "nor one that was taken away\nhint: write it"},
		{"on the fence", laidFarm, Relay{Zone: "lane", Back: true}, ErrNoChange, "lane is on the fence"},
		{"so already", laidFarm, Relay{Zone: "lane", FedBy: "hazel", LengthM: 90}, ErrNoChange, "lane is 90 m long, fed by hazel"},
		{"all in one line", flow, Relay{Zone: "lane", Away: true}, ErrByHand, "hint: take it out of the list in line 6"},
		{"fed by nothing", laidFarm, Relay{Zone: "lane", FedBy: "rowan"}, Mistakes(nil), `fed by "rowan", which is not in this file`},
		{"in a circle", laidFarm, Relay{Zone: "brook", FedBy: "lane"}, Mistakes(nil), "circle"},
		{"others hang on it", laidFarm, Relay{Zone: "hazel", Away: true}, Mistakes(nil), `fed by "hazel", which is not in this file`},
		{"shorter than its marks", laidFarm, Relay{Zone: "brook", LengthM: 30}, Mistakes(nil), "the mark is at 40 m"},
		{"a name that is none", laidFarm, Relay{Zone: "lane", FedBy: "shed} #"}, Mistakes(nil), ""},
		{"broken before", "farm: [", Relay{Zone: "lane", LengthM: 1}, Mistakes(nil), ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Edit("farm.yaml", []byte(tt.text), tt.change)
			var mistakes Mistakes
			if err == nil || got != nil || !errors.Is(err, tt.want) && !errors.As(err, &mistakes) || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("got %v, want %v with %q", err, tt.want, tt.says)
			}
		})
	}
}
