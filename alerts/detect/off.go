package detect

import (
	"fmt"
	"math"
	"slices"

	"nightwire/alerts"
)

// An energizer that is off leaves every zone dead, and so does a wire that has parted in its first metres. Sensors
// report each in its turn, and until that of the energizer has, nobody can tell.

// off reports whether it is told that the energizer is off.
func (f *fence) off() bool {
	return f.trouble(func(in *incident) bool { return in.Cause == alerts.EnergizerOff }) != nil
}

// belied reports whether it is told that the energizer is off, and somebody who was never seen down has been heard live
// since. That is looked at without waiting for the rest.
func (in *incident) belied(f *fence) bool {
	if in.Cause != alerts.EnergizerOff {
		return false
	}
	for _, m := range in.Members {
		t := f.tracks[m.Node]
		if m.Least >= affected && !f.mute(m.Node) && t.Since.N > 0 && t.LastVal > 2*f.deadVolts(m.Node) {
			return true
		}
	}
	return false
}

// makeRoom lets an energizer's other alarms stand beside in, that it is off: until now one of them may have been called that,
// where it left a zone dead, and an alarm is known by its source and condition.
func (f *fence) makeRoom(in *incident, now ms) {
	if in.Cause != alerts.EnergizerOff {
		return
	}
	for _, o := range f.Troubles {
		if o != in && o.Zone < 0 {
			f.tellChange(o, o.S.Finding, now)
		}
	}
}

// wasDead reports whether the zone at node was dead before the change that is looked at, which then has not taken it
// down; nor does what it shows say that the change is over.
func (f *fence) wasDead(node int) bool {
	was := f.Suspect.Before[node]
	if was <= 0 {
		was = f.tracks[node].Level
	}
	return was < f.deadVolts(node)
}

// asTold reports whether all that is odd are zones that have been told to be dead, behind a wire that has parted or with the
// energizer, and had not been heard since: they bear it out, and that is no news.
func (f *fence) asTold() bool {
	var known []*member
	for t := range f.odd() {
		i := t.node
		in := f.trouble(func(in *incident) bool {
			m := in.member(i)
			return !in.Slow && m != nil && m.Least >= affected && (in.Cause == alerts.Open && i-1 != in.Zone || in.Cause == alerts.EnergizerOff)
		})
		if in == nil || t.LastVal >= f.deadVolts(i) {
			return false
		}
		known = append(known, in.member(i))
	}
	if len(known) == 0 {
		return false
	}
	for _, m := range known {
		t := f.tracks[m.Node]
		m.Least = t.Since.median() / m.Before
		t.restart(t.Since.median())
	}
	f.closeSuspicion()
	return true
}

// pulses reports whether an energizer that was off pulses, be it that the fence is not what it was: without pulses no wire is
// live. It waits a little longer than a fence that is well takes to say so.
func (in *incident) pulses() bool {
	return in.Cause == alerts.EnergizerOff && !in.First && !in.anyMember(func(m member) bool { return m.Good > 0 }) &&
		in.anyMember(func(m member) bool { return m.Live >= goodReadings+2 })
}

// live reports whether some member is live again, though the energizer was off or was not heard. Where another is down
// yet its board may be slow to say so, which is waited for as pulses does.
func (in *incident) live(f *fence) bool {
	enough := goodReadings
	if !in.First && in.anyMember(func(m member) bool { return m.Good == 0 && f.downYet(m.Node, m.Before) }) {
		enough += 2
	}
	return in.anyMember(func(m member) bool { return m.Good >= enough })
}

// downYet reports whether the sensor at node, which showed was before, shows a dead wire, or less than a downpour
// leaves of that: what the weather or growth did meanwhile does not account for it.
func (f *fence) downYet(node int, was float64) bool {
	t := f.tracks[node]
	return !f.mute(node) && was >= f.deadVolts(node) && max(t.LastVal, t.Prev) < max(f.deadVolts(node), rainLeaves*was)
}

// holdDown has a zone that is down yet, though the energizer of in has pulsed again for some readings, held against
// what it showed before: it has a fault of its own that came meanwhile, and growth did not do that. Where something is
// left of it, what stands at the zones before it tells which, and they are held against what they showed too. A battery
// that failed slowly gave less before than one that was charged does now, which goes by what rose least: a joint may
// have others stand higher.
func (f *fence) holdDown(in *incident) {
	back, again := ms(math.MaxInt64), math.Inf(1) // since when there are pulses, at the latest; what is shown again, as a share
	for _, m := range in.Members {
		if m.Good >= goodReadings {
			t := f.tracks[m.Node]
			back = min(back, t.LastSeen-ms(m.Good-1)*t.every)
			if m.Before >= f.deadVolts(m.Node) {
				again = min(again, t.LastVal/m.Before)
			}
		}
	}
	if again < 1 || math.IsInf(again, 1) {
		again = 1
	}
	heard := func(i int) bool { // since then
		return !f.mute(i) && in.Profile[i] > 0 && f.tracks[i].LastSeen-f.tracks[i].every >= back
	}
	left := false
	for i, was := range in.Profile {
		left = left || heard(i) && f.downYet(i, again*was) && f.tracks[i].LastVal >= f.deadVolts(i)
	}
	for i, was := range in.Profile {
		if heard(i) && (left || f.downYet(i, again*was)) {
			f.tracks[i].restart(again * was)
		}
	}
}

// anyMember reports whether some member is such a one.
func (in *incident) anyMember(such func(member) bool) bool {
	return slices.ContainsFunc(in.Members, such)
}

// goesOff takes in that an energizer that was thought to give less is off: what was live before is no sign that it pulses.
func (in *incident) goesOff(v verdict) {
	if v.cause == alerts.EnergizerOff && in.Cause != v.cause {
		for i := range in.Members {
			in.Members[i].Live = 0
		}
	}
}

// offText says that the energizer called name is off.
func (f *fence) offText(name string) string {
	if f.mayBeWayIn() {
		return fmt.Sprintf("%s is off, or the wire is broken before %s: the whole fence is dead. Look at %s first, switch, plug and battery, then walk; its own sensor says nothing.",
			name, f.behind(0), f.energizer.Name)
	}
	return fmt.Sprintf("%s is off: no pulses, the whole fence is dead. Go to the energizer first: switch, plug, battery.", name)
}

// mayBeWayIn reports whether all zones get their pulses by one and the energizer's sensor has fallen silent: that it is
// off and that the wire has parted there are then the same.
func (f *fence) mayBeWayIn() bool { return f.tracks[0] != nil && f.mute(0) && f.diag.roots() == 1 }
