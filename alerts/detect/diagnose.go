package detect

import (
	"math"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// diagnoser holds a sudden change against every fault the circuit could have. What it weighs are ratios: each
// sensor's reading now over its level before, in which the sensors' gains cancel. A hypothesis predicts the same
// ratios through the circuit; the one that fits best for its number of free choices wins.
type diagnoser struct {
	f      *fence
	solver *line.Solver
	est    *line.Estimator

	base   line.State // the fence before
	leakSD []float64  // by zone, standard deviation of the logarithm of base's leakage
	ratio  []float64  // now over before, by node; NaN where unknown
	sd     []float64  // standard deviation of ratio
	before []float64  // volts by the circuit, before
	after  []float64  // scratch
	slow   bool       // holding the levels of two looks against each other, and not readings
	spread []float64  // by node: how much of sd is that what comes and goes does not take the same each time
	hardly []bool     // by node: what comes and goes hardly reaches it, and leaves it the ratio or more
	free   []float64
	leak   []float64 // by zone
	worst  float64   // of the last misfit, the largest of its parts
	obs    []line.Observation
	orders []line.Fault // scratch of beside
	shorts []float64    // by zone, how unlikely a path to earth is there, as -2·ln
	joints []float64    // and a bad joint
	lies   []float64    // by node, how unlikely it is that the sensor there alone is off
	paths  []verdict    // and of diagnose: the paths to earth, the best of each kind and zone

	circuits []circuit // the fence before, by what its source may be
	likely   int       // the one that was likeliest last
	shown    []float64 // what the sensors showed of it; 0 where unknown
	strain   float64   // how badly base explains that, and how odd it is

	asked   ms        // when tracksNow last found that nothing tracks
	askedOf []float64 // and of which levels

	weigher weigher
}

func newDiagnoser(f *fence) *diagnoser {
	n := len(f.net.Zones)
	d := &diagnoser{
		f: f, solver: line.NewSolver(f.net), est: line.NewEstimator(f.net),
		ratio: make([]float64, n+1), sd: make([]float64, n+1), before: make([]float64, n+1), after: make([]float64, n+1), free: make([]float64, n+1), leak: make([]float64, n), leakSD: make([]float64, n), spread: make([]float64, n+1), hardly: make([]bool, n+1),
		obs: make([]line.Observation, n+1), shorts: make([]float64, n), joints: make([]float64, n), lies: make([]float64, n+1),
		circuits: newCircuits(f.energizer),
	}
	d.weigher = weigher{d: d, doubt: make([]float64, n), least: map[alerts.Cause]float64{}}
	return d
}

// verdict is a diagnosis.
type verdict struct {
	cause  alerts.Cause
	zone   int // index of the zone at fault, -1 when the energizer or a sensor is
	sensor int // node of the sensor that lies, -1 when none does
	fault  line.Fault
	score  float64 // squared misfit plus what the hypothesis costs; lower is better
	worst  float64 // squared, standardised distance of the sensor that it explains worst
	margin float64 // by how much the best other cause is worse
	dry    float64 // by how much wet growth is the worse answer
	wet    float64 // logarithm of what the weather did to the leakages beside it, where two looks are weighed
	ratio  float64 // for the energizer: what is left of its output
	alike  bool    // it may as well be the other: a path to earth and a weak energizer, a bad joint and the sensor behind it

	also []int // for a path to earth: other zones where it would show next to the same, likeliest first

	placed    bool // lowM to highM says where in the zone
	lowM, atM float64
	highM     float64
}

// ofEnergizer reports whether it is the energizer or its earth that gives less: that may come on slowly too, but everywhere
// alike.
func (v *verdict) ofEnergizer() bool {
	return v.cause == alerts.EnergizerWeak || v.cause == alerts.EnergizerOff || v.cause == alerts.PoorEarth
}

// What each hypothesis costs before it is heard, as -2·ln of how likely such a fault is against the others. They are
// judgements; only their order of size matters, since a misfit of three standard deviations costs 9.
const (
	costShunt  = 3.0
	costFallen = 2.4 // only where nothing is left behind it; a parted wire with what leaks before it looks so too, and has no ohms to choose
	costBreak  = 2.0
	// costUnheard is for each zone that a parted wire would take down and that has not been heard since: of breaks that fit
	// alike, the one that says least of what nobody has seen.
	costUnheard = 0.3
	costJoint   = 4.0
	costOff     = 2.0
	costWeak    = 6.0 // at a stroke: paths to earth are several times as frequent; common practice, no source
	costWet     = 3.0
	costSensor  = 4.0 // as a joint: at the end of a line the two differ only in the current that a joint saves
	// costSensorDead is for a sensor that shows nothing: a parted wire is likelier.
	costSensorDead = 14.0
)

// diagnose returns the likeliest cause of the change since before (levels by node, 0 where unknown).
func (d *diagnoser) diagnose(before []float64) verdict {
	d.load(before)
	d.baseline(before, d.f.prior(nil))
	best := verdict{cause: alerts.Unknown, zone: -1, sensor: -1, score: math.Inf(1)}
	byCause := map[alerts.Cause]float64{}
	d.paths = d.paths[:0]
	consider := func(v verdict) {
		if v.cause == alerts.Short {
			d.paths = append(d.paths, v)
		}
		if s, ok := byCause[v.cause]; !ok || v.score < s {
			byCause[v.cause] = v.score
		}
		if v.score < best.score {
			best = v
		}
	}
	near := 0.0
	if d.nearMinimum() {
		near = costNear / (1 + d.haste())
	}
	weak := d.energizer(near)
	draws, gives, failed := d.stakes(weak.ratio)
	draws = max(draws, d.slower())
	weak.score += gives
	if failed && weak.cause == alerts.EnergizerWeak {
		weak.cause = alerts.PoorEarth
	}
	consider(weak)
	wet := d.wet()
	wet.score += draws
	consider(wet)
	d.each(consider, near, draws)
	either := weak.cause == alerts.EnergizerWeak && d.outputKnown()
	if best.cause == alerts.Short || either && best.cause == alerts.EnergizerWeak {
		short := d.likeliestZone()
		if best.cause == alerts.Short {
			best = short
		}
		if either {
			best, byCause[alerts.Short] = d.orEnergizer(short, weak)
		}
	}
	if best.cause == alerts.Joint && !d.slow && d.f.net.InLoop(best.zone) {
		best = d.orParted(best, byCause)
	}
	best.margin, best.dry = math.Inf(1), byCause[alerts.Vegetation]-best.score
	for c, s := range byCause {
		if c != best.cause {
			best.margin = min(best.margin, s-best.score)
		}
	}
	if best.cause == alerts.Short {
		d.place(&best)
	}
	d.orSensor(&best)
	return best
}

// each has every fault of the wire considered, and every sensor as one that lies; near and draws are what a fault of the wire
// costs more close to the minimum, and by what the stakes carry.
func (d *diagnoser) each(consider func(verdict), near, draws float64) {
	crept := d.crept()
	for z := range d.f.net.Zones {
		consider(d.shunt(z, line.Shunt, costShunt+near+crept+draws))
		fallen := costFallen
		if d.leavesHot(z) {
			fallen = costShunt // nothing but the fit speaks for it
		}
		consider(d.shunt(z, line.Fallen, fallen+near+draws))
		consider(d.parted(z))
		j := d.joint(z, costJoint+near)
		d.joints[z] = j.score
		consider(j)
	}
	for i := range d.ratio {
		d.lies[i] = d.lie(i) + near
		if d.mayLie(i) {
			consider(verdict{cause: alerts.CauseSensorFaulty, zone: -1, sensor: i, score: d.lies[i], ratio: d.ratio[i]})
		}
	}
}

// diagnoseLooks is diagnose for the levels of two looks.
func (d *diagnoser) diagnoseLooks(before []float64) verdict {
	d.slow = true
	defer func() { d.slow = false }()
	return d.diagnose(before)
}

// baseline solves the fence as it was before, from what is believed of it.
func (d *diagnoser) baseline(before []float64, p line.Prior) {
	d.base, d.strain = d.f.Base, 0
	d.observe(before)
	d.newLevels(before)
	clear(d.leakSD)
	if est, err := d.est.Estimate(d.obs, p); err == nil && est.Sensors > 0 {
		d.base, d.strain = est.State, est.Misfit+est.Strain
		for i, sd := range est.LeakSD {
			d.leakSD[i] = sd / est.Leak[i]
		}
	}
	d.solver.Volts(d.before, d.base, line.Fault{})
}

// observe makes observations of levels.
func (d *diagnoser) observe(levels []float64) {
	for i, v := range levels {
		d.obs[i] = line.Observation{}
		if t := d.f.tracks[i]; t != nil && v > 0 {
			d.obs[i] = line.Observation{Volts: v / d.f.Gains[i], SD: math.Hypot(t.noise(), modelSD)}
		}
	}
}

// load takes the ratios from the tracks.
func (d *diagnoser) load(before []float64) {
	for i, t := range d.f.tracks {
		d.ratio[i] = math.NaN()
		if t == nil || before[i] <= 0 || t.Since.N == 0 {
			continue
		}
		if max(before[i], t.Since.median()) < floorVolts {
			continue // both are what the sensor makes of nothing
		}
		d.ratio[i] = t.Since.median() / before[i]
		n := float64(min(t.Since.N, 4))
		grain := t.Grain / math.Sqrt(12) / before[i]
		d.sd[i] = math.Hypot(math.Hypot(t.noise()*math.Sqrt(1/n+0.3), grain), d.spread[i])
		if d.slow {
			d.sd[i] = math.Max(d.sd[i], math.Sqrt(d.f.Shift.Step[i]))
		}
	}
}

// wet: rain or dew multiplied the leakages, though not all alike; or growth was pushed onto the wire by wind.
func (d *diagnoser) wet() verdict {
	best := verdict{cause: alerts.Vegetation, zone: -1, sensor: -1, score: math.Inf(1)}
	d.ratios(rainLeaves)
	at := 1.0
	try := func(w float64) {
		if v := d.wetBy(w); v.score < best.score {
			best, at = v, w
		}
	}
	for w := 0.5; w < min(40, 5*at); w *= 2 { // past two steps that are no better, none is
		try(w)
	}
	for _, step := range [2]float64{1.41, 1.19} { // between two steps every zone would seem wetter than the rest
		middle := at
		try(middle / step)
		try(middle * step)
	}
	return best
}

// wetBy weighs that every leakage is w times what it was, give or take wetSpread; the observations are wet's.
func (d *diagnoser) wetBy(w float64) verdict {
	v := verdict{cause: alerts.Vegetation, zone: -1, sensor: -1, score: math.Inf(1)}
	p := line.Prior{State: d.base.Copy(), LeakSpread: wetSpread}
	for i := range p.State.Leak {
		p.State.Leak[i] *= w
	}
	est, err := d.est.Estimate(d.obs, p)
	if err != nil {
		return v
	}
	odd := math.Abs(math.Log(w))
	for i, g := range est.Leak {
		off := math.Log(g/p.State.Leak[i]) / wetSpread
		odd += off * off
	}
	v.score = est.Misfit + costWet + odd + min(odd*d.haste(), hasteMost)
	v.zone = wettest(est.Leak, d.base.Leak)
	return v
}

// wetSpread is how unlike rain treats the zones: standard deviation of the logarithm of leakage after over before.
const wetSpread = 0.5

// wettest returns the zone whose leakage grew most.
func wettest(now, before []float64) int {
	zone, most := -1, 0.0
	for i := range now {
		if d := now[i] - before[i]; d > most {
			zone, most = i, d
		}
	}
	return zone
}

// energizer: its output fell, or its source ohms or earth rose; every ratio is then the same but for the load.
func (d *diagnoser) energizer(near float64) verdict {
	sum, weight := 0.0, 0.0
	for i, r := range d.ratio {
		if !math.IsNaN(r) {
			w := 1 / (d.sd[i]*d.sd[i] + 1e-4)
			sum += r * w
			weight += w
		}
	}
	if weight == 0 {
		return verdict{cause: alerts.EnergizerOff, zone: -1, sensor: -1, score: math.Inf(1)}
	}
	s := min(max(sum/weight, 0), 1.5)
	v := verdict{cause: alerts.EnergizerWeak, zone: -1, sensor: -1, score: d.share(s, outputSlack) + costWeak + near, ratio: s}
	if s > 0.97 {
		v.score = math.Inf(1)
	}
	if s < offRatio { // one that is off leaves nothing: what is seen of a pulse speaks against it
		v.cause, v.score = alerts.EnergizerOff, d.share(0, outputSlack)+costOff
		if math.IsNaN(d.ratio[0]) && d.roots() == 1 && d.heardNow() < 2 {
			v.score += 1 // one dead sensor alone is a parted wire as likely as an energizer
		}
	}
	v.worst = d.worst
	return v
}

// share returns the misfit where every sensor is left the share s.
func (d *diagnoser) share(s, wide float64) float64 {
	for i := range d.after {
		d.after[i] = d.before[i] * s
	}
	return d.misfit(wide)
}

// outputSlack is changeSlack for an energizer, which takes the same from all, whatever is not known of the circuit.
const outputSlack = 0.03

// offRatio is what is left of the voltage when an energizer is off.
const offRatio = 0.08

func (d *diagnoser) roots() int {
	n := 0
	for _, z := range d.f.net.Zones {
		if z.Parent < 0 {
			n++
		}
	}
	return n
}

func (d *diagnoser) heardNow() int {
	n := 0
	for _, r := range d.ratio {
		if !math.IsNaN(r) {
			n++
		}
	}
	return n
}
