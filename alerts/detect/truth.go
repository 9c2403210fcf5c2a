package detect

import (
	"fmt"
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// Judgements; common practice, no source.
const (
	frozenSurprise = 27.6 // natural logarithm of how unlikely a run of equal readings must be: one in a million million
	leastFrozen    = 15   // readings, however lively the sensor used to be
	truthLooks     = 3    // in a row, half an hour apart, that agree before a sensor is believed again
	resting        = 4    // repeats, after which a run counts as one of a sensor at rest
	stillLooks     = 2    // in a row, at which a sensor stands still that should have moved
	strikesNeeded  = 4    // looks in a row, half an hour apart, before an impossible pair is acted upon
)

// checkRun looks for a sensor that is frozen to the digit. How long a run is odd depends on the sensor's own record:
// a coarse one repeats itself all day.
func (f *fence) checkRun(t *track, v float64, now ms) {
	if t.LastSeen > 0 && v == t.LastVal {
		t.Run++
	} else if t.LastSeen > 0 {
		if !t.Stuck.up() {
			keep := math.Pow(1-forgetPer, float64(t.Run+1))
			t.Repeats = t.Repeats*keep + float64(t.Run)
			t.Changes = t.Changes*keep + 1
			t.Resting *= keep
			t.Rests *= keep
			if t.Run >= resting {
				t.Resting += float64(t.Run - resting)
				t.Rests++
			}
		} else if t.Stuck.Good++; t.Stuck.Good >= 3 {
			f.w.clear(&t.Stuck, now, fmt.Sprintf("%s's sensor moves again.", titled(t.name)))
			t.restart(v)
		}
		t.Run, t.RunNoise = 0, t.Noise
	}
	if t.Stuck.up() || t.Run < leastFrozen || f.heldDown(t.node) || v < f.deadVolts(t.node) || !f.othersMove(t) || !t.tooStill() {
		return
	}
	f.stuck(t, now)
}

// heldDown reports whether a fault keeps the sensor at node down. One that every other sensor it took down says is over
// does not: then who never moved stood still while the wire came back.
func (f *fence) heldDown(node int) bool {
	return slices.ContainsFunc(f.Troubles, func(in *incident) bool { return in.holds(node) && !in.backBut(f, node) })
}

// holds reports whether the fault keeps the sensor at node from showing what the fence does of itself.
func (in *incident) holds(node int) bool {
	return !in.Slow && in.joint() == 0 && in.member(node) != nil
}

// backBut reports whether of the sensors that the fault took down every one but that at node speaks for its end, and some do.
func (in *incident) backBut(f *fence, node int) bool {
	others := 0
	for _, m := range in.Members {
		if m.Node == node || f.mute(m.Node) {
			continue
		}
		if m.Good < goodReadings {
			return false
		}
		others++
	}
	return others > 0
}

// stuck says that t's sensor no longer follows the wire.
func (f *fence) stuck(t *track, now ms) {
	fd := alerts.Finding{Source: t.source, Condition: alerts.FaultySensor, Cause: alerts.CauseSensorFaulty, Priority: alerts.Medium, KV: kilo(t.LastVal)}
	fd.Text = fmt.Sprintf("%s's sensor is stuck at %s while others move: do not trust it. Measure there by hand, then restart or swap the sensor.", titled(t.name), volts(t.LastVal))
	fd.Evidence = []string{fmt.Sprintf("the same value %d times in a row", t.Run+1)}
	f.w.raise(&t.Stuck, now, fd)
}

// tooStill reports whether the run of equal readings is too long for this sensor's noise and record. One that lies in the
// middle of a grain repeats itself more often than its noise has it on the whole, and its repeats come in bunches: so what
// counts is how its runs went on once they had begun, and the worst place in a grain. Where the grain is wider than the
// noise, or was never seen, it may rest there for days, and only what the others do meanwhile can tell.
func (t *track) tooStill() bool {
	if t.Grain == 0 || t.Noise == 0 {
		return false
	}
	sd := math.Sqrt(t.Noise) * t.LastVal
	if began := math.Sqrt(t.RunNoise) * t.LastVal; began > t.Grain { // more than rounding makes of a wire that rests
		sd = max(sd, began)
	}
	often := max((t.Repeats+10)/(t.Repeats+t.Changes+20), (t.Resting+1)/(t.Resting+t.Rests+4), math.Erf(t.Grain/(2*math.Sqrt2*sd)))
	return float64(t.Run)*-math.Log(often) >= frozenSurprise
}

// stillEvidence is by how much better the others' change must be explained without a sensor that rests.
// Common practice, no source.
const stillEvidence = 14.0

// checkStill looks, in quiet, for a sensor that shows to the digit what it showed at an earlier look, while the others
// moved in a way that every weather and every fault of the wire would have shown there too.
func (f *fence) checkStill(now ms) {
	node := f.still()
	for _, t := range f.sensors {
		if t.node != node {
			t.Still = 0
			continue
		}
		if t.Still++; t.Still >= stillLooks {
			t.Still = 0
			f.stuck(t, now)
		}
	}
}

// still returns the node of the sensor that should have moved and has not, -1 when none: left out, it lets the change of
// the others be explained much better than with it.
func (f *fence) still() int {
	node, most := -1, stillEvidence
	for k, past := range f.Shift.Past {
		var resting []*track
		for _, t := range f.sensors {
			if f.restsSince(t) == k {
				resting = append(resting, t)
			}
		}
		if len(resting) == 0 {
			continue
		}
		v, moved := f.explain(past.Levels)
		for _, t := range resting {
			if !moved || v.score < most {
				break // no sensor can be in the way of an explanation
			}
			if r := f.relief(t, past.Levels, v.score); r > most {
				node, most = t.node, r
			}
		}
	}
	return node
}

// explain returns what explains the change from the levels before best, and whether there is one.
func (f *fence) explain(before []float64) (v verdict, moved bool) {
	if moved = f.asLevels(before); moved {
		v = f.diag.diagnoseLooks(before)
	}
	return v, moved
}

// restsSince returns the oldest look since which t's sensor has shown one value, -1 when it has not even since the last.
func (f *fence) restsSince(t *track) int {
	if t.Run < leastFrozen || f.unsaid(t.node) {
		return -1
	}
	past := f.Shift.Past
	present := len(past) - 1
	k := present
	for k > 0 && past[k-1].Levels[t.node] == t.LastVal && past[present].At-past[k-1].At <= min(everyLook, ms(t.Run)*t.every) {
		k--
	}
	if k == present {
		return -1
	}
	return k
}

// relief returns by how much the change since before has a better explanation without t's sensor than the one that scores
// with, by the measure of how good that is.
func (f *fence) relief(t *track, before []float64, with float64) float64 {
	kept := t.Since
	t.Since = since{}
	without := f.diag.diagnoseLooks(before).score
	heard := f.diag.heardNow()
	t.Since = kept
	return (with - without) / math.Max(1, without/float64(max(1, heard-2)))
}

// othersMove reports whether some other sensor of the fence shows that the fence is not simply still.
func (f *fence) othersMove(t *track) bool {
	alone := true
	for _, o := range f.sensors {
		if o == t || !o.Heard || o.Gone {
			continue
		}
		alone = false
		if o.Run < 5 {
			return true
		}
	}
	return alone // with no witness its own record must do
}

// accuse says that the sensor at node cannot be true, or if joint that a joint before it is bad.
func (f *fence) accuse(node int, joint bool, now ms) {
	if f.Faulty[node].up() || f.held(node) {
		return // it is known; or a fault of the wire is, and the sensor is not to blame
	}
	f.w.raise(&f.Faulty[node], now, f.lying(f.tracks[node], f.tracks[node].LastVal, joint))
}

// lying is what is known of a sensor that shows v and cannot be true, or if joint may as well have a bad joint before
// it. If it is the joint, stock stand behind a fence that does not hold them as soon as v is under the minimum: that
// wakes as the joint would.
func (f *fence) lying(t *track, v float64, joint bool) alerts.Finding {
	fd := alerts.Finding{Source: t.source, Condition: alerts.FaultySensor, Cause: alerts.CauseSensorFaulty, Priority: alerts.Medium, KV: kilo(v)}
	fd.Evidence = f.againstEvidence(t)
	if !joint {
		fd.Text = fmt.Sprintf("%s's sensor shows %s, but the wire round it says otherwise: the sensor or its lead is at fault. Measure there by hand before you trust either.",
			titled(t.name), volts(v))
		return fd
	}
	fd.Or = alerts.Joint
	low, z := "", f.net.Zones[t.node-1]
	if v < z.MinimumVolts {
		low = under(v, z.MinimumVolts)
		if z.Stock != "" {
			fd.Priority = alerts.High
		}
	}
	fd.Text = fmt.Sprintf("%s's sensor shows %s%s, while the others show what they did before: it or its lead is at fault, or a joint between %s and it is bad. Measure there by hand; if the wire is low too, look at clamps, knots and gate ends before that sensor.",
		titled(t.name), volts(v), low, f.before(t.node-1))
	return fd
}

// sinks says of a sensor that may as well have a bad joint before it when it comes to show less than the minimum.
func (f *fence) sinks(t *track, s *standing, now ms) {
	if s.Finding.Or != alerts.Joint || s.Finding.Priority == alerts.High {
		return
	}
	if fd := f.lying(t, t.Level, true); fd.Priority == alerts.High {
		f.w.update(s, now, fd)
	}
}

// againstEvidence says what the others show.
func (f *fence) againstEvidence(t *track) []string {
	var out []string
	for _, o := range f.sensors {
		if o != t && o.Level > 0 && !o.Gone {
			out = append(out, fmt.Sprintf("%s steady at %s", o.name, volts(o.Level)))
		}
	}
	return out
}

// checkTruth lets accused sensors prove themselves: what one shows is again what the others, through the circuit, say
// it should.
func (f *fence) checkTruth(now ms) {
	f.diag.solver.Volts(f.diag.after, f.Base, line.Fault{})
	for _, t := range f.sensors {
		i, s := t.node, &f.Faulty[t.node]
		if !s.up() || t.Gone || t.Level <= 0 {
			continue
		}
		f.sinks(t, s, now)
		off := math.Abs(math.Log(t.Level / (f.diag.after[i] * f.Gains[i])))
		if f.Wrong[i] == 0 {
			f.Wrong[i] = off
		}
		if off < math.Max(0.04, 0.4*f.Wrong[i]) {
			s.Good++
		} else {
			s.Good = 0
		}
		if s.Good >= truthLooks {
			f.w.clear(s, now, fmt.Sprintf("%s's sensor agrees with the fence again.", titled(t.name)))
			t.Bad, t.Under, f.Wrong[i] = 0, 0, 0
		}
	}
}

// lies reports whether t's zone reads low while the wire behind it is hot: a wire cannot be hotter behind than before. A
// witness must be one that moves, for a sensor that is stuck would keep a low from being told.
func (f *fence) lies(t *track) bool {
	for _, o := range f.sensors {
		if o.Run < leastFrozen && f.contradict(t.node, o.node) > 2*gainsOff {
			return true
		}
	}
	return false
}

// feeds reports whether the wire at node a is on the only way to node b.
func (f *fence) feeds(a, b int) bool {
	if a == 0 {
		return b > 0
	}
	return b > 0 && a != b && f.net.Behind(b-1, a-1)
}

// contradict returns by how much the sensor at node b, behind node a, shows more than the one at a, in the logarithm and
// beyond what noise, steps and zeros of the two may make of it; NaN where nothing can be said. Levels of one moment are
// compared: rain that one sensor has seen and the other not yet makes no liar of either.
func (f *fence) contradict(a, b int) float64 {
	s, o := f.tracks[a], f.tracks[b]
	if s == nil || o == nil || !f.feeds(a, b) || f.unsaid(a) || f.unsaid(b) {
		return math.NaN()
	}
	at := min(s.levelAt(), o.levelAt())
	if s.SetAt > at || o.SetAt > at {
		return math.NaN()
	}
	before := (s.levelOf(at) + f.stepOf(s)) / f.Gains[a]
	behind := (o.levelOf(at) - f.stepOf(o)) / f.Gains[b]
	return math.Log(math.Max(behind/before, 0.01)) - math.Hypot(s.noise(), o.noise())
}

// unsaid reports whether the sensor at node has nothing to say of how hot the wire is of itself.
func (f *fence) unsaid(node int) bool {
	t := f.tracks[node]
	return f.mute(node) || t.Level <= 0 || t.Stale || f.held(node)
}

// stepOf is by how many volts a level of t may be off beside its gain: half a grain, and what its zero is off, which the
// gain has in it where it was learnt, near the energizer's open voltage.
func (f *fence) stepOf(t *track) float64 {
	return t.Grain/2 + zeroOff*math.Max(0, 1-t.Level/f.net.OpenVolts)
}

const (
	gainsOff = 0.06 // what gains may still be off after learning; common practice, no source
	zeroOff  = 60   // volts that a cheap sensor's zero may be off; common practice, no source
)

// checkPairs looks, while nothing odd is being looked at, for a pair of sensors that contradicts the wire: the one
// behind reads higher than the one before it, which nothing that is wrong with the fence makes true.
func (f *fence) checkPairs(now ms) {
	if !f.Learnt {
		return
	}
	odd := &f.Pair
	switch d := f.contradict(odd.A, odd.B); {
	case odd.Strikes > 0 && math.IsNaN(d) && !f.mute(odd.A) && !f.mute(odd.B):
		return // it is neither borne out nor over
	case d > gainsOff:
		odd.Strikes++
	default:
		*odd = f.worstPair()
	}
	if odd.Strikes < strikesNeeded {
		return
	}
	odd.Strikes = 0
	f.accuse(f.liarOf(*odd, now), false, now)
}

// liarOf returns which sensor of the pair is off: the one without which the others are better explained, as weather and
// growth since the last day on which the two did not contradict each other. Where no such day is known, as what they
// show by themselves.
func (f *fence) liarOf(odd oddPair, now ms) int {
	for _, r := range slices.Backward(f.Days.Rows) {
		before, behind := r.Level[odd.A], r.Level[odd.B]
		if before <= 0 || behind <= 0 || math.Log(behind/before*f.Gains[odd.A]/f.Gains[odd.B]) > gainsOff {
			continue
		}
		w := f.diag.newWeigher(r.Level, now-r.Start, f.prior(nil))
		return odd.lesser(f.diag.obs, func() float64 { return w.score(w.prior) })
	}
	obs := f.quietObservations()
	return odd.lesser(obs, func() float64 {
		e, err := f.diag.est.Estimate(obs, f.prior(nil))
		if err != nil {
			return math.Inf(1)
		}
		return e.Misfit
	})
}

// lesser returns the node of the pair without whose observation the score is the lesser.
func (p oddPair) lesser(obs []line.Observation, score func() float64) int {
	without := func(node int) float64 {
		kept := obs[node]
		obs[node].Volts = 0
		s := score()
		obs[node] = kept
		return s
	}
	if without(p.A) <= without(p.B) {
		return p.A
	}
	return p.B
}

// oddPair is a contradiction seen, by the nodes before and behind, and at how many looks since. Without one both are 0.
type oddPair struct{ A, B, Strikes int }

// worstPair returns the two whose readings contradict each other most.
func (f *fence) worstPair() oddPair {
	pair, worst := oddPair{}, gainsOff
	for a := range f.tracks {
		for b := range f.tracks {
			if d := f.contradict(a, b); d > worst {
				worst, pair = d, oddPair{A: a, B: b}
			}
		}
	}
	return pair
}
