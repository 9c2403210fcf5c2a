package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightwire/ingest/farm"
	"nightwire/sim/outside"
)

// randomFence draws a farm with a tree of zones, sometimes with a loop, and a few faults on it.
func randomFence(rng *rand.Rand) Options {
	f := &farm.Farm{Energizers: []farm.Energizer{{
		Name: "e", Supply: farm.Mains, OpenVolts: 5000 + 6000*rng.Float64(),
		SourceOhms: 100 + 500*rng.Float64(), EarthOhms: 10 + 150*rng.Float64(),
	}}}
	o := Options{Farm: f, Start: may(1), Length: 24 * time.Hour, Grounds: map[string]Ground{},
		Powers: map[string]Power{"e": {OpenRatio: 1}}}
	wires := []float64{30, 113, 467, 2400, 4000, 7300, 13000}
	names := []string{"e"}
	for i := range 2 + rng.IntN(8) {
		z := farm.Zone{
			Name: "z" + strconv.Itoa(i), FedBy: names[max(0, rng.IntN(len(names)+2)-2)],
			LengthM: 40 + math.Floor(560*rng.Float64()), OhmsPerKM: wires[rng.IntN(len(wires))],
		}
		names = append(names, z.Name)
		f.Zones = append(f.Zones, z)
		o.Grounds[z.Name] = Ground{WireMM: []float64{200, 400, 600}[:1+rng.IntN(3)], OhmsRatio: 1}
	}
	if last := len(f.Zones) - 1; last > 0 && rng.IntN(2) == 0 && f.Zones[last].FedBy != f.Zones[last-1].Name {
		f.Zones[last].JoinedTo = f.Zones[last-1].Name
	}
	kinds := []Kind{Short, Break, BadJoint, StrandBreak, FallenWire, GateOpen, Short, BadJoint}
	for range 1 + rng.IntN(3) {
		z := &f.Zones[rng.IntN(len(f.Zones))]
		k := kinds[rng.IntN(len(kinds))]
		fault := Fault{Kind: k, On: z.Source(), AtM: math.Floor(z.LengthM * rng.Float64()), From: may(1)}
		fault.Ohms = math.Floor(20 * math.Pow(100, rng.Float64()))
		fault.Strand = rng.IntN(len(o.Grounds[z.Name].WireMM))
		if k == GateOpen {
			fault.AtM = 0
		}
		o.Faults = append(o.Faults, fault)
	}
	return o
}

// netlist writes the fence for SPICE from its description alone: every strand cut into 60 pieces and at each fault,
// the leak of a piece as one resistor in its middle.
func netlist(o *Options, leak func(zone, strand int) float64) string {
	var b strings.Builder
	e := o.Farm.Energizers[0]
	fmt.Fprintf(&b, "fence\nV1 src 0 dc %.10g\nRs src end_e %.10g\n", e.OpenVolts, e.SourceOhms+e.EarthOhms)
	part := 0
	resistor := func(a, c string, ohms float64) {
		part++
		fmt.Fprintf(&b, "R%d %s %s %.10g\n", part, a, c, ohms)
	}
	for i, z := range o.Farm.Zones {
		strands := len(o.Grounds[z.Name].WireMM)
		for s := range strands {
			spiceStrand(o, z, s, strands, leak(i, s), resistor)
		}
		if z.JoinedTo != "" {
			resistor("end_"+z.Name, "end_"+z.JoinedTo, 1e-4)
		}
	}
	b.WriteString(".options gmin=1e-15\n.control\nset numdgt=10\nop\n")
	b.WriteString("print v(end_e)\n")
	for _, z := range o.Farm.Zones {
		fmt.Fprintf(&b, "print v(end_%s)\n", z.Name)
	}
	b.WriteString("quit\n.endc\n.end\n")
	return b.String()
}

func spiceStrand(o *Options, z farm.Zone, s, strands int, leak float64, resistor func(a, c string, ohms float64)) {
	const pieces = 60
	nodes := 0
	fresh := func() string { nodes++; return fmt.Sprintf("n_%s_%d_%d", z.Name, s, nodes) }
	at, here := 0.0, "end_"+z.FedBy
	// run strings wire from here to metre m.
	run := func(m float64) {
		for at < m {
			step := min(z.LengthM/pieces, m-at)
			mid, next := fresh(), fresh()
			half := z.OhmsPerKM * float64(strands) * step / 1000 / 2
			resistor(here, mid, half)
			resistor(mid, next, half)
			resistor(mid, "0", 1/(leak*step/1000))
			at, here = at+step, next
			if m-at < 1e-9 {
				at = m
			}
		}
	}
	for m := 0.0; m <= z.LengthM; m++ { // faults are at whole metres
		for _, f := range o.Faults {
			if f.On != z.Source() || f.AtM != m {
				continue
			}
			run(m)
			here = spiceFault(f, s, strands, here, fresh, resistor)
		}
	}
	run(z.LengthM)
	resistor(here, "end_"+z.Name, 1e-6)
}

// spiceFault puts a fault at a node and returns the node beyond it.
func spiceFault(f Fault, s, strands int, here string, fresh func() string, resistor func(a, c string, ohms float64)) string {
	const gone = 1e14
	switch f.Kind {
	case Short:
		if s == f.Strand {
			resistor(here, "0", f.Ohms)
		}
		return here
	case FallenWire:
		if s == f.Strand {
			resistor(here, "0", f.Ohms)
		}
	case StrandBreak:
		if s != f.Strand {
			return here
		}
	case BadJoint:
		beyond := fresh()
		resistor(here, beyond, f.Ohms*float64(strands))
		return beyond
	}
	beyond := fresh()
	resistor(here, beyond, gone)
	return beyond
}

var printed = regexp.MustCompile(`v\(end_(\w+)\) = ([-+.\de]+)`)

// Thirty random fences with faults and loops, against ngspice on a netlist cut far finer: every node within 0.5 %.
func TestAgainstNgspice(t *testing.T) {
	ngspice := outside.Program(t, "ngspice")
	rng := rand.New(rand.NewPCG(6, 28))
	worst, loops := 0.0, 0
	for i := range 30 {
		o := randomFence(rng)
		w := evenFence(t, o, rng)
		if o.Farm.Zones[len(o.Farm.Zones)-1].JoinedTo != "" {
			loops++
		}
		want := spiceVolts(t, ngspice, netlist(&o, func(z, s int) float64 { return w.zones[z].growth[s][0] }))
		if len(want) != len(o.Farm.Zones)+1 {
			t.Fatalf("ngspice printed %d of %d nodes", len(want), len(o.Farm.Zones)+1)
		}
		for name, v := range want {
			node := w.net.energizers[0].node
			if name != "e" {
				node = w.net.zones[indexOf(o.Farm, o.Farm.Zone(name))].end
			}
			off := math.Abs(w.net.volts[node]-v) / max(v, 1) // under a volt, in volts: both are dead
			worst = max(worst, off)
			if off > 0.005 {
				t.Errorf("fence %d, %s: %.6g V, ngspice has %.6g; faults %+v", i, name, w.net.volts[node], v, o.Faults)
			}
		}
	}
	if loops < 5 {
		t.Errorf("only %d fences had a loop", loops)
	}
	t.Logf("worst node %.3f %% off, %d fences with a loop", worst*100, loops)
}

// evenFence solves a fence with an even leak on each strand, from clean and dry to heavy wet growth.
func evenFence(t *testing.T, o Options, rng *rand.Rand) *world {
	t.Helper()
	w := newWorld(o)
	for z := range w.zones {
		for s := range w.zones[z].growth {
			g := 1e-5 * math.Pow(200, rng.Float64())
			w.zones[z].growth[s][0], w.zones[z].growth[s][1] = g, g
			spans := w.net.zones[z].strands[s].spans
			for k := range spans {
				spans[k].weight = 1
			}
		}
		w.zones[z].even[0], w.zones[z].even[1] = 0, 0
	}
	w.sources[0].ohms[0], w.sources[0].ohms[1] = o.Farm.Energizers[0].EarthOhms, o.Farm.Energizers[0].EarthOhms
	var faults []*Fault
	for i := range o.Faults {
		faults = append(faults, &o.Faults[i])
	}
	w.solve(may(1), state{faults: faults})
	return w
}

// spiceVolts runs a netlist and returns what it printed, by the name of the thing at whose end the node is.
func spiceVolts(t *testing.T, ngspice, list string) map[string]float64 {
	t.Helper()
	file := filepath.Join(t.TempDir(), "fence.cir")
	if err := os.WriteFile(file, []byte(list), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), ngspice, "-b", file).CombinedOutput()
	if err != nil {
		t.Fatalf("ngspice: %v\n%s", err, out)
	}
	volts := map[string]float64{}
	for _, m := range printed.FindAllSubmatch(out, -1) {
		v, err := strconv.ParseFloat(string(m[2]), 64)
		if err != nil {
			t.Fatal(err)
		}
		volts[string(m[1])] = v
	}
	return volts
}
