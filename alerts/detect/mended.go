package detect

import (
	"slices"

	"nightwire/alerts"
)

// A fault is over when all that it took down shows so for a while, and what it left behind is looked at afresh.

// heard takes a member's reading into account, which came so long after the one before: does it speak for the fault's end?
func (in *incident) heard(f *fence, t *track, v float64, gap, now ms) {
	m := in.member(t.node)
	if m == nil {
		return
	}
	if f.deadAnyway(in, t.node) {
		m.Good, m.Live, m.Better = 0, 0, 0 // nobody sees what becomes of it meanwhile: its end is for what is heard afterwards
		return
	}
	minimum := f.minimum(t.node)
	in.deepens(f, t, now)
	if m.Live++; v < f.deadVolts(t.node) {
		m.Live = 0
	}
	if in.Shift {
		return
	}
	if in.Slow {
		if m.Good++; v <= 2*f.deadVolts(t.node) {
			m.Good = 0
		}
		if v < minimum*1.03 {
			in.Quiet, in.Fine = now, 0
		}
		m.better(v > 1.15*minimum && (m.Before < f.deadVolts(t.node) || v > f.Days.best(t.node, in.S.Raised-day)*trimmedUp), now)
		in.worsen(f, t, now)
		return
	}
	in.Dries = in.dries(f, m, v, now)
	back := m.Before * min(max(1-0.5*(1-m.Least), 0.7), 0.95)
	high := v >= 1.05*minimum || m.Before < 1.1*minimum || in.Cause == alerts.CauseIntermittent // what creeps is another matter
	if v >= back && high {
		if m.Good == 0 && v-t.Prev > m.leap(t) {
			in.Dried = false // the fence dried while it touched, and it let go at a stroke
			if gap <= max(rebaseEvery, 3*t.every) {
				m.Leapt = now // after a longer silence it may have been dew that dried
			}
		}
		m.Good++
		m.Well, in.Well = true, now
	} else {
		if v < m.Before*(m.Least+downAgain*(1-m.Least)) { // what dries slowly crosses any one limit often, being noisy
			if m.Well && !f.unloaded(in) && t.Prev-v > m.leap(t) { // nor does weather come and go at a stroke
				m.Flips++
			}
			if m.Well {
				m.Leapt = 0 // one that is freed may come back no further than this, and has leapt all the same
			}
			m.Well = false
		}
		m.Good = 0
		if in.Cause != alerts.CauseIntermittent || t.Bad > 0 || !m.Well { // wet and growth take it part of the way down by and by
			in.Quiet = now
		}
		if m.Flips >= flipsToFlap && in.Zone >= 0 && in.Cause != alerts.CauseIntermittent {
			f.nowFlaps(in, now)
		}
	}
	m.better(v >= 1.2*minimum && v >= m.Before*min(0.9, m.Least+0.5*(1-m.Least)), now)
}

// leap returns by how much a reading of t must differ from the one before to have done so at a stroke: no drying gives back so
// much, and noise does not look like it.
func (m *member) leap(t *track) float64 {
	return max(leap*m.Before*(1-m.Least), 6*t.noise()*m.Before)
}

// unloaded reports whether the wire behind a joint has parted. That takes the load off the joint, and with it a part of the
// step down: its zones come half way back and stay there, now over and now under what counts as well.
func (f *fence) unloaded(in *incident) bool {
	return in.Cause == alerts.Joint && f.trouble(func(o *incident) bool {
		return o != in && o.Cause == alerts.Open && !o.Slow && o.Zone >= 0 && f.net.Behind(o.Zone, in.Zone)
	}) != nil
}

// better notes since when the zone has been well above its minimum, as it is now or not.
func (m *member) better(is bool, now ms) {
	switch {
	case !is:
		m.Better = 0
	case m.Better == 0:
		m.Better = now
	}
}

// settle ends the incidents that are over.
func (f *fence) settle(now ms) {
	for i := 0; i < len(f.Troubles); i++ {
		in := f.Troubles[i]
		f.seeLeft(in, now)
		dries := in.Dries
		in.Dries = false
		if dries && !in.leapt(f) && !f.stands(in, now) {
			in.Dried = true
			if !f.remains(in, now) {
				f.letGo(in, now)
				f.turnWet(in, now)
				i-- // it may be gone, and is another matter now in any case
			}
			continue
		}
		if !(dries && in.freed(f, now)) && !in.over(f, now) {
			continue
		}
		f.Troubles = slices.Delete(f.Troubles, i, i+1)
		i--
		stood := in.Quiet - in.S.Raised
		f.letGo(in, now)
		if in.unseen(f) || in.Tracks && in.Doubt < f.w.limits.Shift {
			f.w.withdraw(&in.S, now, f.overText(in))
		} else {
			f.w.clear(&in.S, now, f.overText(in))
		}
		if f.Suspect.For == in.S.ID || f.Suspect.Open {
			f.closeSuspicion()
		}
		f.ended(in, stood, now)
	}
}

// unseen reports whether every sensor that spoke for the fault was taken off: nobody will ever say that it is over.
func (in *incident) unseen(f *fence) bool {
	return len(in.Members) > 0 && !in.anyMember(func(m member) bool { return f.tracks[m.Node] != nil })
}

// over reports whether every member that can be heard says that the fault is gone.
func (in *incident) over(f *fence, now ms) bool {
	if in.unseen(f) {
		return true
	}
	if in.Cause == alerts.CauseIntermittent {
		return now-in.Quiet > f.calmAfter()
	}
	if in.Shift {
		return in.Doubt >= f.w.limits.Shift
	}
	if in.Zone < 0 && in.Cause == alerts.SupplyLow && f.Supply.low() {
		return false // it will be back as soon as the battery is asked for more
	}
	if in.Cause == alerts.PoorEarth && !in.Slow && f.earthBack() {
		return true // what growth or wet has taken meanwhile is another matter
	}
	if in.Tracks {
		return in.Doubt >= f.w.limits.Shift || now-in.Quiet >= noWetFor
	}
	if (in.First || in.Cause == alerts.EnergizerOff) && in.live(f) {
		return true // what is dead at or before a zone leaves it dead; one that still is has a fault of its own
	}
	if in.pulses() || in.carries(f) {
		return true
	}
	if in.Slow && in.Zone < 0 {
		return in.Looks >= weakLooks || in.Fine*rebaseEvery >= slowReturn // time in which nobody could look proves nothing
	}
	if in.Slow {
		better := len(in.Members) > 0
		for _, m := range in.Members {
			better = better && m.Better > 0 && now-m.Better >= betterFor
		}
		return better || now-in.Quiet >= slowReturn && f.nightsHold(in)
	}
	spoke := false
	for _, m := range in.Members {
		if f.mute(m.Node) || f.deadAnyway(in, m.Node) {
			continue
		}
		if (m.Good < goodReadings || now-in.Quiet < in.holdFor(f)) && (m.Better == 0 || now-m.Better < 2*betterFor) {
			return false
		}
		spoke = true
	}
	return spoke && !f.stands(in, now)
}

// holdFor is how long a fault must be gone. A parted wire that is whole again was mended; what touched the wire may
// touch it again.
func (in *incident) holdFor(f *fence) ms {
	if in.Cause == alerts.Open || in.Zone < 0 {
		return 0
	}
	return max(touchAgain, 6*f.longest())
}

// ended takes in that an incident is over for which something last spoke so long after it was told.
func (f *fence) ended(in *incident, stood, now ms) {
	touched := !in.Slow && !in.Shift && in.Zone >= 0 && stood < sameHour
	for _, m := range in.Members {
		t := f.tracks[m.Node]
		if t == nil {
			continue
		}
		if touched && in.Cause != alerts.Open && !t.Dipped.since(in.Quiet-stood) { // a touch shorter than the diagnosis is one already
			t.dipped(in.Quiet, max(leaning, stood))
		}
		t.Under = 0 // what it said while the fault stood counts for nothing now
		if !t.Gone && t.LastVal > 0 {
			t.restart(t.LastVal)
		}
	}
	if in.pulses() || in.Cause == alerts.Open && !in.Shift {
		f.holdAgainst(in, stood)
	} else if in.Cause == alerts.EnergizerOff {
		f.holdDown(in)
	}
	if in.Cause == alerts.CauseIntermittent {
		for _, t := range f.sensors {
			t.Dipped.N = 0 // those have been told
		}
	}
	if !in.Slow && !in.Shift && in.Profile != nil {
		f.Mended = mended{Levels: in.Profile, Until: now + mendedFor}
	}
	f.rejoin() // the days as they are remembered must not show a joint that is mended to who looks at them next
	if touched {
		f.Ends[f.NEnds%len(f.Ends)] = now
		f.NEnds++
	}
}

// recovered reports whether a zone that was seen down shows its usual again: a gate was shut, and half of what was said
// since is of a fence that is well. One that something pulled down until the wire parted behind it shows nothing of that.
func (in *incident) recovered(f *fence) bool {
	return in.anyMember(func(m member) bool {
		freed := in.Cause == alerts.Open && in.Zone >= 0 && !in.Ring && (m.Node == 0 || !f.net.Behind(m.Node-1, in.Zone))
		return m.Least < affected && m.Good > 0 && !freed
	})
}

// carries reports whether a wire that had parted is whole again, be it that the fence is not what it was: pulses reach
// the next sensor behind it, which was dead, and no parted wire lets them. It waits as long as pulses does.
func (in *incident) carries(f *fence) bool {
	if in.Cause != alerts.Open || in.Slow || in.Shift || in.Zone < 0 || in.Ring {
		return false
	}
	m := in.member(in.Zone + 1)
	return m != nil && !f.mute(m.Node) && m.Least < offRatio && m.Good == 0 && m.Live >= goodReadings+2
}

// holdAgainst has what the fence shows now held against what it showed before in, for which an energizer was off, or a
// wire had parted: whatever else came to it meanwhile nobody could see, and what stood higher for want of the wire behind it
// is loaded again. Where that stood for hours, what the weather may have done is not looked at. What is down is held against
// that only where in ended though its zones are not what they were: else rain has taken the fence a part of the way. One
// within a loop whose end the slow comparison found is long whole by then, and what the fence shows is the weather's.
func (f *fence) holdAgainst(in *incident, stood ms) {
	down := in.pulses() || in.carries(f)
	for i, was := range in.Profile {
		if t := f.tracks[i]; !f.mute(i) && was > 0 && (down && t.LastVal < affected*was || affected*t.Level > was) {
			t.restart(was)
			t.Stale = t.longSilent(stood)
		}
	}
}

// backTo reports whether v is what the sensor at node showed before a fault that is open or has just ended: when a
// parted wire is joined, the zones before it fall to where they were.
func (f *fence) backTo(node int, v float64, now ms) bool {
	if was := f.Mended.Levels; now < f.Mended.Until && was[node] > 0 && v > affected*was[node] {
		return true
	}
	for _, in := range f.Troubles {
		if !in.Slow && !in.Shift && in.Profile[node] > 0 && v > affected*in.Profile[node] {
			return true
		}
	}
	return false
}

// mended is what the fence showed before the fault that ended last.
type mended struct {
	Levels []float64 // by node
	Until  ms        // when it no longer excuses a fall
}
