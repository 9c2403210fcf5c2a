package detect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// isLow reports whether t's zone is under its minimum, and not merely two readings in a row of one that is hardly over
// it: they are under by more than noise and steps can be, or so is the level, or it has stood under for longer than
// they keep it there. What falls through the minimum is held against the minimum itself: it is under soon, whatever the
// sensor's gain.
func (f *fence) isLow(t *track, at ms) bool {
	minimum := f.minimum(t.node)
	if t.Under < 2 && t.Level >= minimum {
		t.LowFrom = 0
		return false
	}
	off := math.Hypot(t.noise(), t.Grain/math.Sqrt(12)/minimum) // of a reading; of a level of seven half of that
	off = min(off, 1.0/6)                                       // half the minimum is under it, though nothing is known of the sensor yet
	most := math.Max(t.LastVal, t.Prev)
	if falls := most < t.Level*(1-3*off); !falls {
		minimum = f.shownAtMinimum(t.node)
	}
	switch {
	case t.Level >= minimum:
		t.LowFrom = 0
	case t.LowFrom == 0:
		t.LowFrom = at
	}
	clearly := most < minimum*(1-3*off) || t.Level < minimum*(1-off)
	return t.Under >= 2 && (clearly || t.LowFrom > 0 && at-t.LowFrom >= hardlyLow)
}

// hardlyLow is for how long a zone must stand under its minimum by no more than noise before it is told as low: stock feel no
// hundredth, and what hangs about the minimum crosses it all day. Common practice, no source.
const hardlyLow = 60 * 60_000

// shownAtMinimum returns what the sensor at node shows when its zone is at its minimum, volts, and never more than
// that: where one was found to show too little when the fence was strung, the zone that it shows just under is not
// under yet. What all sensors of the circuit show too little alike is the farm file's open voltage, and none of theirs:
// the tester that was read with is one sensor more. One that shows too much changes nothing, for who is woken must see
// on the page that the zone is under.
func (f *fence) shownAtMinimum(node int) float64 {
	if !f.Learnt {
		return f.minimum(node)
	}
	own := f.Gains[node] / f.usualGain
	return f.minimum(node) * min(1, max(own, 1-line.GainSpread))
}

// slowLow begins the incident of a zone that has crept under its minimum.
func (f *fence) slowLow(t *track, v float64, now ms) {
	if f.lies(t) {
		f.accuse(t.node, false, now)
		return
	}
	if in := f.flappingNow(); in != nil && !in.away(now) {
		in.join(f, t, now)
		return
	}
	if in := f.behindShift(t.node); in != nil {
		in.join(f, t, now)
		return
	}
	live := v >= f.deadVolts(t.node) || t.Level > 0
	if in := f.failing(); in != nil && live {
		in.join(f, t, now)
		return
	}
	if live && f.tracksNow(t, now) {
		return
	}
	if !live {
		f.deadAtFirst(t, now)
		return
	}
	if loss, weak := f.gaveWay(); weak {
		f.weakens(loss, t, now)
		return
	}
	f.begin(&incident{Cause: alerts.Vegetation, Zone: t.node - 1, Slow: true, Settled: true, Quiet: now, Members: []member{lowered(t)}}, now)
}

// deadAtFirst takes in that t's zone has been dead since it was first heard, with whatever is dead before it.
func (f *fence) deadAtFirst(t *track, now ms) {
	in := &incident{Cause: alerts.Unknown, Zone: t.node - 1, First: true, Slow: true, Settled: true, Quiet: now, Members: []member{lowered(t)}}
	switch o := f.heardBefore(t); {
	case o == nil:
	case o.LastVal > 2*f.deadVolts(o.node):
		in.Cause = alerts.Open
	case o.LastVal >= f.deadVolts(o.node):
	case o.node == 0:
		in.Cause, in.Zone = alerts.EnergizerOff, -1
	}
	if why := f.deadWith(in); why != nil {
		why.join(f, t, now)
		return
	}
	f.begin(in, now)
}

// heardBefore returns the nearest sensor on the way from t's zone to the energizer that is heard, nil where none is.
func (f *fence) heardBefore(t *track) *track {
	for z := f.net.Zones[t.node-1].Parent; ; z = f.net.Zones[z].Parent {
		if o := f.tracks[z+1]; o != nil && !o.Gone && o.LastSeen > 0 {
			return o
		}
		if z < 0 {
			return nil
		}
	}
}

// deadWith returns the open incident of what was dead at first that in's zone is dead with: the energizer's, or that of a
// zone before it.
func (f *fence) deadWith(in *incident) *incident {
	return f.trouble(func(o *incident) bool {
		if !o.First || in.Cause == alerts.Open {
			return false
		}
		return o.Zone < 0 || in.Zone >= 0 && f.net.Behind(in.Zone, o.Zone)
	})
}

// accountsFor reports whether an open incident is why the zone at node is low. One that comes and goes is not while it
// is away.
func (f *fence) accountsFor(node int, now ms) bool {
	return slices.ContainsFunc(f.Troubles, func(in *incident) bool { return in.member(node) != nil && !in.away(now) })
}

// away reports whether what comes and goes has not come for a while.
func (in *incident) away(now ms) bool {
	return in.Cause == alerts.CauseIntermittent && now-in.Quiet >= touchAgain
}

// creptDown reports whether growth has the zone at node under its minimum already, and that is told.
func (f *fence) creptDown(node int) bool {
	return slices.ContainsFunc(f.Troubles, func(in *incident) bool { return in.Slow && in.member(node) != nil })
}

// giveWay ends the alarm of a zone that growth has under its minimum when in, which did not creep, begins in the same
// zone: to people who know of the growth that is news. What growth leaves of the zone is told again when in is over.
// What comes and goes takes nothing's place: between two touches the zone is as low as growth has it. Any other alarm
// gives way only where both would go by one name: an alarm is known by its source and condition, and of two the end of
// one would be taken for that of both.
func (f *fence) giveWay(in *incident, now ms) {
	if in.Slow {
		return
	}
	name := f.finding(in)
	f.Troubles = slices.DeleteFunc(f.Troubles, func(o *incident) bool {
		grown := o.Slow && !o.First && !o.Tracks && o.Zone == in.Zone && in.Zone >= 0 && in.Cause != alerts.CauseIntermittent
		switch {
		case o == in || !grown && !o.S.isCalled(name):
			return false
		case grown:
			f.w.withdraw(&o.S, now, fmt.Sprintf("%s: more than growth is wrong there now.", titled(f.net.Zones[o.Zone].Name)))
		default:
			_, thing, _ := strings.Cut(string(name.Source), "/")
			f.w.withdraw(&o.S, now, fmt.Sprintf("%s: more is wrong there now than that.", titled(thing)))
		}
		return true
	})
}

// takeUnder has in take over the alarms of zones that were told of as low with growth, and that were its first sign:
// their zones ride on it. The first of them becomes its own where it has none; the others are taken back, for it is
// what it is.
func (f *fence) takeUnder(in *incident, what string, now ms, sign func(*incident) bool) {
	f.Troubles = slices.DeleteFunc(f.Troubles, func(o *incident) bool {
		if o == in || !o.Slow || o.Zone < 0 || o.Cause != alerts.Vegetation || !sign(o) {
			return false
		}
		for _, m := range o.Members {
			if in.member(m.Node) == nil {
				in.Members = append(in.Members, m)
			}
		}
		if in.S.up() {
			f.w.withdraw(&o.S, now, fmt.Sprintf("%s: it is %s.", titled(f.net.Zones[o.Zone].Name), what))
		} else {
			in.S = o.S
		}
		return true
	})
}

// isCalled reports whether the alarm goes by the name that fd gives one: what is known by it is its source and condition.
func (s *standing) isCalled(fd alerts.Finding) bool {
	return s.up() && s.Finding.Source == fd.Source && s.Finding.Condition == fd.Condition
}

// namesake returns the open incident whose alarm goes by the name that in's would, nil where there is none.
func (f *fence) namesake(in *incident) *incident {
	name := f.finding(in)
	return f.trouble(func(o *incident) bool { return o != in && o.S.isCalled(name) })
}

// failing returns the open incident of an energizer that gives too little.
func (f *fence) failing() *incident {
	return f.trouble(func(in *incident) bool {
		return in.Zone < 0 && (in.Cause == alerts.EnergizerWeak || in.Cause == alerts.SupplyLow || in.Cause == alerts.PoorEarth)
	})
}

// lowered returns t's zone as one that has crept under its minimum.
func lowered(t *track) member {
	return member{Node: t.node, Before: math.Max(t.Level, t.LastVal), Least: 1}
}

// join adds a zone that the same trouble has now pulled under.
func (in *incident) join(f *fence, t *track, now ms) {
	before := in.S.Finding
	in.Members = append(in.Members, lowered(t))
	f.tellChange(in, before, now)
}

// nightsHold reports whether each member's last nights stayed over its minimum.
func (f *fence) nightsHold(in *incident) bool {
	for _, m := range in.Members {
		if m.Node > 0 && f.Growths[m.Node-1].up() {
			return false
		}
		for _, r := range f.Days.Rows[max(0, len(f.Days.Rows)-3):] {
			if r.Night[m.Node] > 0 && r.Night[m.Node] < 1.15*f.minimum(m.Node) {
				return false
			}
		}
	}
	return true
}

// trimmedUp is how far a reading must rise over the best of the last days before it shows that growth was cut.
const trimmedUp = 1.12

// deepens tells when a zone that a fault had only dropped has come under its minimum since, or one that was low has died, as
// with wet on top of it: nobody gets up for the one, and stock walk out by the other.
func (in *incident) deepens(f *fence, t *track, now ms) {
	under := t.Under == 2 || t.Under > 2 && t.LastVal < f.deadVolts(t.node) && t.Prev < f.deadVolts(t.node)
	if !under || !in.Settled || in.Slow || in.Shift || in.Cause == alerts.CauseIntermittent || t.Bad > 0 {
		return
	}
	was := in.S.Finding
	if was.Priority == alerts.High && (was.Condition == alerts.Dead || was.Condition == alerts.Off) {
		return // nothing is worse
	}
	next := f.finding(in)
	if worse(next.Condition) > worse(was.Condition) || next.Condition == was.Condition && next.Priority == alerts.High && was.Priority != alerts.High {
		f.w.update(&in.S, now, next)
	}
}

// worse ranks how little a fault leaves of a zone.
func worse(c alerts.Condition) int {
	return slices.Index([]alerts.Condition{alerts.Dropping, alerts.Low, alerts.Dead}, c)
}

// worsen tells when a zone that was low has died, or one that only dropped is under its minimum. What another fault did to
// it meanwhile is told there.
func (in *incident) worsen(f *fence, t *track, now ms) {
	limit := f.deadVolts(t.node)
	if in.Tracks && in.S.Finding.Condition == alerts.Dropping {
		limit = f.minimum(t.node)
	}
	if in.First || t.Under < 2 || t.Bad > 0 || t.LastVal >= limit || in.S.Finding.Condition == alerts.Dead || f.held(t.node) {
		return
	}
	before := in.S.Finding
	f.tellChange(in, before, now)
}
