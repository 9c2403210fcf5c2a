package detect

import (
	"math"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// Between two looks the weather changes too. So a slow change is not held against one fault alone but against that
// fault and the weather together: the leakages move by a factor common to all and each a little by itself, the fault
// stands or does not, and what counts is by how much better the levels are explained where it stands. For a bad joint
// that is where the drop in its span grows and the leakages that it would take are not seen by the sensors before it.

// weigher holds the levels of two looks against each other.
type weigher struct {
	d     *diagnoser
	prior line.Prior
	best  verdict
	least map[alerts.Cause]float64 // score by cause
	doubt []float64                // by zone, how much further the logarithm of its leakage may move for what is not known of it
	wet   float64                  // logarithm of what the weather did to the leakages, without its sign
}

// Judgements; common practice, no source.
const (
	dewSpread   = 1.2  // standard deviation of the logarithm of what dew and rain do to all leakages
	ownSpread   = 0.15 // the same of what one leakage does by itself, in the same weather
	ownPerDay   = 0.1  // for each day between the looks
	wetUnlike   = 0.4  // and for each unit of the logarithm by which the weather has moved all of them
	mostUnknown = 2.0  // most that the uncertainty of a leakage's logarithm widens what it may do: sevenfold
	wetMost     = 0.7  // by which looks may differ and still say something
	costEarth   = 3.0  // as the other costs: that the stakes have dried, or are wet again
	costEnd     = 4.0  // more, that a sensor shows another share of what is there where a joint would look the same
)

// newWeigher makes ready to weigh the change from the levels before, so long ago, on a fence of which p is believed.
func (d *diagnoser) newWeigher(before []float64, ago ms, p line.Prior) *weigher {
	w := &d.weigher
	w.hold(before, d.f.levels(), p)
	w.prior = line.Prior{State: d.base, LeakSpread: wetSpread, WetSpread: dewSpread}
	if est, err := d.est.Weigh(d.obs, w.prior); err == nil {
		own := math.Hypot(ownSpread, ownPerDay*float64(min(ago, growsApart))/day)
		w.wet = math.Abs(est.Wet)
		w.prior.LeakSpread = math.Hypot(own, wetUnlike*w.wet)
	}
	return w
}

// hold holds levels against those before, on a fence of which p is believed, and returns of how many sensors both are
// known. What was weighed before is let go of.
func (w *weigher) hold(before, levels []float64, p line.Prior) (known int) {
	d := w.d
	d.baseline(before, p)
	for i, t := range d.f.tracks {
		d.ratio[i], d.obs[i] = math.NaN(), line.Observation{}
		if v, was := levels[i], before[i]; t != nil && v > 0 && was > 0 { // a sensor may be off since then
			d.ratio[i] = v / was
			d.sd[i] = math.Hypot(math.Hypot(t.noise(), modelSD), math.Sqrt(d.f.Shift.Drift[i]+t.Grain*t.Grain/12/was/was))
			d.obs[i] = line.Observation{Volts: d.ratio[i] * d.before[i], SD: d.sd[i]}
			known++
		}
	}
	w.forget()
	return known
}

// forget lets go of what was weighed before.
func (w *weigher) forget() {
	clear(w.least)
	for i := range w.d.lies {
		w.d.lies[i] = math.Inf(1)
	}
	w.best, w.wet = verdict{cause: alerts.Unknown, zone: -1, sensor: -1, score: math.Inf(1)}, 0
}

// allowUnknown lets each leakage move further by as much as it may have been more than is known: growth is held against
// what there was, and of a wire that looked clean that is next to nothing. Behind a joint that is known to be bad it is
// the ohms in the wire that are little known, and what moves there is most of the time the joint.
func (w *weigher) allowUnknown() {
	for z, sd := range w.d.leakSD {
		w.doubt[z] = math.Log1p(w.prior.LeakSpread * math.Expm1(min(sd, mostUnknown)))
		if w.d.f.pastJoint(z, w.prior.State.Joints) {
			w.doubt[z] = 0
		}
	}
	w.prior.LeakDoubt = w.doubt
}

// weigh returns the likeliest cause of the change since the levels before, so long ago; Vegetation where that is as good
// an answer as any but for enough.
func (d *diagnoser) weigh(before []float64, ago ms, enough float64) verdict {
	w := d.newWeigher(before, ago, d.f.prior(nil))
	w.allowUnknown()
	w.consider(w.prior, verdict{cause: alerts.Vegetation, zone: -1, sensor: -1}, costWet)
	if w.best.score < enough || w.wet > wetMost {
		return w.best
	}
	for z := range d.f.net.Zones {
		w.series(z)
		w.leak(z)
	}
	for z, ohms := range w.prior.State.Joints {
		if ohms > 0 { // it may be mended, wholly or in part
			w.consider(w.jointed(z, -ohms), verdict{cause: alerts.Unknown, zone: -1, sensor: -1}, 0)
			w.consider(w.jointed(z, -ohms/2), verdict{cause: alerts.Unknown, zone: -1, sensor: -1}, 0)
		}
	}
	w.output()
	w.sensors()
	return w.verdict()
}

// verdict returns the best of what was considered, with its margins.
func (w *weigher) verdict() verdict {
	v := w.best
	if v.cause == alerts.Joint {
		w.d.orSensor(&v)
	}
	v.margin, v.dry = math.Inf(1), w.least[alerts.Vegetation]-v.score
	for c, s := range w.least {
		if series := c == alerts.Joint || c == alerts.Open; c != v.cause && !(series && v.series()) { // the two differ in ohms only
			v.margin = math.Min(v.margin, s-v.score)
		}
	}
	return v
}

// series reports whether the verdict is ohms in the wire, many or few.
func (v *verdict) series() bool { return v.cause == alerts.Joint || v.cause == alerts.Open }

// score returns how badly the levels are explained with what p takes to be there.
func (w *weigher) score(p line.Prior) float64 {
	est, err := w.d.est.Weigh(w.d.obs, p)
	if err != nil {
		return math.Inf(1)
	}
	return est.Misfit + est.Strain
}

// leastWith returns how badly the levels are explained at the least with f, whose ohms may be from least to most times
// what they were.
func (w *weigher) leastWith(f line.Fault, least, most float64) float64 {
	lowest := math.Inf(1)
	for k := least; k < most; k *= 2 {
		p := w.prior
		p.Fault = f
		p.Fault.Ohms *= k
		lowest = math.Min(lowest, w.score(p))
		if f.Kind == line.Break {
			break
		}
	}
	return lowest
}

// consider weighs what p takes to be there, and returns its score.
func (w *weigher) consider(p line.Prior, v verdict, cost float64) float64 {
	est, err := w.d.est.Weigh(w.d.obs, p)
	if err != nil || p.Fault.Kind != line.None && !w.d.takesDown(est.State, p.Fault) {
		return math.Inf(1)
	}
	v.score, v.worst, v.wet, v.fault = est.Misfit+est.Strain+cost, est.Worst, est.Wet, p.Fault
	if s, known := w.least[v.cause]; !known || v.score < s {
		w.least[v.cause] = v.score
	}
	if v.score < w.best.score {
		w.best = v
	}
	return v.score
}

// takesDown reports whether some zone would stand noticeably higher without the fault.
func (d *diagnoser) takesDown(st line.State, f line.Fault) bool {
	with := d.solver.Volts(d.after, st, f)
	for i, v := range d.solver.Volts(d.free, st, line.Fault{}) {
		if with[i] < v*(1-shiftLeast/2) {
			return true
		}
	}
	return false
}

// series weighs ohms in zone z, up to a wire that has parted where a loop feeds what is behind it.
func (w *weigher) series(z int) {
	d, zone := w.d, w.d.f.net.Zones[z]
	loop := d.f.net.InLoop(z)
	if r := d.ratio[z+1]; !loop && (r < offRatio || r > d.ratio[zone.Parent+1]*(1-shiftLeast/2)) {
		return // a wire that has parted; or nothing more is lost on the way than there was
	}
	at := func(kind line.FaultKind, part, ohms float64) line.Prior {
		p := w.prior
		p.Fault = line.Fault{Kind: kind, Zone: z, AtM: part * zone.LengthM, Ohms: ohms}
		return p
	}
	cost := costJoint
	if f := w.prior.State.Joints; f != nil && f[z] > 0 {
		cost = 0 // it is bad already
	}
	for _, part := range [3]float64{0.1, 0.5, 0.9} {
		for ohms := 60.0; ohms < 20_000; ohms *= 2 {
			w.consider(at(line.Joint, part, ohms), verdict{cause: alerts.Joint, zone: z, sensor: -1}, cost+asGoodAsParted(ohms))
		}
		if loop {
			w.consider(at(line.Break, part, 0), verdict{cause: alerts.Open, zone: z, sensor: -1}, costBreak)
		}
	}
}

// leak weighs that zone z alone leaks another amount: a cracked insulator, a branch, or what was cut.
func (w *weigher) leak(z int) {
	for _, k := range [6]float64{0.1, 0.3, 2, 4, 8, 16} {
		p := w.prior
		p.State.Leak = w.d.leak
		copy(p.State.Leak, w.prior.State.Leak)
		p.State.Leak[z] *= k
		w.consider(p, verdict{cause: alerts.Short, zone: z, sensor: -1}, costShunt)
	}
}

// output weighs that the energizer gives less, and that its stakes carry it worse or better.
func (w *weigher) output() {
	p := w.prior
	p.OpenSpread = openSpread
	w.consider(p, verdict{cause: alerts.EnergizerWeak, zone: -1, sensor: -1}, costWeak)
	for _, k := range [4]float64{0.7, 1.25, 1.6, 2.5} {
		p := w.prior
		p.State.SourceOhms *= k
		w.consider(p, verdict{cause: alerts.PoorEarth, zone: -1, sensor: -1}, costEarth)
	}
}

// sensors weighs for each sensor that it alone shows another share of what is there.
func (w *weigher) sensors() {
	obs := w.d.obs
	for i := range obs {
		keep := obs[i]
		obs[i] = line.Observation{}
		cost := costSensor
		if w.d.f.lastHeard(i) {
			cost += costEnd
		}
		if keep.Volts > 0 {
			w.d.lies[i] = w.consider(w.prior, verdict{cause: alerts.CauseSensorFaulty, zone: -1, sensor: i}, cost)
		}
		obs[i] = keep
	}
}

// lastHeard reports whether nothing behind the sensor at node can bear it out.
func (f *fence) lastHeard(node int) bool {
	for z, zone := range f.net.Zones {
		if zone.Parent == node-1 && f.tracks[z+1] != nil && !f.tracks[z+1].Gone {
			return false
		}
	}
	return node > 0 && !f.net.InLoop(node-1)
}
