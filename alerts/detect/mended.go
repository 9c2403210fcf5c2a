package detect

import "nightwire/alerts"

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
	if in.pulses() || in.carries(f) {
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

// carries reports whether a wire that had parted is whole again, be it that the fence is not what it was: pulses reach the next
// sensor behind it, which was dead, and no parted wire lets them. It waits as long as pulses does.
func (in *incident) carries(f *fence) bool {
	if in.Cause != alerts.Open || in.Slow || in.Shift || in.Zone < 0 || in.Ring {
		return false
	}
	m := in.member(in.Zone + 1)
	return m != nil && !f.mute(m.Node) && m.Least < offRatio && m.Good == 0 && m.Live >= goodReadings+2
}

// holdAgainst has what the fence shows now held against what it showed before in, for which an energizer was off, or a wire had
// parted: whatever else came to it meanwhile nobody could see. Where that stood for hours, what the weather may have done is not
// looked at.
func (f *fence) holdAgainst(in *incident, stood ms) {
	for i, was := range in.Profile {
		if t := f.tracks[i]; !f.mute(i) && was > 0 && t.LastVal < affected*was {
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
