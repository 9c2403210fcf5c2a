package plan

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts/paragraph"
	"nightwire/ingest/farm"
	"nightwire/sim/outside"
)

var update = flag.Bool("update", false, "write what the package now prints into the golden files")

// alderBank is a farm with a tree, a loop, two kinds of stock and a training pen.
func alderBank() *farm.Farm {
	polywire := farm.Conductor{{Material: "stainless", Strands: 6, DiameterMM: 0.2}}
	z := func(name, by string, m float64, ohms float64, stock string, volts float64) farm.Zone {
		return farm.Zone{Name: name, FedBy: by, LengthM: m, OhmsPerKM: ohms, Stock: stock, MinimumVolts: volts}
	}
	f := &farm.Farm{
		Name:       "alder-bank",
		Energizers: []farm.Energizer{{Name: "cartshed", OpenVolts: 8200, SourceOhms: 350, EarthOhms: 60}},
		Zones: []farm.Zone{
			z("brook", "cartshed", 180, 3700, "pigs", 2500), z("hazel", "brook", 240, 3700, "pigs", 2000), z("lane", "hazel", 320, 1830, "pigs", 2000),
			z("orchard", "cartshed", 210, 113, "sheep", 3000), z("spinney", "orchard", 150, 3700, "sheep", 3000),
			z("pen", "cartshed", 60, polywire.OhmsPerKM(), "pigs", 3000), z("long-meadow-by-the-river", "orchard", 900, 30.6, "cattle", 2000),
		},
	}
	f.Zones[0].MinimumGiven = true
	f.Zones[4].JoinedTo = "lane"
	f.Zones[5].Training, f.Zones[5].Conductor = true, polywire
	return f
}

// TestReport compares what a plan says with golden texts, and holds it to 80 columns.
func TestReport(t *testing.T) {
	none := oneFence(0.6, 3700)
	none.Zones[0].Stock, none.Zones[0].MinimumVolts = "", 0
	weak := oneFence(4, 7300)
	for _, tt := range []struct {
		name    string
		farm    *farm.Farm
		changes []string
		ground  Ground
	}{
		{"alder-bank", alderBank(), []string{"lane.wire=6x0.2 stainless + 3x0.25 copper", "cartshed.earth_ohms=20"}, Ground{}},
		{"no-stock", none, nil, Ground{OhmM: 300}},
		{"weak-when-clean", weak, nil, Ground{OhmM: 40.6, Stakes: 3}},
		{"steel", oneFence(5, 30), nil, Ground{}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.ground.Stake = DefaultStake()
			asIs := WithEarth(tt.farm, tt.ground)
			changed, err := Apply(asIs, tt.changes)
			if err != nil {
				t.Fatal(err)
			}
			r := Report{Farm: asIs, Fences: mustPlan(t, asIs), Changes: tt.changes, Ground: tt.ground}
			if len(tt.changes) > 0 {
				r.Changed = mustPlan(t, changed)
			}
			var b strings.Builder
			if err := r.Write(&b); err != nil {
				t.Fatal(err)
			}
			for _, line := range strings.Split(b.String(), "\n") {
				if n := utf8.RuneCountInString(line); n > paragraph.Columns || strings.HasSuffix(line, " ") && strings.Contains(line, "|") {
					t.Errorf("%d columns, or blanks at the end: %q", n, line)
				}
			}
			golden(t, filepath.Join("testdata", tt.name+".txt"), b.String())
		})
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

// spans is into how many spans a netlist cuts each zone.
const spans = 60

// netlist writes a fence for ngspice, each zone cut into spans; ohms to earth at the end of zone touched, if it is
// named.
func netlist(f *farm.Farm, leakPerKM float64, touched string) string {
	var b strings.Builder
	e := f.Energizers[0]
	fmt.Fprintf(&b, "fence\nV1 s 0 %g\nR1 s n_%s %g\n", e.OpenVolts, e.Name, e.SourceOhms+e.EarthOhms)
	end := func(z *farm.Zone) string {
		if z.JoinedTo != "" {
			return "n_" + z.JoinedTo
		}
		return "n_" + z.Name
	}
	n := 0
	two := func(kind, p, q string, v float64) {
		n++
		fmt.Fprintf(&b, "%s%d %s %s %.9g\n", kind, n+1, p, q, v)
	}
	var prints []string
	for i := range f.Zones {
		z := &f.Zones[i]
		here := "n_" + z.FedBy
		if p := f.Zone(z.FedBy); p != nil {
			here = end(p)
		}
		for k := range spans {
			next := fmt.Sprintf("%s_%d", z.Name, k)
			if k == spans-1 {
				next = end(z)
			}
			half := 2 * spans / (leakPerKM * z.LengthM / 1000)
			two("R", here, "0", half)
			two("R", next, "0", half)
			two("R", here, next, z.Ohms()/spans)
			here = next
		}
		if z.Name == touched {
			two("R", here, "0", AnimalOhms)
		}
		prints = append(prints, fmt.Sprintf("print v(%s)", end(z)))
	}
	return b.String() + ".control\nop\n" + strings.Join(prints, "\n") + "\nquit\n.endc\n.end\n"
}

var printed = regexp.MustCompile(`(?m)^v\(\S+\) = ([-+.\de]+)`)

// spice returns the volts at the far end of each zone, by ngspice.
func spice(t *testing.T, list string) []float64 {
	t.Helper()
	file := filepath.Join(t.TempDir(), "fence.cir")
	if err := os.WriteFile(file, []byte(list), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), outside.Program(t, "ngspice"), "-b", file).CombinedOutput()
	if err != nil {
		t.Fatalf("ngspice: %v\n%s", err, out)
	}
	var volts []float64
	for _, m := range printed.FindAllSubmatch(out, -1) {
		v, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		volts = append(volts, v)
	}
	return volts
}

// TestAgainstNgspice holds every volt of a plan with a tree and a loop, and every help, to ngspice on a netlist of
// spans: within 0.2 %.
func TestAgainstNgspice(t *testing.T) {
	f := alderBank()
	fence := mustPlan(t, f)[0]
	for g, growth := range Growths() {
		volts := spice(t, netlist(f, growth.LeakPerKM, ""))
		if len(volts) != len(f.Zones) {
			t.Fatalf("ngspice printed %d of %d zones", len(volts), len(f.Zones))
		}
		for i, v := range volts {
			at := 0
			for k := range fence.Zones {
				if fence.Zones[k].Name == f.Zones[i].Name {
					at = k
				}
			}
			near(t, growth.Name+", end of "+f.Zones[i].Name, fence.Zones[at].ends[g][1], v, 0.002*v)
		}
	}
	f.Zones[4].JoinedTo = "" // on a tree the weakest point is an end, which ngspice prints
	fence = mustPlan(t, f)[0]
	tries := []struct {
		help   int
		change func(z *farm.Zone)
		earth  float64
	}{
		{0, func(*farm.Zone) {}, 60},
		{1, func(z *farm.Zone) { z.OhmsPerKM /= 2 }, 60},
		{3, func(z *farm.Zone) { z.OhmsPerKM = min(z.OhmsPerKM, 113.1) }, 60},
		{4, func(z *farm.Zone) { z.LengthM *= 0.75 }, 60},
		{5, func(*farm.Zone) {}, 60 * 1.16 / 2},
	}
	for _, tt := range tries {
		changed := copyOf(f)
		at := 0
		for i := range changed.Zones {
			for _, z := range fence.Path() {
				if z.Name == changed.Zones[i].Name {
					tt.change(&changed.Zones[i])
				}
			}
			if changed.Zones[i].Name == fence.Weakest.Zone {
				at = i
			}
		}
		changed.Energizers[0].EarthOhms = tt.earth
		h := fence.Helps[tt.help]
		want := spice(t, netlist(changed, 1e-3, ""))[at]
		near(t, h.Change+", light", h.Light, want, 0.002*want)
		want = spice(t, netlist(changed, 5e-3, ""))[at]
		near(t, h.Change+", heavy", h.Heavy, want, 0.002*want)
		want = spice(t, netlist(changed, 1e-3, fence.Weakest.Zone))[at]
		near(t, h.Change+", with an animal", h.Animal, want, 0.002*want)
	}
}

func TestApply(t *testing.T) {
	f := alderBank()
	before := fmt.Sprintf("%+v", f)
	got, err := Apply(f, []string{"lane.length_m=120", "brook.ohms_per_km = 113", "pen.wire=2.5 steel", "hazel.minimum_kv=3", "cartshed.open_kv=9",
		"cartshed.source_ohms=200", "cartshed.earth_ohms=0"})
	if err != nil {
		t.Fatal(err)
	}
	want := alderBank()
	want.Zones[2].LengthM, want.Zones[0].OhmsPerKM, want.Zones[1].MinimumVolts, want.Zones[1].MinimumGiven = 120, 113, 3000, true
	want.Zones[5].Conductor = farm.Conductor{{Material: "steel", Strands: 1, DiameterMM: 2.5}}
	want.Zones[5].OhmsPerKM = want.Zones[5].Conductor.OhmsPerKM()
	want.Energizers[0] = farm.Energizer{Name: "cartshed", OpenVolts: 9000, SourceOhms: 200}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("layout (-want +got):\n%s", diff)
	}
	if after := fmt.Sprintf("%+v", f); after != before {
		t.Error("the layout that was handed in has changed")
	}
	for _, c := range []string{"", "lane", "lane=3", "lane.length_m", "lane.length_m=", "lane.length_m=-3", "lane.length_m=NaN", "lane.colour=red",
		"barn.length_m=3", "cartshed.length_m=3", "lane.wire=rope", "cartshed.open_kv=8200"} {
		if _, err := Apply(f, []string{c}); err == nil || !strings.Contains(err.Error(), "\nhint: ") {
			t.Errorf("change %q: error %v, want a refusal with a hint", c, err)
		}
	}
}

func FuzzApply(f *testing.F) {
	f.Add("lane.length_m=120")
	f.Add("pen.wire=6x0.2 stainless")
	f.Add("cartshed.open_kv=9")
	f.Fuzz(func(t *testing.T, c string) {
		changed, err := Apply(alderBank(), []string{c})
		if err != nil {
			return
		}
		for _, fence := range mustPlan(t, changed) {
			for _, z := range fence.Zones {
				for g := range growths {
					if v := z.Volts[g]; !(v >= 0 && v <= fence.Energizer.OpenVolts) {
						t.Errorf("with %q, %s carries %g V of %g", c, z.Name, v, fence.Energizer.OpenVolts)
					}
				}
			}
		}
	})
}
