package config

import "nightwire/ingest/farm"

// Conductor is what a zone's fence is made of: one or more kinds of wire that run side by side.
type Conductor []Wire

// Wire is a number of equal wires.
type Wire struct {
	Material   string  `key:"material,need" oneof:"steel|stainless|aluminium|copper" doc:"steel, stainless, aluminium or copper"`
	Strands    int     `key:"strands" doc:"how many run side by side, in all lines together; 1 when left out"`
	DiameterMM float64 `key:"diameter_mm,need" doc:"the diameter of one, millimetres"`
}

// OhmsPerKM returns the resistance of one kilometre of the conductor, all wires side by side.
func (c Conductor) OhmsPerKM() float64 { return c.wires().OhmsPerKM() }

// String describes the conductor, as in "6 × 0.2 mm stainless and 3 × 0.25 mm copper".
func (c Conductor) String() string { return c.wires().String() }

func (c Conductor) wires() farm.Conductor {
	var out farm.Conductor
	for _, w := range c {
		out = append(out, farm.Wire(w))
	}
	return out
}

// checkConductor notes what is wrong with a zone's conductor and reports whether it can be computed.
func (r *reader) checkConductor(c Conductor) bool {
	ok := len(c) > 0
	for i := range c {
		w := &c[i]
		if r.given(&w.Strands) && (w.Strands < 1 || w.Strands > 1000) {
			r.blame(&w.Strands, "count all strands of all lines", "strands must be 1 to 1000")
			ok = false
		}
		if r.given(&w.DiameterMM) && (w.DiameterMM < 0.02 || w.DiameterMM > 20) {
			r.blame(&w.DiameterMM, "fence wire is 1.6 to 4 mm, the wires in polywire 0.15 to 0.3 mm", "diameter_mm must be 0.02 to 20")
			ok = false
		}
		ok = ok && r.given(&w.Material) && r.given(&w.DiameterMM)
	}
	return ok
}
