package detect

import (
	"math"

	"nightwire/alerts/line"
	"nightwire/ingest/farm"
)

// What a source's ohms are decides how much a path to earth draws, and so how much of the drop along the wire stands
// for so many metres of it: with a source of half the ohms, what looks as if it lay far down the wire lies near. They
// are read off a maker's sheet, measured once, or not known at all. So where a path to earth lies is asked of several
// sources. What is not known of one was not known before the fault either: with other ohms the fence leaked otherwise,
// and showed the same.

// circuit is the fence before, taken to have a source of other ohms.
type circuit struct {
	worked bool
	odds   float64 // of such a source, as -2·ln
	state  line.State
	before []float64 // volts by node
}

// Judgements; common practice, no source.
const (
	sourceStep    = 0.1  // of the logarithm of the ohms, from one circuit to the next
	sourceGiven   = 0.15 // standard deviation of that where the farm file gives the source's ohms and its earth's
	sourceNoEarth = 0.25 // where it gives the source's only: stakes have some tens of ohms, up to a hundred and more
	sourceUnknown = 0.4  // where the source's are our own guess: of two energizers one may well have twice the other's
)

// sourceSpread returns the standard deviation of the logarithm of what is known of the source's ohms.
func sourceSpread(e *farm.Energizer) float64 {
	switch {
	case e.SourceAssumed:
		return sourceUnknown
	case e.EarthOhms == 0:
		return sourceNoEarth
	}
	return sourceGiven
}

// newCircuits makes room for the circuits of a fence, the middle one as the farm file has it, out to two standard
// deviations.
func newCircuits(e *farm.Energizer) []circuit {
	return make([]circuit, 2*int(math.Round(2*sourceSpread(e)/sourceStep))+1)
}

// newLevels has the circuits worked out anew, from the levels before.
func (d *diagnoser) newLevels(before []float64) {
	d.shown, d.likely = before, len(d.circuits)/2
	for i := range d.circuits {
		d.circuits[i].worked = false
	}
}

// circuit returns the fence before with the i-th source.
func (d *diagnoser) circuit(i int) *circuit {
	c := &d.circuits[i]
	if c.worked {
		return c
	}
	z := float64(i-len(d.circuits)/2) * sourceStep
	if z == 0 {
		*c = circuit{worked: true, state: d.base, before: d.before}
		return c
	}
	p := d.f.prior(nil)
	p.State.SourceOhms *= math.Exp(z)
	*c = circuit{worked: true, odds: math.Pow(z/sourceSpread(d.f.energizer), 2), state: d.base, before: c.before}
	if c.before == nil {
		c.before = make([]float64, len(d.before))
	}
	d.observe(d.shown)
	if est, err := d.est.Estimate(d.obs, p); err == nil && est.Sensors > 0 {
		c.odds += est.Misfit + est.Strain - d.strain
		c.state = est.State
	} else {
		c.state.SourceOhms *= math.Exp(z)
	}
	d.solver.Volts(c.before, c.state, line.Fault{})
	return c
}

// overSources is overOhms whatever the source's ohms: from those that were likeliest last, to either side while that is
// better.
func (d *diagnoser) overSources(f line.Fault, wide float64) float64 {
	before := d.before
	with := func(i int) float64 {
		c := d.circuit(i)
		d.before = c.before
		misfit := d.overOhms(c.state, f, wide)
		d.before = before
		return c.odds + misfit
	}
	at := d.likely
	least := with(at)
	for _, side := range [2]int{-1, 1} {
		for i := at + side; i >= 0 && i < len(d.circuits); i += side {
			s := with(i)
			if s >= least {
				break
			}
			least, d.likely = s, i
		}
		if d.likely != at {
			break
		}
	}
	return least
}
