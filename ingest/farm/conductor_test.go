package farm

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestOhmsPerKM checks computed resistances against tables. Those of single wires and of polywire are the project's
// own reference tables, computed independently from the same resistivities (direct current, 20 °C). The last rows do
// not rest on our resistivities: copper of 1 mm² is 1000/58 Ω/km by the definition of IACS, and AWG 10 copper is
// 3.277 Ω/km at 20 °C (NBS Handbook 100, copper wire tables; value from memory).
func TestOhmsPerKM(t *testing.T) {
	for _, tt := range []struct {
		name      string
		conductor Conductor
		want      float64
		within    float64 // as a share: the tables are rounded
	}{
		{"steel 2.51 mm", Conductor{{"steel", 1, 2.51}}, 30.3, 0.002},
		{"steel 2.50 mm", Conductor{{"steel", 0, 2.50}}, 30.6, 0.002},
		{"steel 2.03 mm", Conductor{{"steel", 1, 2.03}}, 46.3, 0.002},
		{"steel 1.6 mm", Conductor{{"steel", 1, 1.6}}, 75, 0.006},
		{"steel 4 mm", Conductor{{"steel", 1, 4}}, 11.9, 0.004},
		{"aluminium 2.5 mm", Conductor{{"aluminium", 1, 2.5}}, 5.74, 0.002},
		{"aluminium 1.37 mm", Conductor{{"aluminium", 1, 1.37}}, 19.1, 0.003},
		{"stainless 1.6 mm", Conductor{{"stainless", 1, 1.6}}, 343, 0.002},
		{"polywire 3 × 0.15", Conductor{{"stainless", 3, 0.15}}, 13_000, 0.005},
		{"polywire 3 × 0.20", Conductor{{"stainless", 3, 0.20}}, 7_300, 0.005},
		{"polywire 6 × 0.16", Conductor{{"stainless", 6, 0.16}}, 5_700, 0.005},
		{"polywire 6 × 0.20", Conductor{{"stainless", 6, 0.20}}, 3_700, 0.015},
		{"polywire 9 × 0.20", Conductor{{"stainless", 9, 0.20}}, 2_400, 0.02},
		{"tape 10 × 0.16", Conductor{{"stainless", 10, 0.16}}, 3_400, 0.015},
		{"mixed 6 × 0.20 and 3 × 0.25 copper", Conductor{{"stainless", 6, 0.20}, {"copper", 3, 0.25}}, 113, 0.015},
		{"mixed 3 × 0.20 and 3 × 0.30 copper", Conductor{{"stainless", 3, 0.20}, {"copper", 3, 0.30}}, 80, 0.015},
		{"aluminium 1.6 mm", Conductor{{"aluminium", 1, 1.6}}, 14.03, 0.0005},
		{"polywire 6 × 0.20, to the digit", Conductor{{"stainless", 6, 0.20}}, 3660.6, 0.0001},
		{"copper of 1 mm²", Conductor{{"copper", 1, math.Sqrt(4 / math.Pi)}}, 1000.0 / 58, 0.0001},
		{"copper AWG 10", Conductor{{"copper", 1, 2.588}}, 3.277, 0.0005},
		{"four equal wires are a quarter", Conductor{{"steel", 4, 2.5}}, Conductor{{"steel", 1, 2.5}}.OhmsPerKM() / 4, 1e-12},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.conductor.OhmsPerKM(); math.Abs(got/tt.want-1) > tt.within {
				t.Errorf("%s: %g Ω/km, want %g within %g", tt.conductor, got, tt.want, tt.within)
			}
		})
	}
}

func TestParseConductor(t *testing.T) {
	for _, tt := range []struct {
		text, want string // what String makes of it; empty when it is refused
	}{
		{"2.5 steel", "1 × 2.5 mm steel"},
		{"1.6 mm aluminium", "1 × 1.6 mm aluminium"},
		{"6x0.2 stainless + 3x0.25 copper", "6 × 0.2 mm stainless and 3 × 0.25 mm copper"},
		{"6 × 0.2 mm stainless and 3 × 0.25 mm copper", "6 × 0.2 mm stainless and 3 × 0.25 mm copper"},
		{"", ""}, {"steel", ""}, {"2.5", ""}, {"2.5 string", ""}, {"0x2.5 steel", ""}, {"0.001 steel", ""}, {"90 steel", ""}, {"2.5 steel +", ""},
		{"9999x0.2 stainless", ""},
	} {
		t.Run(tt.text, func(t *testing.T) {
			c, err := ParseConductor(tt.text)
			if tt.want == "" {
				if err == nil || !strings.Contains(err.Error(), "\nhint: ") {
					t.Fatalf("got %v and error %v, want a refusal with a hint", c, err)
				}
				return
			}
			if err != nil || c.String() != tt.want {
				t.Errorf("got %q and error %v, want %q", c, err, tt.want)
			}
		})
	}
}

func FuzzParseConductor(f *testing.F) {
	f.Add("6x0.2 stainless + 3x0.25 copper")
	f.Add("1 × 2.5 mm steel")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseConductor(text)
		if err != nil {
			return
		}
		if ohms := c.OhmsPerKM(); !(ohms > 0) || math.IsInf(ohms, 0) {
			t.Errorf("%q has %g Ω/km", text, ohms)
		}
		again, err := ParseConductor(c.String())
		if diff := cmp.Diff(c, again); err != nil || diff != "" {
			t.Errorf("%q read again: error %v (-want +got):\n%s", c, err, diff)
		}
	})
}
