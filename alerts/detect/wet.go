package detect

import (
	"slices"
	"strings"

	"nightwire/alerts"
)

// Wires part and touch from one pulse to the next. Rain and dew take minutes and hours, so what they do is known by its
// readings half way down.

// gradual reports whether the odd readings came by way of others half way down, on most of the sensors that show them.
// It is rain that takes the fence down over a quarter of an hour, and what it takes down recovers of itself.
func (f *fence) gradual() bool {
	odd, crept, readings := 0, 0, 0
	for t := range f.odd() {
		odd++
		if n := t.halfway(); n >= 2 {
			crept++
			readings += n
		}
	}
	if readings < halfwayLeast || 2*crept < odd {
		return false
	}
	f.WetAt = f.w.state.Now
	return true
}

// deepens reports whether most of what is odd is lower with each reading yet: a wire that touches has done so once it
// has, and rain is known by the next reading or two. A wire that is dead waits for nothing, and none for long.
func (f *fence) deepens(now ms) bool {
	odd, falling := 0, 0
	for t := range f.odd() {
		before := f.Suspect.Before[t.node]
		if t.LastVal < f.deadVolts(t.node) {
			return false
		}
		if t.Bad == 1 && t.lastNormal() >= before*(1-shallow*t.noise())-t.Grain {
			continue // from well to odd: whether that goes on it has yet to say
		}
		odd++
		if step := max(0.1*(before-t.LastVal), 3*t.noise()*t.Prev+t.Grain); t.LastVal < t.Prev-step {
			falling++
		}
	}
	return odd > 1 && 2*falling > odd && now-f.Suspect.Since < wetting/2
}

// raining reports whether the fence was seen to fall as rain makes it fall within the hour.
func (f *fence) raining() bool { return f.WetAt > 0 && f.w.state.Now-f.WetAt < 60*60_000 }

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
	for _, t := range f.sensors {
		if t.Under >= 2 && !f.accountsFor(t.node, now) && !f.Faulty[t.node].up() && !t.Stuck.up() {
			f.slowLow(t, t.LastVal, now)
		}
	}
}

// acceptWeather takes what the rain did to the fence as its new level.
func (f *fence) acceptWeather() {
	for _, t := range f.sensors {
		if t.Stale = t.Since.N == 0; !t.Stale {
			t.restart(t.wetLevel())
		}
	}
	f.closeSuspicion()
}

// wetLevel returns what rain has made of the level: it may be falling yet, but rain leaves no wire dead. A reading of
// nothing is the first of another matter.
func (t *track) wetLevel() float64 {
	v := t.Since.median()
	if t.LastVal >= t.fence.deadVolts(t.node) {
		v = min(v, t.LastVal)
	}
	return v
}

// turnWet takes back that an incident came at a stroke: what was told in haste was the beginning of rain.
func (f *fence) turnWet(in *incident, now ms) {
	before := in.S.Finding
	if f.turnTracking(in, now) {
		return
	}
	if f.Suspect.Open {
		f.acceptWeather()
	}
	in.Members = slices.DeleteFunc(in.Members, func(m member) bool {
		t := f.tracks[m.Node]
		return t == nil || m.Node == 0 || t.LastVal >= f.minimum(m.Node) || f.creptDown(m.Node)
	})
	if len(in.Members) == 0 {
		f.Troubles = slices.DeleteFunc(f.Troubles, func(o *incident) bool { return o == in })
		in.S.Finding.Cause = alerts.Vegetation
		f.w.clear(&in.S, now, strings.TrimSuffix(f.overText(in), ".")+": it was rain or dew on what grows.")
		return
	}
	in.Slow, in.Settled, in.Placed, in.Shift = true, true, false, false
	in.Cause, in.Zone, in.Quiet = f.creeping(), f.lowest(in), now
	if in.Cause != alerts.Vegetation {
		in.Zone = -1
	}
	f.tellChange(in, before, now)
}

// dries takes in what a member of a settled incident shows now, and reports whether the zones that the fault took
// furthest down are on their way back and take their time: a wire that is freed is back at a stroke, though growth or
// wet may keep it half way.
func (in *incident) dries(f *fence, m *member, v float64, now ms) bool {
	if !in.Settled || m.Before <= 0 || in.Zone < 0 || in.Cause != alerts.Short && in.Cause != alerts.Joint {
		return false
	}
	switch part := (v/m.Before - m.Least) / (1 - m.Least); {
	case part < 0.25:
		m.Drying, m.Leapt = 0, 0
	case part < 0.75:
		if t := f.tracks[m.Node]; m.Drying == 0 && v-t.Prev > m.leap(t) {
			m.Leapt = now
		}
		m.Drying++
	}
	return in.furthest(f, func(m *member) bool { return m.Drying >= dryingLeast })
}

const (
	dryingLeast = 4
	leap        = 1.0 / 3 // of the fall, from one reading to the next, that no drying gives back; common practice, no source
	farDown     = 0.6     // ratio to before under which the fault has taken a zone far down
	alikeDown   = 0.05    // of the level before: the zones behind one fault fall alike, but for noise; common practice, no source
)

// remains reports whether it is the fence that dries and not the path to earth of in: as it was before, with that path
// and drier all over, it would show what it does, and without it would not. If so, that is looked at again after some
// more readings.
func (f *fence) remains(in *incident, now ms) bool {
	if in.Cause != alerts.Short || f.diag.without(in, now-in.S.Raised) > -f.w.limits.Wet {
		return false
	}
	for i := range in.Members {
		in.Members[i].Drying = 0
	}
	return true
}

// furthest reports whether is holds for every zone that can be heard and that the fault took down furthest, and far. They are
// those behind it. A fault gives all zones back the same share of what it took; those before it, of which it took less, show
// more of what growth or wet has taken meanwhile.
func (in *incident) furthest(f *fence, is func(*member) bool) bool {
	least := farDown
	for _, m := range in.Members {
		if !f.mute(m.Node) {
			least = min(least, m.Least)
		}
	}
	some := false
	for i := range in.Members {
		m := &in.Members[i]
		if f.mute(m.Node) || m.Least > min(least+alikeDown, farDown) {
			continue
		}
		if !is(m) {
			return false
		}
		some = true
	}
	return some
}

// leapt reports whether the zones that the fault took furthest down came half way back at a stroke.
func (in *incident) leapt(f *fence) bool {
	return in.furthest(f, func(m *member) bool { return m.Leapt > 0 })
}

// freed reports whether that was long enough ago to say that the fault is gone. What keeps them from coming all the way is
// another matter.
func (in *incident) freed(f *fence, now ms) bool {
	hold := in.holdFor(f)
	return in.furthest(f, func(m *member) bool { return m.Leapt > 0 && now-m.Leapt >= hold }) && !f.stands(in, now)
}
