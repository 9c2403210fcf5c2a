package detect

import (
	"fmt"
	"math"

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
	Odd      oddPair
	Shift    shiftWatch
	Mended   mended
	LevelSum float64 // of all sensors' levels
	WeakFor  int     // looks in a row at which the energizer gave less than it should
}

// suspicion is the time between the first odd reading and knowing whether it meant anything.
type suspicion struct {
	Open   bool
	Since  ms
	Before []float64 // level of each node's sensor when it began; 0 unknown
	For    string    // the incident it has become, while that is being diagnosed
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
	w, e, net, diag, tracks := f.w, f.energizer, f.net, f.diag, f.tracks
	*f = *old
	f.w, f.energizer, f.net, f.diag, f.tracks = w, e, net, diag, tracks
}

func (t *track) takeOver(old *track) {
	id, source, name, every, fence, node := t.id, t.source, t.name, t.every, t.fence, t.node
	*t = *old
	t.id, t.source, t.name, t.every, t.fence, t.node = id, source, name, every, fence, node
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
	t.Prev = t.LastVal
	t.LastVal, t.LastSeen = v, at
	if f.Faulty[t.node].up() || t.Stuck.up() {
		t.normal(v)
		return
	}
	f.judge(t, v, at, now)
}

// judge decides whether a reading is usual, and what follows.
func (f *fence) judge(t *track, v float64, at, now ms) {
	bad := t.Level > 0 && v < t.Level*t.dip() && !f.backTo(t.node, v, now)
	if m := f.minimum(t.node); m > 0 && v < m {
		t.Under++
	} else {
		t.Under = 0
	}
	if bad {
		t.Bad++
		t.Dips.add(v / t.Level)
		f.suspect(at)
	} else {
		if t.Bad > 0 {
			f.dipOver(t, now)
		}
		t.Bad = 0
	}
	busy := f.Suspect.Open
	if busy && at >= f.Suspect.Since {
		t.Since.add(v)
	}
	in := f.memberOf(t.node)
	if !bad && (in == nil || in.Settled) {
		f.LevelSum -= t.Level
		t.normal(v)
		f.LevelSum += t.Level
	}
	if !f.held(t.node) {
		t.Day.add(v)
	}
	for _, in := range f.Troubles {
		in.heard(f, t, v, now)
	}
	f.settle(now)
	if busy {
		f.decide(now)
	} else if t.Under >= 2 && f.memberOf(t.node) == nil {
		f.slowLow(t, v, now)
	}
	if !f.Suspect.Open && t.Level > 0 {
		f.rebase(now)
	}
}

// suspect begins a suspicion with a reading stamped at.
func (f *fence) suspect(at ms) {
	if f.Suspect.Open {
		return
	}
	f.Suspect.Open, f.Suspect.Since, f.Suspect.For = true, at, ""
	for i, t := range f.tracks {
		f.Suspect.Before[i] = 0
		if t == nil {
			continue
		}
		t.Since = since{}
		if !t.Gone && !f.Faulty[i].up() && !t.Stuck.up() {
			f.Suspect.Before[i] = t.Level
		}
	}
	f.w.due(at + f.wait())
}

// closeSuspicion forgets what was odd.
func (f *fence) closeSuspicion() {
	f.Suspect.Open, f.Suspect.For = false, ""
	for _, t := range f.tracks {
		if t != nil {
			t.Bad = 0
		}
	}
}

// wait is how long a confirmed suspicion may wait for the other sensors to be heard, so that the first word on the
// cause is the right one: a reporting period, but never more than a minute and a half.
func (f *fence) wait() ms {
	longest := ms(0)
	for _, t := range f.tracks {
		if t != nil {
			longest = max(longest, t.every)
		}
	}
	return min(longest+longest/8, 90_000)
}

// confirmed reports whether two readings agree that something is wrong, two from one sensor or one each from two, and
// has lasted. Stock that lean on the wire pull it down for a second to a minute; what was seen by several sensors
// within that time is one and the same moment.
func (f *fence) confirmed() bool {
	sensors, twice, newest := 0, false, ms(0)
	for _, t := range f.tracks {
		if t == nil {
			continue
		}
		if t.Bad > 0 {
			sensors++
			newest = max(newest, t.LastSeen)
		} else if t.Since.N > 0 && t.Since.least() < t.dip()*f.Suspect.Before[t.node] {
			sensors-- // it dipped and came back
		}
		twice = twice || t.agrees()
	}
	return (twice || sensors >= 2) && newest-f.Suspect.Since >= f.lasting()
}

// lasting is how long a change must stand before it counts.
func (f *fence) lasting() ms {
	shortest := ms(math.MaxInt64)
	for _, t := range f.tracks {
		if t != nil && t.Heard && !t.Gone {
			shortest = min(shortest, t.every)
		}
	}
	return min(max(shortest, 20_000)*31/32, leaning)
}

// leaning is how long stock lean on a wire at most. Common practice, no source.
const leaning = 60_000

// complete reports whether every sensor that can be expected to has spoken since the suspicion began.
func (f *fence) complete() bool {
	for i, t := range f.tracks {
		if t != nil && f.Suspect.Before[i] > 0 && t.Since.N == 0 {
			return false
		}
	}
	return true
}

// decide ends the suspicion when it can: nothing odd is left, or two readings agree.
func (f *fence) decide(now ms) {
	if f.Suspect.For != "" {
		f.review(now)
		return
	}
	odd, waited := false, now-f.Suspect.Since
	for _, t := range f.tracks {
		odd = odd || t != nil && t.Bad > 0
	}
	switch {
	case !odd:
		f.closeSuspicion()
	case !f.confirmed():
	case f.complete() || waited >= f.wait():
		f.conclude(now)
	}
}

// conclude diagnoses a confirmed suspicion, and leaves it open while the readings do not yet carry what they would
// have us say: a sensor is called a liar, or a fall that leaves every zone over its minimum a fault, only on good
// evidence, for nobody needs to get up for either.
func (f *fence) conclude(now ms) {
	v := f.diag.diagnose(f.Suspect.Before)
	if v.sensor >= 0 {
		if f.tracks[v.sensor].Bad >= accuseReadings {
			f.accuse(v.sensor, now)
			f.closeSuspicion()
		}
		return
	}
	if !f.urgent(v) {
		if f.rounds() < settleRounds {
			return
		}
		if v.cause == alerts.Vegetation || v.dry < clearMargin {
			f.acceptWeather()
			return
		}
	} else if f.badInARow() < 3 && (v.worst > unexplained || f.oneAlone()) {
		return
	}
	if in := f.flappingNow(); in != nil && v.cause != alerts.Open && v.cause != alerts.EnergizerOff {
		in.adopt(f, v)
		f.closeSuspicion()
		return
	}
	if v.cause == alerts.Vegetation || f.creptUnder() && v.dry < clearMargin {
		f.wetLow(now)
		return
	}
	if in := f.sameTrouble(v, now); in != nil {
		in.widen(f, v, now)
		return
	}
	f.open(v, now)
}

const (
	accuseReadings = 5    // in a row, before a sensor is called a liar
	clearMargin    = 6.0  // by which a cause must beat wet growth before a harmless fall is called a fault
	unexplained    = 16.0 // squared standard deviations of one sensor from what the cause predicts: four of them
)

// oneAlone reports whether a single sensor bears the suspicion, and it is not dead: the odd wild reading comes in
// pairs too.
func (f *fence) oneAlone() bool {
	n, dead := 0, false
	for i, t := range f.tracks {
		if t != nil && t.Bad > 0 {
			n++
			dead = dead || t.LastVal < f.deadVolts(i)
		}
	}
	return n == 1 && !dead
}

// flappingNow returns the open incident of a fault that comes and goes.
func (f *fence) flappingNow() *incident {
	for _, in := range f.Troubles {
		if in.Cause == alerts.CauseIntermittent {
			return in
		}
	}
	return nil
}

// creptUnder reports whether every odd zone is one that growth has pulled under already.
func (f *fence) creptUnder() bool {
	for i, t := range f.tracks {
		if t == nil || t.Bad == 0 || i == 0 {
			continue
		}
		if in := f.memberOf(i); in == nil || !in.Slow {
			return false
		}
	}
	return true
}

// wetLow takes a fall that rain or dew explains as the new level, and tells of the zones it took under.
func (f *fence) wetLow(now ms) {
	f.acceptWeather()
	for i, t := range f.tracks {
		if t != nil && i > 0 && t.Under >= 2 && f.memberOf(i) == nil && !f.Faulty[i].up() && !t.Stuck.up() {
			f.slowLow(t, t.LastVal, now)
		}
	}
}

// urgent reports whether the change leaves a zone under its minimum, or the energizer off.
func (f *fence) urgent(v verdict) bool {
	return v.cause == alerts.EnergizerOff || f.anyUnder()
}

// badInARow returns the longest run of bad readings that any sensor has.
func (f *fence) badInARow() int {
	n := 0
	for _, t := range f.tracks {
		if t != nil {
			n = max(n, t.Bad)
		}
	}
	return n
}

// rounds returns how often every sensor that shows something odd has shown it in a row.
func (f *fence) rounds() int {
	n := math.MaxInt
	for _, t := range f.tracks {
		if t != nil && t.Bad > 0 {
			n = min(n, t.Bad)
		}
	}
	return n
}

// anyUnder reports whether a zone that fell stands under its minimum.
func (f *fence) anyUnder() bool {
	for i, t := range f.tracks {
		if t != nil && i > 0 && t.Bad > 0 && t.Since.median() < f.minimum(i) {
			return true
		}
	}
	return false
}

// acceptWeather takes what the rain did to the fence as its new level.
func (f *fence) acceptWeather() {
	for _, t := range f.tracks {
		if t != nil && t.Since.N > 0 {
			t.restart(t.Since.median())
		}
	}
	f.closeSuspicion()
}

// rebase keeps the picture of the fence in quiet, from which a fault's change is reckoned.
func (f *fence) rebase(now ms) {
	if now-f.BaseAt < rebaseEvery {
		return
	}
	f.BaseAt = now
	f.checkShift(now)
	if f.atFault() {
		return
	}
	if !f.Learnt {
		f.learnRoughly()
	}
	obs := f.quietObservations()
	est, err := f.diag.est.Estimate(obs, f.net.WidePrior())
	if err != nil {
		return
	}
	f.Base = est.State
	f.checkTruth(now)
	f.checkPairs(obs, now)
	f.checkEnergizer(now)
	f.checkEarth(est, now)
}

// atFault reports whether a fault that came at a stroke is open; what creeps is part of the picture.
func (f *fence) atFault() bool {
	for _, in := range f.Troubles {
		if !in.Slow {
			return true
		}
	}
	return false
}

// learnRoughly sets the gains from the levels of the first minutes, until a whole day is known.
func (f *fence) learnRoughly() {
	obs := make([]line.Observation, len(f.tracks))
	for i, t := range f.tracks {
		if t != nil && t.Level > 0 {
			obs[i] = line.Observation{Volts: t.Level, SD: math.Hypot(t.noise(), modelSD)}
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
	if f.Suspect.Open {
		if now >= f.Suspect.Since+f.wait() {
			f.decide(now)
		}
		if f.Suspect.Open { // look again at the latest when the next round should be in
			f.w.due(max(f.Suspect.Since+f.wait(), now+f.longest()/2))
		}
	}
	f.closeDay(now)
	f.settle(now)
}

// tell takes in what a person did.
func (f *fence) tell(a alerts.Action) {
	switch a.Kind {
	case alerts.Trimmed:
		f.trimmed(a.Source)
	case alerts.Restrung:
		f.restrung(a.Source)
	}
}
