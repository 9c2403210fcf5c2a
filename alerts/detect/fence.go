package detect

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// fence is what one energizer feeds, watched as one circuit. Its exported fields are the state that is saved.
type fence struct {
	w         *Watch
	energizer *farm.Energizer
	net       *line.Network
	diag      *diagnoser
	tracks    []*track // by node: the energizer's, then each zone's; nil where there is no sensor
	sensors   []*track // those there are
	usualGain float64  // the middle of Gains and of a tester's 1, once they are from a whole day

	Layout []string // what the state belongs to: each zone with its length and feed

	Gains    []float64  // what each sensor shows over what is there
	Base     line.State // the fence as it was when last looked at in quiet
	BaseAt   ms
	Learnt   bool // gains are from a whole day
	Suspect  suspicion
	Troubles []*incident
	Ends     [4]ms // when the last faults of the wire ended
	NEnds    int
	Supply   supplyWatch
	Days     dayBook
	Growths  []standing // by zone
	Due      []int      // by zone, days in a row that a date within the horizon was found
	Faulty   []standing // by node
	Wrong    []float64  // by node, how far an accused sensor was off, in the logarithm; 0 until looked at
	Pair     oddPair
	Shift    shiftWatch
	Joints   []float64 // by zone, the ohms of bad joints with which the fence is remembered; nil for none
	Mended   mended
	Gone     []gone // paths to earth that have let go, the oldest first
	WetAt    ms     // when the fence was last seen to fall as rain makes it fall
	WeakFor  int    // looks in a row at which the energizer gave less than it should
}

func newFence(w *Watch, e *farm.Energizer) (*fence, error) {
	net, err := line.New(w.farm, e.Name)
	if err != nil {
		return nil, err
	}
	f := &fence{w: w, energizer: e, net: net, Base: net.Clean()}
	f.tracks = append(f.tracks, w.addTrack(f, 0, e.Source(), e.Name, e.Sensor))
	f.Layout = append(f.Layout, fmt.Sprintf("%s %g V %g ohm", e.Name, net.OpenVolts, net.SourceOhms))
	for i, z := range net.Zones {
		f.tracks = append(f.tracks, w.addTrack(f, i+1, z.Source(), z.Name, z.Sensor))
		f.Layout = append(f.Layout, fmt.Sprintf("%s by %s %g m %g ohm/km joined %s", z.Name, z.FedBy, z.LengthM, z.OhmsPerKM, z.JoinedTo))
	}
	f.sensors = slices.DeleteFunc(slices.Clone(f.tracks), func(t *track) bool { return t == nil })
	n := len(f.tracks)
	f.Gains = make([]float64, n)
	for i := range f.Gains {
		f.Gains[i] = 1
	}
	f.Suspect.Before = make([]float64, n)
	f.Growths = make([]standing, len(net.Zones))
	f.Due = make([]int, len(net.Zones))
	f.Faulty = make([]standing, n)
	f.Wrong = make([]float64, n)
	f.Days.init(len(net.Zones))
	f.Shift.init(n)
	f.diag = newDiagnoser(f)
	return f, nil
}

// takeOver copies the saved state of old into f, which keeps its own circuit.
func (f *fence) takeOver(old *fence) {
	own := *f
	*f = *old
	f.w, f.energizer, f.net, f.diag, f.tracks, f.sensors = own.w, own.energizer, own.net, own.diag, own.tracks, own.sensors
	f.usualGain = f.middleGain()
}

func (t *track) takeOver(old *track) {
	own := *t
	*t = *old
	t.id, t.source, t.name, t.every, t.fence, t.node = own.id, own.source, own.name, own.every, own.fence, own.node
	t.splitRuns()
}

// minimum returns what the zone at node needs, in volts; 0 for the energizer.
func (f *fence) minimum(node int) float64 {
	if node == 0 {
		return 0
	}
	return f.net.Zones[node-1].MinimumVolts
}

// deadVolts returns under what voltage the wire at node carries next to nothing.
func (f *fence) deadVolts(node int) float64 {
	if m := f.minimum(node); m > 0 {
		return min(500, m/4)
	}
	return 500
}

// take looks at a reading that is news.
func (f *fence) take(t *track, r *pulse.Reading, at ms) {
	now := f.w.state.Now
	if t.node == 0 {
		f.Supply.take(f, r, now)
	}
	v, ok := r.Get(pulse.Volts)
	if p, counted := r.Get(pulse.Pulses); !ok && counted && p == 0 {
		v, ok = 0, true // no pulse came: that is a voltage of nothing
	}
	if !ok {
		return
	}
	f.closeDay(now)
	f.checkRun(t, v, now)
	t.grain(v)
	gap := at - t.LastSeen
	t.Stale = t.Stale || t.longSilent(gap)
	t.Prev = t.LastVal
	t.LastVal, t.LastSeen = v, at
	if f.Faulty[t.node].up() || t.Stuck.up() {
		t.normal(v)
		return
	}
	f.judge(t, v, at, gap, now)
	if e, ok := r.Get(pulse.EarthVolts); ok && t.node == 0 && t.Bad == 0 && !f.held(0) {
		f.Supply.StakesWell.add(e)
		f.Supply.Day.add(10 * e)
	}
}

// judge decides whether a reading is usual, and what follows.
func (f *fence) judge(t *track, v float64, at, gap, now ms) {
	t.refresh(v)
	// A wire that is dead can fall no further: what its sensor picks up of others is not looked at.
	bad := t.Level >= f.deadVolts(t.node) && v < t.Level*t.dip() && !f.backTo(t.node, v, now)
	if m := f.minimum(t.node); m > 0 && v < m {
		t.Under++
	} else {
		t.Under = 0
	}
	if bad {
		if t.Bad++; t.Bad == 1 {
			t.FellIn, t.FellAt = gap, at
		}
		t.dips(v/t.Level, at)
		f.suspect(t, at)
	} else {
		if t.Bad > 0 {
			f.dipOver(t, at-gap, now)
		} else if f.Suspect.Open && t.Level > 0 && v < t.Level*(1-shallow*t.noise())-t.Grain {
			t.dips(v/t.Level, at)
		}
		t.Bad = 0
	}
	busy := f.Suspect.Open
	if busy {
		f.rejoins(t)
	}
	if busy && at >= f.Suspect.Since {
		t.Since.add(v)
	}
	in := f.memberOf(t.node)
	if !bad && (in == nil || in.Settled) {
		t.normal(v)
	}
	if !f.held(t.node) {
		t.Day.add(v)
	}
	for _, in := range f.Troubles {
		in.heard(f, t, v, gap, now)
	}
	f.settle(now)
	if busy {
		f.decide(now)
	} else if f.isLow(t, at) && !f.accountsFor(t.node, now) {
		f.slowLow(t, v, now)
	}
	if !f.Suspect.Open && t.Level > 0 {
		f.rebase(now)
	}
}

// rebase keeps the picture of the fence in quiet, from which a fault's change is reckoned.
func (f *fence) rebase(now ms) {
	if now-f.BaseAt < rebaseEvery || f.BaseAt == 0 && f.warming() {
		return
	}
	f.BaseAt = now
	f.rejoin()
	f.checkShift(now)
	f.rejoin()
	if f.atFault() {
		f.checkPairs(now)
		f.checkEarthAtFault(now)
		return
	}
	if !f.Learnt && f.Joints == nil {
		f.learnRoughly()
	}
	est, err := f.diag.est.Estimate(f.quietObservations(), f.prior(nil))
	if err != nil {
		return
	}
	f.Base = est.State
	f.checkTruth(now)
	f.checkStill(now)
	f.checkPairs(now)
	f.checkEnergizer(now)
	f.checkEarth(est, now)
}

// warming reports whether a sensor has begun to speak and has no level yet. A first picture without it would do for half an
// hour, and of a circuit so wrong that a wire which parts meanwhile is taken for a sensor that lies.
func (f *fence) warming() bool {
	return slices.ContainsFunc(f.sensors, func(t *track) bool { return t.LastSeen > 0 && t.NRecent < 3 && !f.mute(t.node) })
}

// atFault reports whether a fault is open of which the picture has no part: what creeps is in it, and so is a joint whose
// ohms are known.
func (f *fence) atFault() bool {
	return slices.ContainsFunc(f.Troubles, func(in *incident) bool { return !in.Slow && in.joint() == 0 })
}

// level returns what the sensor at node shows of late, volts; 0 where it is not believed, or has not been heard for so
// long that the weather may have changed what it would show.
func (f *fence) level(node int) float64 {
	if f.mute(node) || f.tracks[node].old(f.w.state.Now) {
		return 0
	}
	return f.tracks[node].Level
}

// levels gives level by node.
func (f *fence) levels() []float64 {
	levels := make([]float64, len(f.tracks))
	for i := range levels {
		levels[i] = f.level(i)
	}
	return levels
}

// old reports whether t owes reports, and for longer than a downpour takes to wet the fence.
func (t *track) old(now ms) bool {
	return now-t.LastSeen > max(wetting, leastOverdue*t.every+t.every/4)
}

// longest returns the longest period of the sensors that are heard.
func (f *fence) longest() ms {
	l := ms(1000)
	for _, t := range f.sensors {
		if t.Heard && !t.Gone {
			l = max(l, t.every)
		}
	}
	return l
}

// odd ranges over the sensors that show something odd.
func (f *fence) odd() iter.Seq[*track] {
	return func(yield func(*track) bool) {
		for _, t := range f.sensors {
			if t.Bad > 0 && !yield(t) {
				return
			}
		}
	}
}

// mute reports whether there is no sensor at node that is heard and believed.
func (f *fence) mute(node int) bool {
	t := f.tracks[node]
	return t == nil || t.Gone || f.Faulty[node].up() || t.Stuck.up()
}

// learnRoughly sets the gains from the levels of the first minutes, until a whole day is known.
func (f *fence) learnRoughly() {
	obs := make([]line.Observation, len(f.tracks))
	for _, t := range f.sensors {
		if t.Level > 0 {
			obs[t.node] = line.Observation{Volts: t.Level, SD: math.Hypot(t.noise(), modelSD)}
		}
	}
	if g, _, err := f.diag.est.LearnGains(obs); err == nil {
		f.Gains = g
	}
}

const (
	rebaseEvery = 30 * 60_000 // dew takes hours to come
	modelSD     = 0.01        // what the circuit leaves out: posts, sag, the pulse's shape
)

// timers does what is due at now whether or not a reading comes.
func (f *fence) timers(now ms) {
	if f.Suspect.Open && f.Suspect.wants(now, f.wait()) {
		f.Suspect.Waited = true
		f.decide(now)
	}
	if f.Suspect.Open && f.Suspect.wants(math.MaxInt64, f.wait()) { // look again at the latest when the next round should be in
		f.w.due(max(f.Suspect.Since+f.wait(), now+f.longest()/2))
	}
	f.closeDay(now)
	f.settle(now)
}

// tell takes in what a person did.
func (f *fence) tell(a alerts.Action) {
	switch a.Kind {
	case alerts.Trimmed:
		f.trimmed(a.Source, toMS(a.When()))
	case alerts.Restrung:
		f.restrung(a.Source, toMS(a.When()))
		f.workedOn(a.Source, toMS(a.When()))
	case alerts.OutOfService, alerts.InService:
		f.workedOn(a.Source, toMS(a.When()))
	}
}
