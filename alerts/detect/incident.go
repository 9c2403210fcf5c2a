package detect

import (
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// incident is one fault of the fence, however many zones it takes down. Its exported fields are saved.
type incident struct {
	S               standing
	Cause           alerts.Cause
	Zone            int // index of the zone at fault, -1 for the energizer
	Members         []member
	Shift           bool       // a small change of the profile, found by comparing looks
	Profile         []float64  // levels by node before it
	Fault           line.Fault // what explains it best; none for an energizer's
	Doubt           float64    // by how much the levels of late are better explained without it, squared standard deviations
	Looks           int        // for an energizer that gave too little: looks in a row that found it as ever
	Fine            int        // and those since one found it weak or a zone was low
	Slow            bool       // crept up instead of coming at a stroke
	First           bool       // its zones were dead when they were first heard
	Tracks          bool       // to earth, but only when wet; Profile is then of a wet night before
	Since           ms         // this when that night's day began
	Wet             float64    // and this how much wetter than then it was when it was told, as weigher's wet
	Settled         bool       // the diagnosis is done
	Dries           bool       // its zones come back slowly
	Dried           bool       // they have been seen to
	Rounds          int
	Quiet           ms  // when a member last spoke for the fault
	Well            ms  // and when for its end
	Dips            int // of one that comes and goes, how many sensors' dips since
	Placed          bool
	AtM, LowM, High float64
	Also            []int   // for a path to earth: other zones where it would show next to the same
	Ohms            float64 // of a joint, as if it were at the start of its zone
	Kept            float64 // of an energizer's output, the share that is left
	Ring            bool    // its zone lies on a loop
	Alike           bool    // as of verdict: another cause would show the same
	Worst           float64 // how far off the worst sensor was when its cause explained it best, squared standard deviations
}

// member is one sensor that the fault took down.
type member struct {
	Node   int
	Before float64 // its level before, volts
	Least  float64 // the lowest ratio to Before while diagnosing
	Good   int     // readings in a row that speak for the fault's end
	Well   bool    // it has spoken for the fault's end, and not been all the way down since
	Flips  int     // times it has spoken for the fault again after speaking for its end
	Drying int     // readings in a row half way back, the fault gone neither at a stroke nor yet
	Leapt  ms      // since when it has been half way back, where that came at a stroke; 0 else
	Better ms      // since when it has been well above its minimum, 0 when it is not
	Live   int     // readings in a row that are not of a dead wire
}

// Judgements; common practice, no source.
const (
	settleRounds = 4 // times every sensor is heard before the diagnosis is closed
	touchAgain   = 15 * 60_000
	mendedFor    = 30 * 60_000
	sameHour     = 60 * 60_000      // two faults of one kind within the hour are one that got worse
	flipsToFlap  = 2                // recoveries that did not last, before a fault is called one that comes and goes
	recurWithin  = 8 * 60 * 60_000  // a windy day
	goodReadings = 3                // in a row, from every member, before a fault is over
	downAgain    = 0.35             // of the way back up, under which a zone that was well is down again
	affected     = 0.88             // ratio to before under which a zone counts as taken down
	slowReturn   = 30 * 60 * 60_000 // a night without a dip under the minimum, and some hours
	betterFor    = 60 * 60_000
)

// memberOf returns the incident that holds the sensor at node.
func (f *fence) memberOf(node int) *incident {
	return f.trouble(func(in *incident) bool { return in.member(node) != nil })
}

// trouble returns the first open incident that is such a one, nil where there is none.
func (f *fence) trouble(such func(*incident) bool) *incident {
	if i := slices.IndexFunc(f.Troubles, such); i >= 0 {
		return f.Troubles[i]
	}
	return nil
}

func (in *incident) member(node int) *member {
	for i := range in.Members {
		if in.Members[i].Node == node {
			return &in.Members[i]
		}
	}
	return nil
}

// deadAnyway reports whether the zone at node is dead for another fault's sake: the energizer is off, as when the keeper
// sets out to mend the first, or the wire has parted on the way there and not on the way to in. What it shows then says
// nothing of in, neither that it got worse nor that it stands.
func (f *fence) deadAnyway(in *incident, node int) bool {
	if node == 0 || in.Slow || in.Shift || in.Cause == alerts.EnergizerOff || in.Cause == alerts.CauseIntermittent {
		return false
	}
	return f.trouble(func(o *incident) bool {
		switch {
		case o == in || o.Slow:
			return false
		case o.Zone < 0:
			return o.Cause == alerts.EnergizerOff && in.Zone >= 0
		}
		return o.Cause == alerts.Open && f.net.Behind(node-1, o.Zone) && (in.Zone < 0 || !f.net.Behind(in.Zone, o.Zone))
	}) != nil
}

// held reports whether a fault keeps the sensor at node from showing what the fence does of itself.
func (f *fence) held(node int) bool {
	return slices.ContainsFunc(f.Troubles, func(in *incident) bool { return in.holds(node) })
}

// sameTrouble returns the open incident that v is more of.
func (f *fence) sameTrouble(v verdict, now ms) *incident {
	for _, in := range f.Troubles {
		if in.Slow || in.Shift && v.zone != in.Zone {
			continue
		}
		worse := v.cause == in.Cause && now-in.S.Raised < sameHour && f.oneWay(v, in)
		if v.zone == in.Zone || worse && in.joint() == 0 { // a joint whose ohms are known is looked for beside
			return in
		}
	}
	return nil
}

// oneWay reports whether the fault of in can have come to look like v: a parted wire takes down what is behind it, and
// no zone of another branch.
func (f *fence) oneWay(v verdict, in *incident) bool {
	return v.cause != alerts.Open || v.zone < 0 || in.Zone < 0 || f.net.Behind(v.zone, in.Zone) || f.net.Behind(in.Zone, v.zone)
}

// open begins an incident.
func (f *fence) open(v verdict, now ms) {
	in := &incident{Quiet: now}
	in.Profile = append(in.Profile, f.Suspect.Before...)
	in.adopt(f, v)
	if v.zone >= 0 && f.recurs(v.cause, now) {
		in.Cause = alerts.CauseIntermittent
	}
	if v.zone < 0 {
		in.S = f.Supply.handOver(v.cause)
	}
	f.begin(in, now)
	f.follow(in, now)
}

// begin tells of a new incident, which may have its alarm from what was its first sign.
func (f *fence) begin(in *incident, now ms) {
	if in.Slow && !in.S.up() {
		if o := f.namesake(in); o != nil {
			o.Members = append(o.Members, in.Members...) // what creeps is no news beside it
			return
		}
	}
	f.Troubles = append(f.Troubles, in)
	f.makeRoom(in, now)
	f.giveWay(in, now)
	if in.S.up() {
		f.w.update(&in.S, now, f.finding(in))
	} else {
		f.w.raise(&in.S, now, f.finding(in))
	}
}

// recurs reports whether faults of the wire have ended twice in the last hours: then this is one that comes and goes. A wire
// that parts must have been whole again once more often: a gate may be used.
func (f *fence) recurs(c alerts.Cause, now ms) bool {
	n, enough := 0, 2
	if c == alerts.Open {
		enough++
	}
	for i := range min(f.NEnds, len(f.Ends)) {
		if now-f.Ends[i] < recurWithin {
			n++
		}
	}
	return n >= enough
}

// follow keeps the suspicion open for the incident until its diagnosis has settled. Where it was told before every sensor had
// been heard, that is looked at again as soon as they have been.
func (f *fence) follow(in *incident, now ms) {
	f.Suspect.For = in.S.ID
	if !f.spoken(1) {
		in.Rounds--
	}
	f.w.due(now + f.longest())
}

// widen takes a new change into an incident that is already open.
func (in *incident) widen(f *fence, v verdict, now ms) {
	before := in.S.Finding
	in.Settled, in.Shift, in.Rounds = false, false, 0
	in.adopt(f, v)
	f.tellChange(in, before, now)
	f.follow(in, now)
}

// adopt takes the verdict and the sensors it explains into the incident.
func (in *incident) adopt(f *fence, v verdict) {
	in.goesOff(v)
	in.explains(v)
	if in.Cause != alerts.CauseIntermittent {
		in.Cause = v.cause
	}
	in.Zone, in.Ring = v.zone, v.zone >= 0 && f.net.InLoop(v.zone)
	in.Kept, in.Alike = v.ratio, v.alike
	in.Ohms, in.Fault, in.Also = v.fault.Ohms, v.fault, v.also
	in.Placed, in.AtM, in.LowM, in.High = v.placed, v.atM, v.lowM, v.highM
	for _, t := range f.sensors {
		i := t.node
		if t.Stuck.up() || f.Faulty[i].up() {
			continue
		}
		before := f.Suspect.Before[i]
		if m := in.member(i); m != nil {
			if before > 0 && t.Since.N > 0 {
				m.Least = min(m.Least, t.Since.median()/m.Before)
			}
			continue
		}
		if !f.tookDown(i, v) {
			continue
		}
		if before <= 0 {
			before = t.Level
		}
		least := affected
		if t.Since.N > 0 && before > 0 {
			least = t.Since.median() / before
		}
		in.Members = append(in.Members, member{Node: i, Before: before, Least: least})
	}
	in.Members = slices.DeleteFunc(in.Members, func(m member) bool { return f.wasSpared(m, v) })
}

// wasSpared reports whether a zone that was counted as down before it was heard turns out not to be, or can no longer be
// heard: its sensor was taken off.
func (f *fence) wasSpared(m member, v verdict) bool {
	t := f.tracks[m.Node]
	return m.Least >= affected && (t == nil || t.Since.N > 0 && !f.tookDown(m.Node, v))
}

// tookDown reports whether the fault of v took down the zone at node.
func (f *fence) tookDown(node int, v verdict) bool {
	t := f.tracks[node]
	heard := t.Since.N > 0 && f.Suspect.Before[node] > 0
	switch {
	case v.zone != node-1 && f.wasDead(node):
		return false
	case heard:
		r := t.Since.median() / f.Suspect.Before[node]
		return r < affected || r < leastMember && (v.zone == node-1 || v.zone < 0)
	case v.cause == alerts.Open && node > 0 && v.zone >= 0:
		return f.net.Behind(node-1, v.zone)
	case v.cause == alerts.EnergizerOff:
		return true
	}
	return false
}

// review looks again with what came in since.
func (f *fence) review(now ms) {
	in := f.byID(f.Suspect.For)
	if in == nil {
		f.closeSuspicion()
		return
	}
	switch {
	case f.roundDone(in, now):
		in.Rounds++
	case !in.belied(f):
		return
	}
	if !in.recovered(f) && f.reconsider(in, now) {
		return
	}
	if in.Rounds >= settleRounds {
		in.Settled = true
		for _, t := range f.sensors {
			if t.Since.N > 0 {
				t.restart(t.Since.median())
			}
		}
		f.diag.fitJoint(in, now-in.S.Raised)
		f.closeSuspicion()
		return
	}
	f.w.due(now + f.longest())
}

// reconsider diagnoses the incident anew with what came in since, and reports whether it proved to be rain.
func (f *fence) reconsider(in *incident, now ms) (wet bool) {
	v := f.diag.diagnose(f.Suspect.Before)
	if in.Rounds < 1 && (v.worst > unexplained || v.cause == alerts.Vegetation) && !in.belied(f) {
		return false // of what was heard once, some is from before it let go and some from after; so rain looks too
	}
	rain := v.cause == alerts.Vegetation && v.margin > f.w.limits.Wet && f.spoken(1) && in.steady()
	if in.Cause != alerts.CauseIntermittent && (rain || f.gradual() && f.asRain(v)) {
		f.turnWet(in, now)
		return true
	}
	if v.sensor < 0 && (v.cause == in.Cause && v.zone == in.Zone || in.overturnedBy(v, f.diag.heardNow())) {
		before := in.S.Finding
		if v.cause != alerts.Vegetation {
			in.adopt(f, v)
			f.tellChange(in, before, now)
		}
	}
	return false
}

// steady reports whether every zone that the fault took down has stayed down since: rain does not let go for a moment.
func (in *incident) steady() bool {
	return !in.anyMember(func(m member) bool { return m.Well || m.Good > 0 })
}

// roundDone reports whether every sensor has been heard once more since the last look, or has had the time to be.
func (f *fence) roundDone(in *incident, now ms) bool {
	return f.spoken(in.Rounds+2) || now >= f.Suspect.Since+ms(in.Rounds+2)*f.longest()*5/4
}

func (f *fence) byID(id string) *incident {
	return f.trouble(func(in *incident) bool { return in.S.ID == id })
}

// tellChange sends an update when what a person would do has changed.
func (f *fence) tellChange(in *incident, before alerts.Finding, now ms) {
	next := f.finding(in)
	if sameAct(before, next) {
		in.S.Finding.KV = next.KV
		return
	}
	f.w.update(&in.S, now, next)
}

// sameAct reports whether two findings would send a person to the same place with the same tools.
func sameAct(a, b alerts.Finding) bool {
	if a.Source != b.Source || a.Condition != b.Condition || a.Cause != b.Cause || a.Priority != b.Priority || !slices.Equal(a.Zones, b.Zones) {
		return false
	}
	if (a.DistanceM == nil) != (b.DistanceM == nil) {
		return false
	}
	if a.DistanceM == nil {
		return true
	}
	was, is := *a.DistanceHighM-*a.DistanceLowM, *b.DistanceHighM-*b.DistanceLowM
	return is > 0.6*was && *b.DistanceM >= *a.DistanceLowM && *b.DistanceM <= *a.DistanceHighM
}
