package plan

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"nightwire/alerts"
	"nightwire/alerts/paragraph"
	"nightwire/ingest/farm"
)

// Ground is what is known of the earth for a plan.
type Ground struct {
	Stake  Stake
	Stakes int     // how many there are; 0 counts as 1
	OhmM   float64 // resistivity of the soil; 0 when it is not known
}

// Report is a plan as it is told.
type Report struct {
	Farm    *farm.Farm
	Fences  []Fence
	Changed []Fence  // the same with Changes made; nil for none
	Changes []string // as zone.key=value
	Ground  Ground
}

// Write writes tables, a plot of each fence, and the cautions. It fits 80 columns.
func (r *Report) Write(w io.Writer) error {
	var b strings.Builder
	for i := range r.Fences {
		r.fence(&b, &r.Fences[i])
	}
	if len(r.Changed) > 0 {
		paragraph.Write(&b, "", "With "+strings.Join(r.Changes, ", ")+":")
		for i := range r.Changed {
			b.WriteString("\n")
			zoneTable(&b, &r.Changed[i])
			verdict(&b, &r.Changed[i])
		}
		b.WriteString("\n")
	}
	paragraph.Write(&b, "", "Growth is taken as "+growthText()+" millisiemens a kilometre: a guess of ours, for no measurement was found. "+
		"It may be ten times out either way; what your fence leaks shows once sensors report.")
	if slices.ContainsFunc(r.Farm.Zones, maybeSteel) {
		paragraph.Write(&b, "", "Ohms are for direct current. On steel wire a pulse meets 2 to 3.5 times as many (computed for 2.5 mm, 3 to 10 kHz): "+
			"there, take these volts as the best case.")
	}
	if rests := alerts.MinimumStandings(r.Farm); len(rests) > 0 {
		b.WriteString("\nMinimums are this program's own proposal, not a published standard:\n")
		for _, s := range rests {
			paragraph.Write(&b, "  - ", s)
		}
	}
	b.WriteString("\nCautions:\n")
	for _, c := range alerts.Cautions(alerts.AboutWork, alerts.AboutSupply, alerts.AboutEarth) {
		paragraph.Write(&b, "  - ", c.Text+" ["+c.Standing+"]")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// maybeSteel reports whether a zone's wire may be steel: it is, or its ohms are given and no polywire has so few.
func maybeSteel(z farm.Zone) bool {
	if z.Conductor == nil {
		return z.OhmsPerKM < leastPolywire
	}
	return slices.ContainsFunc(z.Conductor, func(w farm.Wire) bool { return w.Material == "steel" })
}

// leastPolywire is less than the ohms of a kilometre of any polywire of stainless strands alone: 27 strands of 0.2 mm.
const leastPolywire = 800

func growthText() string {
	var parts []string
	for _, g := range Growths() {
		parts = append(parts, fmt.Sprintf("%g (%s)", g.LeakPerKM*1000, g.Name))
	}
	return strings.Join(parts, ", ")
}

// fence tells the plan of one energizer's fence.
func (r *Report) fence(b *strings.Builder, f *Fence) {
	e := &f.Energizer
	earth := "earth not given, taken as perfect"
	if e.EarthOhms > 0 {
		earth = fmt.Sprintf("earth %.0f Ω", e.EarthOhms)
	}
	fmt.Fprintf(b, "%s, %s: %s kV unhooked, %g Ω, %s\n\n", r.Farm.Name, e.Name, kv(e.OpenVolts), e.SourceOhms, earth)
	zoneTable(b, f)
	verdict(b, f)
	b.WriteString("\n")
	plot(b, f)
	helpTable(b, f)
	earthTable(b, f, r.Ground)
	b.WriteString("\n")
}

func zoneTable(b *strings.Builder, f *Fence) {
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, left("zone"), "\t", left("fed by"), "\tm\tΩ/km\tclean \tlight \theavy \tneeds\t\n")
	for i := range f.Zones {
		z := &f.Zones[i]
		fmt.Fprintf(t, "%s\t%s\t%.0f\t%s\t", left(z.Name), left(z.FedBy), z.LengthM, digits(z.OhmsPerKM))
		for g := range growths {
			mark := " "
			if z.Volts[g] < z.NeedVolts() {
				mark = "!"
			}
			fmt.Fprintf(t, "%s%s\t", kv(z.Volts[g]), mark)
		}
		needs := "–"
		if z.NeedVolts() > 0 {
			needs = strconv.FormatFloat(z.NeedVolts()/1000, 'f', -1, 64) + " kV"
		}
		fmt.Fprintf(t, "%s\t\n", needs)
	}
	_ = t.Flush() // writes to a strings.Builder, which cannot fail
}

// verdict says what the table means.
func verdict(b *strings.Builder, f *Fence) {
	weak := func(g int) string { return strings.Join(f.Weak(g), ", ") }
	at := fmt.Sprintf("%s at %.0f m", f.Weakest.Zone, f.Weakest.AtM)
	switch {
	case !slices.ContainsFunc(f.Zones, func(z Zone) bool { return z.NeedVolts() > 0 }):
		paragraph.Write(b, "", fmt.Sprintf("Weakest point: %s. What it must carry is not known: say what it holds.", at))
	case weak(Clean) != "":
		paragraph.Write(b, "", fmt.Sprintf("! Too weak even when clean: %s. Weakest point: %s.", weak(Clean), at))
	case weak(Light) != "":
		paragraph.Write(b, "", fmt.Sprintf("! Holds clean; light growth takes it from %s. Weakest point: %s.", weak(Light), at))
	case weak(Heavy) != "":
		paragraph.Write(b, "", fmt.Sprintf("! Holds with light growth; heavy, wet growth takes it from %s. Weakest point: %s.", weak(Heavy), at))
	default:
		paragraph.Write(b, "", fmt.Sprintf("Holds everywhere, grown over too. Weakest point: %s.", at))
	}
}

func helpTable(b *strings.Builder, f *Fence) {
	fmt.Fprintf(b, "\nAt the weakest point (%s at %.0f m), in kV:\n\n", f.Weakest.Zone, f.Weakest.AtM)
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\tlight\theavy\twith animal")
	for _, h := range f.Helps {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", h.Change, kv(h.Light), kv(h.Heavy), kv(h.Animal))
	}
	_ = t.Flush() // writes to a strings.Builder, which cannot fail
	paragraph.Write(b, "", fmt.Sprintf("Wire is changed on the whole way from %s. With animal: what stays on the wire, with light growth and %d Ω to "+
		"earth at that point, the worst case. Poor earth hardly shows in a reading, and takes the shock.", f.Energizer.Name, AnimalOhms))
}

func earthTable(b *strings.Builder, f *Fence, g Ground) {
	e := &f.Energizer
	if e.OpenVolts <= testVolts+mostEarthVolts {
		return
	}
	want := EarthWanted(e.OpenVolts, e.SourceOhms)
	fmt.Fprintf(b, "\nEarth stakes of %.2f m by %.0f mm, one length apart:\n\n", g.Stake.LengthM, g.Stake.DiameterMM)
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(t, "%-26s\tΩ·m\trange\tone stake\tfor %.0f Ω\tif frozen\t\n", "soil", want)
	row := func(name string, ohmM float64, span string) {
		one := g.Stake.Ohms(ohmM)
		fmt.Fprintf(t, "%-26s\t%.0f\t%s\t%.0f Ω\t%s\t%s\t\n", name, ohmM, span, one, stakesText(one, want), stakesText(one*FrozenFactor, want))
	}
	for _, s := range Soils() {
		row(s.Text, s.OhmM, fmt.Sprintf("%.0f–%.0f", s.LeastOhm, s.MostOhm))
	}
	if known := slices.ContainsFunc(Soils(), func(s Soil) bool { return s.OhmM == g.OhmM }); g.OhmM > 0 && !known {
		row("yours", g.OhmM, "")
	}
	_ = t.Flush() // writes to a strings.Builder, which cannot fail
	text := fmt.Sprintf("%.0f Ω keeps the stakes under 0.3 kV while the fence is pulled down to 1 kV, as in an earth test (0.3 kV is widely "+
		"printed, without a primary source; the test: BC Ministry of Agriculture 382.600-1).", want)
	if e.EarthOhms > 0 {
		text += fmt.Sprintf(" With %.0f Ω they carry %s kV.", e.EarthOhms, kv(EarthVolts(e.OpenVolts, e.SourceOhms, e.EarthOhms)))
	}
	paragraph.Write(b, "", text+" Soils vary within their range, and dry out: test in the driest time.")
}

func stakesText(one, want float64) string {
	n, ok := StakesFor(one, want)
	if !ok {
		return fmt.Sprintf("over %d", MostStakes)
	}
	return strconv.Itoa(n)
}

// kv writes volts as kilovolts, with the digits that mean something on a fence.
func kv(volts float64) string { return strconv.FormatFloat(volts/1000, 'f', 1, 64) }

// digits writes ohms with the digits that their sources have: three.
func digits(ohms float64) string {
	place := int(math.Floor(math.Log10(ohms))) - 2 // of the third digit
	step := math.Pow(10, float64(place))
	return strconv.FormatFloat(math.Round(ohms/step)*step, 'f', max(0, -place), 64)
}

// nameRoom is how many characters of a name a table shows, so that it keeps within 80 columns.
const nameRoom = 13

func clip(name string) string {
	if r := []rune(name); len(r) > nameRoom {
		return string(r[:nameRoom-1]) + "…"
	}
	return name
}

// left fills a name up, so that a table whose numbers stand to the right has its names to the left.
func left(name string) string { return fmt.Sprintf("%-*s", nameRoom, clip(name)) }
