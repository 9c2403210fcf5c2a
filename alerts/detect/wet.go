package detect

import (
	"slices"

	"nightwire/alerts"
)

// Wires part and touch from one pulse to the next. Rain and dew take minutes and hours, so what they do is known by its
// readings half way down.

// gradual reports whether the odd readings came by way of others half way down, on most of the sensors that show them.
// It is rain that takes the fence down over a quarter of an hour, and what it takes down recovers of itself.
func (f *fence) gradual() bool {
	odd, crept, readings := 0, 0, 0
	for _, t := range f.tracks {
		if t == nil || t.Bad == 0 {
			continue
		}
		odd++
		if n := t.halfway(); n >= 2 {
			crept++
			readings += n
		}
	}
	return readings >= halfwayLeast && 2*crept >= odd
}

// halfwayLeast is how many readings half way down it takes to call a fall gradual; a sensor that gives the mean of its
// period has one where a wire touched at a stroke, and noise has the odd one.
const halfwayLeast = 3

// halfway returns how many readings in a row, the last before the suspicion and those since, lie between the level
// before and what is shown now, clear of the noise of either: it is on the way down and was not back up meanwhile.
func (t *track) halfway() int {
	before := t.fence.Suspect.Before[t.node]
	now := t.Since.latest()
	fall := before - now
	under := before - max(0.1*fall, 2*t.noise()*before+t.Grain)
	above := now + max(0.05*fall, 3*t.noise()*now+t.Grain)
	if now < t.fence.deadVolts(t.node) {
		return 0 // no rain leaves nothing
	}
	n := 0
	count := func(v float64) {
		switch {
		case v >= under:
			n = 0
		case v > above:
			n++
		}
	}
	early := max(0, t.Since.N-t.Bad) // taken as normal though the suspicion was open: they come again below
	for k := max(0, t.NRecent-levelWindow); k < t.NRecent-early; k++ {
		count(t.Recent[k%levelWindow])
	}
	for k := max(0, t.Since.N-len(t.Since.Vals)); k < t.Since.N; k++ {
		count(t.Since.Vals[k%len(t.Since.Vals)])
	}
	return n
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

// acceptWeather takes what the rain did to the fence as its new level.
func (f *fence) acceptWeather() {
	for _, t := range f.tracks {
		switch {
		case t == nil:
		case t.Since.N > 0:
			t.restart(min(t.Since.median(), t.LastVal)) // it may be falling yet
		default:
			t.Stale = true
		}
	}
	f.closeSuspicion()
}

// turnWet takes back that an incident came at a stroke: what was told in haste was the beginning of rain.
func (f *fence) turnWet(in *incident, now ms) {
	before := in.S.Finding
	f.acceptWeather()
	in.Members = slices.DeleteFunc(in.Members, func(m member) bool {
		return m.Node == 0 || f.tracks[m.Node].LastVal >= f.minimum(m.Node)
	})
	if len(in.Members) == 0 {
		f.Troubles = slices.DeleteFunc(f.Troubles, func(o *incident) bool { return o == in })
		f.w.clear(&in.S, now, f.overText(in))
		return
	}
	in.Slow, in.Settled, in.Placed, in.Shift = true, true, false, false
	in.Cause, in.Zone, in.Quiet = f.creeping(), f.lowest(in), now
	if in.Cause != alerts.Vegetation {
		in.Zone = -1
	}
	f.tellChange(in, before, now)
}
