package detect

import (
	"math"
	"slices"

	"nightwire/alerts/line"
)

// An energizer that gives less takes the whole fence down by one share, and with it the drop along the wire. Growth and wet
// take the far end down further than the near one, and add to that drop. So what the sensors show is held against a day
// when the energizer was well, once with leakages alone free to have changed, and once with what the energizer gives free
// as well. Gains, ohms and lengths that are a little off cancel, for both are worked out from what was seen on that day.

// sourceLoss is how much less an energizer gives than on some day before.
type sourceLoss struct {
	well     dayRow  // that day
	kept     float64 // share of its open voltage that is left
	evidence float64 // by how much the readings are likelier so than with leakages alone, as -2·ln
	heard    int     // sensors that say so
}

// Judgements; common practice, no source.
const (
	wellDays   = 3    // back to the day that is held to be well: growth is slow, and energizers fail within days
	keptTold   = 0.87 // of the open voltage, under which it is told
	keptWell   = 0.95 // and over which it is well again
	asEver     = 0.97 // and over which it is as ever, whatever the fence draws
	sourceSure = 6.0  // of evidence
	leastHeard = 4    // sensors: on a fence of one zone or two, growth near the energizer looks just like it
	openSpread = 0.3  // standard deviation of the logarithm of what an energizer may come to give
)

// wellDay returns a day when the energizer is held to have been well, empty where none is known.
func (f *fence) wellDay() dayRow {
	rows := f.Days.Rows
	for _, r := range rows[max(0, len(rows)-wellDays):] {
		if slices.ContainsFunc(f.Days.Fresh, func(at ms) bool { return at <= r.Start }) { // not all was cut or strung anew since
			return r
		}
	}
	return dayRow{}
}

// sourceSince holds the present levels against those of the well day, and says only of a loss under the share enough how
// likely it is. It is for a time when nothing odd is being looked at.
func (f *fence) sourceSince(well dayRow, enough float64) sourceLoss {
	loss, before := sourceLoss{well: well, kept: 1}, well.Level
	if before == nil {
		return loss
	}
	f.asLevels(before)
	d := f.diag
	d.slow = true
	defer func() { d.slow = false }()
	d.load(before)
	most := 0.0
	for i, r := range d.ratio {
		if math.IsNaN(r) {
			continue
		}
		loss.heard++
		if i == 0 || !f.pastJoint(i-1, f.Joints) { // behind one, what it was before is not known so well
			most = max(most, r)
		}
	}
	if most > enough || f.few(loss) {
		return loss
	}
	loss.kept = 0
	weak, growth := math.Inf(1), math.Inf(1)
	cost := func(est line.Estimate) float64 {
		if math.IsInf(est.Misfit, 1) {
			return est.Misfit // of what could not be worked out there is no current
		}
		return unlikely(est) + d.undrawn(est, well.Stakes)
	}
	for _, ohms := range [2]float64{1, 1.5} { // nobody knows the source's ohms and the earth's to a third, and a wet fence draws on both
		p := f.prior(nil)
		p.State.SourceOhms *= ohms
		d.baseline(before, p)
		less := d.since(openSpread)
		loss.kept, weak = max(loss.kept, less.OpenVolts/d.base.OpenVolts), min(weak, cost(less))
		if loss.kept > enough || less.Misfit+less.Strain > unexplained {
			return loss
		}
		growth = min(growth, cost(d.since(0)))
		if d.base.Joints != nil { // a bad joint may have been mended since
			d.base.Joints = nil
			growth = min(growth, cost(d.since(0)))
		}
	}
	if !math.IsInf(growth, 1) { // what could not be worked out proves nothing
		loss.evidence = growth - weak
	}
	return loss
}

// since explains the ratios by leakages that have moved, together and each by itself, and by what the energizer gives,
// whose logarithm has the standard deviation openSpread. A leakage that is known by a guess alone, as those of a clean
// fence are, may have come from anywhere.
func (d *diagnoser) since(openSpread float64) line.Estimate {
	d.ratios(nextToNothing)
	p := line.Prior{State: d.base, LeakSpread: wetSpread, LeakDoubt: d.leakSD, WetSpread: dewSpread, OpenSpread: openSpread}
	est, err := d.est.Weigh(d.obs, p)
	if err != nil {
		return line.Estimate{Misfit: math.Inf(1)}
	}
	return est
}

// undrawn returns what it costs that the stakes, which carried was, carry less than the current of est would put on them, as
// squared standard deviations: what leaks comes back through them, and what an energizer does not give does not. That they
// carry more says nothing here, for the earth may have got worse besides.
func (d *diagnoser) undrawn(est line.Estimate, was float64) float64 {
	is, ok := d.f.Supply.Stakes.median()
	if !ok || was <= 0 || math.IsNaN(d.ratio[0]) {
		return 0
	}
	base := taken(d.base.OpenVolts, d.before[0]) / d.base.SourceOhms
	more := math.Log(taken(est.OpenVolts, est.OpenVolts-est.LoadAmps*est.SourceOhms) / est.SourceOhms / base)
	was, is = max(was, stakesGrain), max(is, stakesGrain)
	return oddStakes(min(math.Log(is/was)-min(more, more/2), 0), was, is, soilSD) // half as much more at the least, as at a stroke
}

// soilSD is the standard deviation of the logarithm of the stakes' ohms over some days, in which the soil dries or takes up
// rain; common practice, no source.
const soilSD = 0.3

// ratios makes observations of the ratios, for a cause that leaves the share least of a level at the least: what is
// left of less counts as that, so that the cause is not favoured where the relative error would be large.
func (d *diagnoser) ratios(least float64) {
	for i, r := range d.ratio {
		d.obs[i] = line.Observation{}
		if !math.IsNaN(r) {
			p := math.Max(r, least)
			sd := math.Hypot(d.sd[i]+0.006/p, changeSlack*slack(p)/p) // as in one
			d.obs[i] = line.Observation{Volts: math.Max(r, nextToNothing) * d.before[i], SD: math.Max(sd, modelSD)}
		}
	}
}

const nextToNothing = 0.005 // a share of a level that is none

// unlikely returns how unlikely the readings are with what est takes to be free to move, as -2·ln: where it is free to be
// anything, that it explains them says little for it.
func unlikely(est line.Estimate) float64 { return est.Misfit + est.Strain + est.Luck }

// few reports whether too few sensors are heard to tell what the energizer gives.
func (f *fence) few(loss sourceLoss) bool { return 2*loss.heard <= len(f.tracks) }

// told reports whether the loss is as good as proved, by what the fence was and by what is written down of the energizer.
func (f *fence) told(loss sourceLoss) bool {
	if loss.kept > keptTold || loss.evidence <= 0 {
		return false
	}
	short := f.givesLess()
	if f.pace() > slowed {
		short += stakesMost // what grows on the wire does not set the pace of the pulses
	}
	return loss.evidence+short > sourceSure && (loss.heard >= leastHeard || short > 0)
}

// givesLess returns by how much the present readings, by themselves, are likelier with less output than is written down
// than with leakages alone, as -2·ln: where it lacks more than ohms of the source and of the earth that are half as
// much again would take at this load.
func (f *fence) givesLess() float64 {
	if f.Joints != nil {
		return 0 // nothing is written down of what a bad joint takes
	}
	p, obs := f.net.WidePrior(), f.quietObservations()
	fixed, err := f.diag.est.Estimate(obs, p)
	if err != nil || obs[0].Volts <= 0 {
		return 0
	}
	p.OpenSpread = openSpread
	est, err := f.diag.est.Estimate(obs, p)
	lacks := f.net.OpenVolts - est.OpenVolts - est.LoadAmps*f.net.SourceOhms/2
	if err != nil || est.OpenVolts > keptTold*f.net.OpenVolts || lacks < 3*est.OpenSD {
		return 0
	}
	return max(0, fixed.Misfit-est.Misfit)
}

// weakens begins the incident of an energizer that has come to give too little, and takes t, where it is not nil, for a zone
// that this has taken under its minimum. The battery's alarm, and those of zones that were told of since that day as low
// with growth, were its first sign.
func (f *fence) weakens(loss sourceLoss, t *track, now ms) {
	in := &incident{Cause: f.weakCause(loss), Zone: -1, Slow: true, Settled: true, Quiet: now, Kept: loss.kept, Profile: loss.well.Level}
	in.S = f.Supply.handOver(in.Cause)
	if t != nil {
		in.Members = append(in.Members, lowered(t))
	}
	f.takeUnder(in, f.energizer.Name+" that gives too little", now, func(o *incident) bool { return o.S.Raised >= loss.well.Start+day })
	f.begin(in, now)
}
