package detect

import (
	"math"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// parted: the wire of zone z is broken and hangs clear. What is left of the zone before the break still leaks.
func (d *diagnoser) parted(z int) verdict {
	zone := d.f.net.Zones[z]
	best := verdict{cause: alerts.Open, zone: z, sensor: -1, score: math.Inf(1)}
	cost := costBreak
	for i, r := range d.ratio[1:] {
		if math.IsNaN(r) && d.f.net.Behind(i, z) {
			cost += costUnheard
		}
	}
	try := func(part float64) { // what is left before it still leaks
		for _, f := range d.beside(line.Fault{Kind: line.Break, Zone: z, AtM: part * zone.LengthM}) {
			d.solver.Volts(d.after, d.base, f)
			if s := d.misfit(changeSlack) + cost; s < best.score {
				best.score, best.fault, best.worst = s, f, d.worst
			}
		}
	}
	for _, part := range [5]float64{0.1, 0.3, 0.5, 0.7, 0.9} {
		try(part)
	}
	for span := 0.1; span > 0.01; span /= 2 {
		at := best.fault.AtM / math.Max(zone.LengthM, 1)
		try(math.Max(at-span, 0))
		try(math.Min(at+span, 1))
	}
	return best
}

// A wire that parts within a ring leaves every zone fed the other way round, and what each then shows goes by where
// along that way the wire leaks. That is known within bars only, since until now much of it was fed from both sides.
// Ohms in the wire can be chosen to make up for what is wrong with it, and a wire that has parted has none to choose:
// so before a joint is blamed both are weighed with the leakages let move as far as they are unknown.

// orParted returns joint, the likeliest cause, or in its stead that the wire of its zone, within a ring, has parted,
// and enters what the two then score.
func (d *diagnoser) orParted(joint verdict, byCause map[alerts.Cause]float64) verdict {
	zone := d.f.net.Zones[joint.zone]
	d.ratios(nextToNothing)
	parted, bad := math.Inf(1), math.Inf(1)
	for _, part := range [3]float64{0.1, 0.5, 0.9} {
		f := line.Fault{Kind: line.Break, Zone: joint.zone, AtM: part * zone.LengthM}
		parted = min(parted, d.withLeaks(f)+costBreak)
		for ohms := 60.0; ohms < 20_000; ohms *= 2 {
			f.Kind, f.Ohms = line.Joint, ohms
			bad = min(bad, d.withLeaks(f)+costJoint+asGoodAsParted(ohms))
		}
	}
	if parted > bad {
		byCause[alerts.Open] = joint.score + parted - bad
		return joint
	}
	open := d.parted(joint.zone)
	open.score = joint.score
	byCause[alerts.Open], byCause[alerts.Joint] = open.score, joint.score+bad-parted
	return open
}

// withLeaks returns how badly the change is explained by f where the leakages may be what they are not known not to be.
func (d *diagnoser) withLeaks(f line.Fault) float64 {
	p := line.Prior{State: d.base, LeakSpread: ownSpread, LeakDoubt: d.leakSD, Fault: f}
	est, err := d.est.Weigh(d.obs, p)
	if err != nil {
		return math.Inf(1)
	}
	return est.Misfit + est.Strain
}
