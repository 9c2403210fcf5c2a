package farm

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Conductor is what a fence's wire is made of: one or more kinds of wire that run side by side.
type Conductor []Wire

// Wire is a number of equal wires.
type Wire struct {
	Material   string // steel, stainless, aluminium or copper
	Strands    int    // how many run side by side; 0 counts as 1
	DiameterMM float64
}

// OhmMetres returns the resistivity of a material at 20 °C, or 0 when it is not known.
func OhmMetres(material string) float64 {
	switch material {
	case "steel":
		return 1.5e-7 // mild steel: Engineering ToolBox, resistivity and conductivity
	case "stainless":
		return 6.9e-7 // grade 304: Wikipedia, electrical resistivity and conductivity
	case "aluminium":
		return 2.82e-8 // Wikipedia, electrical resistivity and conductivity
	case "copper":
		return 1.7241e-8 // 100 % IACS, 1/58 Ω·mm²/m: NBS Handbook 100
	}
	return 0
}

// OhmsPerKM returns the resistance of one kilometre of the conductor, all wires side by side, at 20 °C. It is for
// direct current and leaves out the lay of twisted strands. Steel carries an energizer's pulse two to three times
// worse, because the pulse keeps to its skin; for steel the result is a lower bound.
func (c Conductor) OhmsPerKM() float64 {
	var siemens float64 // of one kilometre
	for _, w := range c {
		areaM2 := math.Pi / 4 * w.DiameterMM * w.DiameterMM * 1e-6
		siemens += float64(w.strands()) * areaM2 / (OhmMetres(w.Material) * 1000)
	}
	return 1 / siemens
}

func (w Wire) strands() int { return max(w.Strands, 1) }

// String describes the conductor, as in "6 × 0.2 mm stainless and 3 × 0.25 mm copper".
func (c Conductor) String() string {
	var parts []string
	for _, w := range c {
		parts = append(parts, fmt.Sprintf("%d × %g mm %s", w.strands(), w.DiameterMM, w.Material))
	}
	return strings.Join(parts, " and ")
}

// wirePattern reads one kind of wire: "6 × 0.2 mm stainless", "6x0.2 stainless" or "2.5 steel".
var wirePattern = regexp.MustCompile(`^(?:(\d{1,4})\s*[x×]\s*)?(\d{1,2}(?:\.\d{1,4})?)\s*(?:mm)?\s+([a-z]+)$`)

// ParseConductor reads what String writes, and the same with x for ×, + for and, and mm left out.
func ParseConductor(text string) (Conductor, error) {
	const hint = "\nhint: write it as \"2.5 steel\", or \"6x0.2 stainless + 3x0.25 copper\" for the strands of a polywire"
	var out Conductor
	for part := range strings.SplitSeq(strings.ReplaceAll(text, " and ", "+"), "+") {
		m := wirePattern.FindStringSubmatch(strings.TrimSpace(part))
		if m == nil {
			return nil, fmt.Errorf("%q is no wire%s", strings.TrimSpace(part), hint)
		}
		w := Wire{Material: m[3], Strands: 1}
		if m[1] != "" {
			w.Strands, _ = strconv.Atoi(m[1]) // the pattern has digits only
		}
		w.DiameterMM, _ = strconv.ParseFloat(m[2], 64) // the same
		switch {
		case OhmMetres(w.Material) == 0:
			return nil, fmt.Errorf("%q is not a material that is known\nhint: steel, stainless, aluminium or copper", w.Material)
		case w.Strands < 1 || w.Strands > 1000:
			return nil, fmt.Errorf("%d strands in %q%s", w.Strands, strings.TrimSpace(part), hint)
		case w.DiameterMM < 0.02 || w.DiameterMM > 20:
			return nil, fmt.Errorf("a diameter of %g mm in %q\nhint: fence wire is 1.6 to 4 mm, the strands of polywire 0.15 to 0.3 mm", w.DiameterMM, strings.TrimSpace(part))
		}
		out = append(out, w)
	}
	return out, nil
}
