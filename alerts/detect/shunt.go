package detect

import (
	"math"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// place says where in its zone a path to earth lies, from how fast the misfit grows to either side.
func (d *diagnoser) place(v *verdict) {
	v.also = d.elsewhere(v.zone)
	zone := d.f.net.Zones[v.zone]
	var profile [cuts + 1]float64
	lowest, at := math.Inf(1), 0
	for c := range profile {
		profile[c] = d.misfitAt(v, zone.LengthM*float64(c)/cuts)
		if profile[c] < lowest {
			lowest, at = profile[c], c
		}
	}
	limit := lowest + 4*math.Max(1, lowest/float64(max(d.heardNow()-2, 1))) // two standard deviations
	lo, hi := at, at
	for lo > 0 && profile[lo-1] <= limit {
		lo--
	}
	for hi < cuts && profile[hi+1] <= limit {
		hi++
	}
	v.atM = zone.LengthM * float64(at) / cuts
	v.lowM = zone.LengthM * max(0, float64(lo)-0.5) / cuts
	v.highM = zone.LengthM * min(cuts, float64(hi)+0.5) / cuts
	v.placed = v.highM-v.lowM <= placeable*zone.LengthM
}

// cuts is into how many parts a zone is cut to look for the place of a fault.
const cuts = 40

// misfitAt returns the least misfit of v's fault when it lies atM metres into its zone, whatever its ohms and the source's.
func (d *diagnoser) misfitAt(v *verdict, atM float64) float64 {
	f := v.fault
	f.AtM = atM
	return d.overSources(f, 0.02)
}

// overOhms returns the least misfit of f over its ohms, from f's own outward in steps that narrow. wide is as of misfit.
func (d *diagnoser) overOhms(st line.State, f line.Fault, wide float64) float64 {
	least := math.Inf(1)
	for _, step := range [5]float64{2, 1.4, 1.2, 1.1, 1.05} {
		centre := f.Ohms
		for _, m := range [3]float64{1 / step, 1, step} {
			try := f
			try.Ohms = centre * m
			d.solver.Volts(d.after, st, try)
			if s := d.misfit(wide) + contact(f.Kind, try.Ohms); s < least {
				least, f.Ohms = s, try.Ohms
			}
		}
	}
	return least
}

// placeable is the widest interval, as a share of the zone, that still says something about where to walk.
const placeable = 0.6

// contact is what it costs that a fallen wire meets the ground through so many ohms: a few hundred are usual, and
// without a sensor that is still hot behind it nothing else tells ohms from metres. Common practice, no source.
func contact(kind line.FaultKind, ohms float64) float64 {
	if kind != line.Fallen {
		return 0
	}
	odd := math.Log(ohms/fallenOhms) / 1.2
	return odd * odd
}

const fallenOhms = 250

// shunt: a path to earth somewhere in zone z, the wire whole or parted there.
func (d *diagnoser) shunt(z int, kind line.FaultKind, cost float64) verdict {
	zone := d.f.net.Zones[z]
	best := verdict{cause: alerts.Short, zone: z, sensor: -1, score: math.Inf(1)}
	if kind == line.Fallen && (!d.leavesHot(z) && d.ratio[z+1] > offRatio || d.spared(z)) {
		return best
	}
	most := 50_000.0
	if kind == line.Fallen {
		most = 1500 // a wire that touches no better than that hangs clear
	}
	depth := 0.0
	for p := zone.Parent; p >= 0; p = d.f.net.Zones[p].Parent {
		depth += 0.1 // of two zones that fit alike, walk the nearer first
	}
	try := func(part, ohms float64) {
		for _, f := range d.beside(line.Fault{Kind: kind, Zone: z, AtM: part * zone.LengthM, Ohms: ohms}) {
			d.solver.Volts(d.after, d.base, f)
			s := d.misfit(changeSlack) + cost + depth + contact(kind, ohms)
			if s < best.score {
				best.score, best.fault, best.worst = s, f, d.worst
			}
		}
	}
	for part := 0.0; part <= 1; part += 0.125 {
		for ohms := 10.0; ohms < most; ohms *= 1.7 {
			try(part, ohms)
		}
	}
	step, span := 1.35, 0.1
	for range 6 {
		at, ohms := best.fault.AtM/math.Max(zone.LengthM, 1), best.fault.Ohms
		for _, dp := range [3]float64{-span, 0, span} {
			for _, k := range [3]float64{1 / step, 1, step} {
				try(min(max(at+dp, 0), 1), ohms*k)
			}
		}
		step, span = math.Sqrt(step), span/2
	}
	return best
}

// leavesHot reports whether what lies behind zone z stays hot when its wire parts: within a ring it is fed the other way
// round. A wire on the ground is known there by what is before it, which falls as that of no whole wire does.
func (d *diagnoser) leavesHot(z int) bool { return d.f.net.InLoop(z) }

// spared reports whether those that are heard and do not hang behind zone z stand no lower than they did. An end that lies on
// the ground takes them down; where it takes less than what grew behind it did, what is left to see and to tell is that the
// wire has parted.
func (d *diagnoser) spared(z int) bool {
	some := false
	for i, r := range d.ratio {
		if math.IsNaN(r) || i > 0 && d.f.net.Behind(i-1, z) {
			continue
		}
		if r < 1-math.Max(shiftLeast, 3*d.sd[i]) {
			return false
		}
		some = true
	}
	return some
}

// nearMinimum reports whether every zone that the change took under its minimum had not far to go. Wet growth does that
// on most nights of a season; a wire on the ground would be a coincidence.
func (d *diagnoser) nearMinimum() bool {
	any := false
	for i, r := range d.ratio {
		m := d.f.minimum(i)
		if math.IsNaN(r) || m <= 0 {
			continue
		}
		if was := d.f.Suspect.Before[i]; r*was < m {
			any = true
			if was > 1.6*m || r < 0.6 {
				return false
			}
		}
	}
	return any
}

// costNear is what a fault of the wire costs more where growth alone is as good an answer.
const costNear = 6.0
