package detect

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// On wire of few ohms, and in the first metres of any, a path to earth takes every sensor down by one share, and so does an
// energizer that gives less at a stroke. Two things tell them apart: of how much of the fence that can be said, and what the
// stakes carry, for a path to earth draws more through them.

// orEnergizer weighs the path to earth short against the energizer that gives less, weak, and returns the likelier with what
// the path then costs.
func (d *diagnoser) orEnergizer(short, weak verdict) (likelier verdict, cost float64) {
	cost = short.score
	// As little is known of both, or readings that fit neither well would speak for the path.
	weak.score += d.share(weak.ratio, changeSlack) - d.share(weak.ratio, outputSlack)
	if weak.score < cost+alikeMost && cost < weak.score+alikeLeft {
		cost += d.lookAlike(&short)
		short.alike = math.Abs(weak.score-cost) < alikeLeft
		weak.alike = short.alike
	}
	if weak.score < cost {
		return weak, cost
	}
	return short, cost
}

// outputKnown reports whether what the energizer's own sensor has to say of the change is known, where it has one.
func (d *diagnoser) outputKnown() bool { return d.f.tracks[0] == nil || !math.IsNaN(d.ratio[0]) }

// Judgements; common practice, no source.
const (
	alikeMost = 12.0 // that lookAlike comes to: it is one part of a fence of fifty zones
	alikeLeft = 6.0  // by how much the one must be likelier, for a person not to be told of the other
)

// lookAlike returns what it costs that a path to earth like that of v lies in just the places where it would look as it does,
// as -2·ln of how much of the fence that is: of any metre a path to earth is as likely as of any other.
func (d *diagnoser) lookAlike(v *verdict) float64 {
	const parts = 8
	least, alike, all := math.Inf(1), 0.0, 0.0
	for z, zone := range d.f.net.Zones {
		for c := range parts {
			f := line.Fault{Kind: v.fault.Kind, Zone: z, AtM: zone.LengthM * (float64(c) + 0.5) / parts, Ohms: v.fault.Ohms}
			s := d.overOhms(d.base, f, changeSlack)
			if s < least {
				alike *= math.Exp((s - least) / 2)
				least = s
			}
			alike += math.Exp((least-s)/2) * zone.LengthM
			all += zone.LengthM
		}
	}
	return 2 * math.Log(all/alike)
}

// likeliestZone returns of the paths to earth the one in the likeliest zone: not that in which the best of all places
// lies, but that of which most metres would do, and what is not known of the source weighed too. It scores as the best
// path, for whether there is one at all is not asked here.
func (d *diagnoser) likeliestZone() verdict {
	likeliest := verdict{cause: alerts.Unknown, zone: -1, sensor: -1, score: math.Inf(1)}
	for z := range d.shorts {
		d.shorts[z] = math.Inf(1)
	}
	if len(d.paths) == 0 {
		return likeliest
	}
	slices.SortStableFunc(d.paths, func(a, b verdict) int { return cmp.Compare(a.score, b.score) })
	best, paths := d.paths[0].score, d.paths[:min(len(d.paths), mostPaths)]
	var costs, gains [mostPaths]float64 // what each path costs before it is heard, and how much better another source explains it
	enough := math.Inf(1)
	for k, v := range paths {
		if math.IsInf(v.score, 1) {
			paths = paths[:k]
			break
		}
		misfit := d.overOhms(d.base, v.fault, changeSlack)
		costs[k], gains[k] = v.score-misfit, misfit-d.overSources(v.fault, changeSlack)
		enough = min(enough, v.score-gains[k]+alikeMost)
	}
	least := math.Inf(1)
	for k, v := range paths {
		if v.score-gains[k] > enough {
			continue
		}
		s := costs[k] - 2*math.Log(d.metres(&v))
		d.shorts[v.zone] = min(d.shorts[v.zone], s)
		if s < least {
			likeliest, least = v, s
		}
	}
	likeliest.score = best
	return likeliest
}

// mostPaths is among how many paths to earth, the best, the likeliest zone is sought: each takes hundreds of solutions of the
// circuit, and of more zones that look alike nobody could be told.
const mostPaths = 12

// metres returns how many metres of its zone v's fault may lie in, each counted by how likely it makes what is seen.
func (d *diagnoser) metres(v *verdict) float64 {
	const parts = 8
	long, sum := d.f.net.Zones[v.zone].LengthM, 0.0
	for c := range parts {
		sum += math.Exp(-d.misfitAt(v, long*(float64(c)+0.5)/parts)/2) * long / parts
	}
	return max(sum, 1e-300)
}

// stakes returns what it costs by what the earth stakes carry that the fence draws more than before, and that the energizer
// gives the share s of what it gave, as squared standard deviations. With the first the stakes carry more, at the least half
// as much more as the circuit has it, and with the second that share. Where they have come to carry about all that the
// fence has lost, it is the earth that has failed.
func (d *diagnoser) stakes(s float64) (draws, gives float64, failed bool) {
	was := d.f.Supply.StakesWere
	if d.slow || was <= 0 || math.IsNaN(d.ratio[0]) {
		return 0, 0, false
	}
	is := d.f.Supply.Stakes.newest(d.f.tracks[0].Since.N)
	if math.IsNaN(is) {
		return 0, 0, false
	}
	is, s = max(is, stakesGrain), max(s, stakesGrain/was) // with nothing on them nothing flows, be the wire on the ground or not
	if is > stakesHigh && is-s*was > stakesTake*(1-s)*d.base.OpenVolts {
		return stakesMost, 0, true
	}
	grown := math.Log(is / was)
	more := math.Log(taken(d.base.OpenVolts, d.ratio[0]*d.before[0]) / taken(d.base.OpenVolts, d.before[0]))
	return oddStakes(min(grown-more/2, 0), was, is, stakesSD), oddStakes(max(grown-math.Log(s), 0), was, is, stakesSD), false
}

// taken returns what the source's ohms take of the open voltage, volts, where out is left of it at the output: never
// quite nothing.
func taken(open, out float64) float64 { return math.Max(open-out, 0.01*open) }

// oddStakes returns how odd it is, as squared standard deviations, that what the stakes carry went from was to is,
// volts, where that is off by so much in its logarithm and the ohms of the stakes have the standard deviation sd in
// theirs.
func oddStakes(off, was, is, sd float64) float64 {
	sd = math.Hypot(sd, math.Hypot(stakesGrain/was, stakesGrain/is))
	return min(off*off/sd/sd, stakesMost)
}

// Judgements; common practice, no source.
const (
	stakesSD    = 0.15 // standard deviation of the logarithm of what the stakes carry
	stakesGrain = 10.0 // and in volts: one digit up or down, of ten each, is nothing, nor is what a dead earth picks up
	stakesMost  = 12.0 // a sensor of the stakes may be wrong
	stakesTake  = 0.7  // of what the fence has lost; a path to earth leaves the stakes the share that they are of all ohms
)

// slower returns what it costs a path to earth, and wet growth, that the energizer has come to pulse more slowly since
// the present suspicion began, as squared standard deviations: what touches or grows on a wire does not set the pace of
// the pulses, and an energizer that fails, or lacks supply, may slow them.
func (d *diagnoser) slower() float64 {
	s, t := &d.f.Supply, d.f.tracks[0]
	if d.slow || t == nil || s.IntervalWere <= 0 {
		return 0
	}
	if is := s.Interval.newest(t.Since.N); is > slowed*s.IntervalWere { // not where unknown either
		return stakesMost
	}
	return 0
}

// slowed is how many times the interval of before is slower; clocks and what counts the pulses are off by a few per
// cent at the most. Common practice, no source.
const slowed = 1.15

// Good wire has few ohms, and at the end of one zone the next begin: a path to earth there shows the same to every sensor,
// whichever of them it is in. Who walks is told so.

// elsewhere returns the other zones where a path to earth explains the last diagnosis next to as well, likeliest first.
func (d *diagnoser) elsewhere(zone int) []int {
	var also []int
	for z, score := range d.shorts {
		if z != zone && score < d.shorts[zone]+asLikely {
			also = append(also, z)
		}
	}
	slices.SortStableFunc(also, func(a, b int) int { return cmp.Compare(d.shorts[a], d.shorts[b]) })
	return also
}

// asLikely is by how much a place may score worse and still be named: a third as likely as the best. Common practice,
// no source.
const asLikely = 2.0

// also names the other zones where in's fault may be: those of a path to earth, as long as it is taken for one.
func (f *fence) also(in *incident) []string {
	if in.Cause != alerts.Short && in.Cause != alerts.CauseIntermittent || in.Tracks {
		return nil
	}
	var names []string
	for _, z := range in.Also {
		if z != in.Zone {
			names = append(names, f.net.Zones[z].Name)
		}
	}
	return names
}

// orElse names where else a path to earth may be: one zone or two, and more by saying so.
func (f *fence) orElse(in *incident) string {
	switch also := f.also(in); len(also) {
	case 0:
		return ""
	case 1, 2:
		return ", or in " + alerts.List(also, "or")
	default:
		return fmt.Sprintf(", or in %s, %s or another beside them", also[0], also[1])
	}
}

// walkTo ends a sentence on what touches in's zone now and then, and says where to walk.
func (f *fence) walkTo(in *incident) string {
	name := f.net.Zones[in.Zone].Name
	if len(f.also(in)) == 0 {
		return fmt.Sprintf(". Walk %s", name)
	}
	return fmt.Sprintf(", in %s%s. Walk there", name, f.orElse(in))
}
