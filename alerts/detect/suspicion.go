package detect

import (
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// suspicion is the time between the first odd reading and knowing whether it meant anything.
type suspicion struct {
	Open   bool
	Since  ms
	Before []float64 // level of each node's sensor when it began; 0 unknown
	For    string    // the incident it has become, while that is being diagnosed
	Rounds int       // when it was diagnosed last, how often the odd sensors had been heard
	Asked  int       // and how many readings there were
	Waited bool      // it was looked at when its wait was over; from then on only a reading can bring something new
}

// wants reports whether a timer at now has something to look at, after so long a wait.
func (s *suspicion) wants(now, wait ms) bool {
	return now >= s.Since+wait && (s.For != "" || !s.Waited)
}

// suspect begins a suspicion with a reading stamped at.
func (f *fence) suspect(t *track, at ms) {
	if f.Suspect.Open {
		if f.Suspect.For == "" && t.Bad == 1 && t.Since.N > 0 {
			f.restartSuspicion(at, t.wellSince()) // what it shows now has only just come
		}
		return
	}
	f.Suspect.Open, f.Suspect.Since, f.Suspect.For, f.Suspect.Waited = true, at, "", false
	f.Supply.StakesWere, _ = f.Supply.StakesWell.median()
	f.Supply.IntervalWere, _ = f.Supply.Interval.median()
	era := f.era(at)
	for _, t := range f.sensors {
		t.Since, f.Suspect.Before[t.node] = since{}, 0
		if !f.mute(t.node) {
			f.Suspect.Before[t.node] = t.levelOf(era)
		}
	}
	f.w.due(at + f.wait())
}

// rejoins lets a sensor that was given up for silent when the suspicion began bear witness from its last level, as when
// the link comes back and the first to be heard is odd. A level of readings since then says nothing of the change.
func (f *fence) rejoins(t *track) {
	s := &f.Suspect
	old := t.NRecent > 0 && t.RecentAt[(t.NRecent-1)%levelWindow] < s.Since
	if s.For == "" && s.Before[t.node] == 0 && old && !f.mute(t.node) {
		s.Before[t.node] = t.Level
	}
}

// wellSince reports whether the sensor was well when it was last heard since the suspicion began, and not already on its way
// down: in rain one sensor after another crosses the limit of what is odd.
func (t *track) wellSince() bool {
	before := t.fence.Suspect.Before[t.node]
	return t.Since.newest(1) >= before*(1-shallow*t.noise())-t.Grain
}

// restartSuspicion counts what lasts from at on, and keeps the levels before, and what was shown since unless it is of
// another matter.
func (f *fence) restartSuspicion(at ms, another bool) {
	f.Suspect.Since, f.Suspect.Waited = at, false
	for _, t := range f.sensors {
		if another {
			t.Since = since{}
		}
	}
	f.w.due(at + f.wait())
}

// closeSuspicion forgets what was odd.
func (f *fence) closeSuspicion() {
	f.Suspect.Open, f.Suspect.For, f.Suspect.Rounds, f.Suspect.Asked = false, "", 0, 0
	for _, t := range f.sensors {
		t.Bad = 0
	}
}

// wait is how long a confirmed suspicion may wait for the other sensors to be heard, so that the first word on the
// cause is the right one: a reporting period, but never more than a minute and a half.
func (f *fence) wait() ms {
	longest := f.longest()
	return min(longest+longest/8, 90_000)
}

// confirmed reports whether two readings agree that something is wrong, two from one sensor or one each from two, and
// has lasted. Stock that lean on the wire pull it down for a second to a minute; what was seen by several sensors
// within that time is one and the same moment.
func (f *fence) confirmed() bool {
	sensors, dead, twice, newest := 0, 0, false, ms(0)
	for _, t := range f.sensors {
		if t.Bad > 0 {
			sensors++
			newest = max(newest, t.LastSeen)
			if t.LastVal < f.deadVolts(t.node) {
				dead += t.Bad
			}
		} else if t.Since.N > 0 && t.Since.least() < t.dip()*f.Suspect.Before[t.node] {
			sensors-- // it dipped and came back
		}
		twice = twice || t.agrees()
	}
	if dead >= 2 || dead == 1 && f.relieved() {
		return true // no animal takes a wire down that far
	}
	return (twice || sensors >= 2) && newest-f.Suspect.Since >= f.lasting()
}

// relieved reports whether some sensor has come to show clearly more since the suspicion began, though no fault is open whose
// end would do that: where the wire has parted, what leaks behind weighs no more on what is before, and that bears out a dead
// zone whose sensor may not speak again for a quarter of an hour.
func (f *fence) relieved() bool {
	return !f.atFault() && slices.ContainsFunc(f.sensors, func(t *track) bool {
		return t.Since.N > 0 && f.Suspect.Before[t.node] > 0 && t.Since.least() > f.Suspect.Before[t.node]*(2-t.dip())
	})
}

// lasting is how long a change must stand before it counts.
func (f *fence) lasting() ms {
	shortest := ms(math.MaxInt64)
	for _, t := range f.sensors {
		if t.Heard && !t.Gone {
			shortest = min(shortest, t.every)
		}
	}
	if shortest < quickSensor {
		return quickLasting
	}
	return leaning
}

// A sensor that reports every few seconds is trusted after a third of a minute: it shows the wire moving if it moves.
const (
	quickSensor  = 15_000
	quickLasting = 20_000
)

// leaning is how long stock lean on a wire at most, and a little. Common practice, no source.
const leaning = 62_000

// spoken reports whether every sensor that can be expected to has spoken so many times since the suspicion began.
func (f *fence) spoken(times int) bool {
	return !slices.ContainsFunc(f.sensors, func(t *track) bool {
		return !t.Gone && f.Suspect.Before[t.node] > 0 && t.Since.N < times
	})
}

// decide ends the suspicion when it can: nothing odd is left, or two readings agree.
func (f *fence) decide(now ms) {
	if f.Suspect.For != "" {
		f.review(now)
		return
	}
	switch {
	case f.badInARow() == 0:
		f.closeSuspicion()
	case !f.confirmed():
	case f.spoken(1) || now-f.Suspect.Since >= f.wait():
		f.conclude(now)
	}
}

// conclude diagnoses a confirmed suspicion, and leaves it open while the readings do not yet carry what they would
// have us say: a sensor is called a liar, or a fall that leaves every zone over its minimum a fault, only on good
// evidence, for nobody needs to get up for either.
func (f *fence) conclude(now ms) {
	gradual := f.gradual()
	if !gradual && (f.deepens(now) || !f.worthAsking()) {
		return
	}
	if f.asTold() {
		return
	}
	v := f.diag.diagnose(f.Suspect.Before)
	if gradual && f.asRain(v) {
		f.wetLow(now)
		return
	}
	if v.sensor >= 0 {
		if t := f.tracks[v.sensor]; t.Bad >= accuseReadings && !f.catches(t, now) {
			f.accuse(v.sensor, v.alike, now)
			f.closeSuspicion()
		}
		return
	}
	if in := f.tracking(); in != nil && in.isWhy(f, v, now) {
		in.Quiet = now
		f.wetLow(now)
		return
	}
	if !f.urgent(v) {
		if f.rounds() < settleRounds || v.cause == alerts.Short && f.rainMay() && now-f.Suspect.Since < rainShows {
			return
		}
		if v.cause == alerts.Vegetation || v.dry < f.w.limits.Wet {
			f.acceptWeather()
			return
		}
	} else if f.badInARow() < 3 && (v.worst > unexplained || f.oneAlone()) || f.mayBeRain(v, now) {
		return
	}
	if in := f.flappingNow(); in != nil {
		if !f.standsApart(v, in, now) {
			in.Quiet = now
			return
		}
		if in.mayBe(f, v) {
			in.stays(v.cause)
			in.widen(f, v, now)
			return
		}
	}
	if v.cause == alerts.Vegetation || f.creptUnder() && v.dry < f.w.limits.Wet && f.rainMay() {
		if (f.creptUnder() || !f.rainMay()) && !f.heardOut(now) {
			return // nobody gets up any sooner for a word on the weather
		}
		f.wetLow(now)
		return
	}
	if in := f.sameTrouble(v, now); in != nil {
		in.widen(f, v, now)
		return
	}
	f.open(v, now)
}

// catches reports whether t may show nothing but touches of what comes and goes: one sensor catches some in a row that others
// miss.
func (f *fence) catches(t *track, now ms) bool {
	in := f.flappingNow()
	return in != nil && !in.away(now) && ms(t.Bad)*t.every < staysParted
}

// mayBeRain reports whether v is a path to earth that wet growth explains nearly as well, where the next reading or two of
// an odd sensor that reports often may tell them apart: rain goes on, and a wire that touches has done so once it has.
// Where they may it sees to it that this is asked again.
func (f *fence) mayBeRain(v verdict, now ms) bool {
	if v.cause != alerts.Short || v.dry >= nearlyAsWell || !f.rainMay() || now-f.Suspect.Since >= wetting/2 || f.heardOut(now) {
		return false
	}
	soon := slices.ContainsFunc(f.sensors, func(t *track) bool { return t.Bad > 0 && t.every <= wetting/5 })
	if soon {
		f.Suspect.Waited, f.Suspect.Asked = false, 0 // by a timer, should nobody be heard any more
		f.w.due(f.Suspect.Since + wetting/2)
	}
	return soon
}

// heardOut reports whether every sensor has been heard since the suspicion began, and those that show something odd more than
// once, or has had the time to be: what the first few show of a fault at a stroke, wet growth explains as well.
func (f *fence) heardOut(now ms) bool {
	return f.spoken(1) && f.rounds() >= hearRounds || now-f.Suspect.Since > (hearRounds+1)*f.longest()
}

const (
	hearRounds   = 2   // common practice, no source
	nearlyAsWell = 4.0 // squared standard deviations: two of them
)

// worthAsking reports whether there is enough new since the last diagnosis of this suspicion, which is dear: a round more
// of those who show something odd, or a quarter more readings than it had.
func (f *fence) worthAsking() bool {
	s, n, rounds := &f.Suspect, 0, f.rounds()
	for _, t := range f.sensors {
		n += t.Since.N
	}
	if s.Rounds == rounds && 4*n < 5*s.Asked && f.badInARow() > 3 {
		return false
	}
	s.Rounds, s.Asked = rounds, n
	return true
}

const (
	// rainShows is how long a path to earth that leaves every zone over its minimum must stand before it is told: a shower on
	// one zone more than on the rest looks so at first, and has come on, spread or dried by then. Common practice, no source.
	rainShows = 20 * 60_000

	accuseReadings = 5    // in a row, before a sensor is called a liar
	unexplained    = 16.0 // squared standard deviations of one sensor from what the cause predicts: four of them
)

// oneAlone reports whether a single sensor bears the suspicion, and it is not dead: the odd wild reading comes in
// pairs too.
func (f *fence) oneAlone() bool {
	n, dead := 0, false
	for t := range f.odd() {
		n++
		dead = dead || t.LastVal < f.deadVolts(t.node)
	}
	return n == 1 && !dead
}

// standsApart reports whether v is a fault of its own beside in, one that comes and goes: a touch, caught by one sensor
// and not by the next, looks like a parted wire, but leaves some voltage, and takes the zones before it down: where
// those come up it is one. A wire that flaps parts and joins, until it stays parted; and what has stood for so long
// without a break does not come and go, whatever it is.
func (f *fence) standsApart(v verdict, in *incident, now ms) bool {
	if now-f.Suspect.Since >= max(staysParted, 6*f.longest()) {
		return true
	}
	if v.cause != alerts.Open || f.diag.ratio[v.zone+1] >= offRatio {
		return v.cause == alerts.EnergizerOff
	}
	return !f.oneWay(v, in) || in.Fault.Kind == line.Shunt && f.diag.risen(v.zone) || now-in.Well >= max(staysParted, 6*f.longest())
}

// mayBe reports whether v may be what came and went in in's zone, and has come to stay. Half a touch at one moment and the
// whole of it at the next, a touch is known to be in a zone or on the way to it.
func (in *incident) mayBe(f *fence, v verdict) bool {
	if v.zone < 0 || in.Zone < 0 || v.cause == alerts.Vegetation {
		return false
	}
	near := v.cause == alerts.Short && (f.net.Behind(v.zone, in.Zone) || f.net.Behind(in.Zone, v.zone))
	return v.zone == in.Zone || near
}

// stays takes in that what came and went is here to stay.
func (in *incident) stays(c alerts.Cause) {
	in.Cause = c
	for i := range in.Members {
		in.Members[i].Flips = 0
	}
}

const staysParted = 30 * 60_000 // common practice, no source

// flappingNow returns the open incident of a fault that comes and goes.
func (f *fence) flappingNow() *incident {
	return f.trouble(func(in *incident) bool { return in.Cause == alerts.CauseIntermittent })
}

// creptUnder reports whether every odd zone is one that growth has pulled under already.
func (f *fence) creptUnder() bool {
	for t := range f.odd() {
		if t.node > 0 && !f.creptDown(t.node) {
			return false
		}
	}
	return true
}

// rainMay reports whether rain may have taken down what is odd, and what was next to dead already: it leaves a wire
// more than that.
func (f *fence) rainMay() bool {
	for _, t := range f.sensors {
		before := f.Suspect.Before[t.node]
		weak := t.Since.N > 0 && before >= floorVolts && before < f.deadVolts(t.node) && t.Since.latest() < rainLeaves*before
		if weak || t.Bad > 0 && t.LastVal < rainLeaves*before {
			return false
		}
	}
	return true
}

// urgent reports whether the change leaves a zone under its minimum, or the energizer off.
func (f *fence) urgent(v verdict) bool {
	return v.cause == alerts.EnergizerOff || f.anyUnder()
}

// badInARow returns the longest run of bad readings that any sensor has.
func (f *fence) badInARow() int {
	n := 0
	for t := range f.odd() {
		n = max(n, t.Bad)
	}
	return n
}

// rounds returns how often every sensor that shows something odd has shown it in a row.
func (f *fence) rounds() int {
	n := math.MaxInt
	for t := range f.odd() {
		n = min(n, t.Bad)
	}
	return n
}

// anyUnder reports whether a zone that fell stands under its minimum.
func (f *fence) anyUnder() bool {
	for t := range f.odd() {
		if t.Since.median() < f.minimum(t.node) {
			return true
		}
	}
	return false
}
