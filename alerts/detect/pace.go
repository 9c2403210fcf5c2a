package detect

import (
	"math"
	"slices"
)

// How fast the fence fell tells a wire that touches from rain.

// haste returns how much less likely weather is for a change that came so fast, as a factor on what it costs beyond the
// usual. Leaves and insulators take water up within minutes of a downpour, not from one pulse to the next. While it rains,
// what comes next is seen against a level that is falling itself, and its pace says nothing.
func (d *diagnoser) haste() float64 {
	if d.slow || d.f.raining() {
		return 0
	}
	most, _ := d.took()
	return math.Max(0, wetting/math.Max(float64(most), 1000)-1)
}

// took returns how long the change took where it is largest, at the most and at the least.
func (d *diagnoser) took() (most, atLeast ms) {
	least := 1.0
	most = wetting
	for t := range d.f.odd() {
		if r := d.ratio[t.node]; r < least {
			least = r
			most, atLeast = t.took(r)
		}
	}
	if atLeast == 0 {
		most = min(most, d.f.fellWithin())
	}
	return most, atLeast
}

// took returns how long the fall to the share r of the level took, at the most and at the least: what came at a stroke has
// no readings half way.
func (t *track) took(r float64) (most, atLeast ms) {
	between := 0
	count := func(v float64) {
		if part := (1 - v/t.Level) / (1 - r); part > 0.2 && part < 0.8 {
			between++
		}
	}
	for _, v := range t.Recent[:min(t.NRecent, levelWindow)] {
		count(v)
	}
	for _, v := range t.Since.Vals[:min(t.Since.N, len(t.Since.Vals))] {
		count(v)
	}
	atLeast = ms(float64(between) / 0.6 * float64(t.every))
	return t.FellIn + atLeast, atLeast
}

// crept is what it costs a path to earth to have come on over minutes and not at a stroke, as -2·ln of how few do.
func (d *diagnoser) crept() float64 {
	if d.slow {
		return 0
	}
	_, atLeast := d.took()
	return costCrept * min(1, float64(atLeast)/wetting)
}

const (
	wetting   = 10 * 60_000 // how long a downpour takes to wet leaves and insulators; common practice, no source
	hasteMost = 12.0        // weather may yet be quicker than we think
	costCrept = 5.0         // one path in a dozen; common practice, no source
)

// fellWithin returns within what time the fence fell, by its sensors together: what had been as ever for one is odd for
// the next. That it fell no further must be seen: rain takes it on, and of a fall under way the first sensors show the
// beginning.
func (f *fence) fellWithin() ms {
	before, after, stood := ms(0), ms(math.MaxInt64), false
	for t := range f.odd() {
		if was := f.Suspect.Before[t.node]; t.lastNormal() < was-2*t.noise()*was-t.Grain {
			return wetting // it was on its way
		}
		before, after = max(before, t.FellAt-t.FellIn), min(after, t.FellAt)
		if t.Bad > 1 {
			stood = true
			if !t.stood() {
				return wetting
			}
		}
	}
	if !stood || before >= after {
		return wetting
	}
	return max(after-before, clocksApart)
}

// stood reports whether t shows no less than it did by the first of its odd readings that are kept.
func (t *track) stood() bool {
	s := &t.Since
	first := s.Vals[(s.N-min(t.Bad, s.N, len(s.Vals)))%len(s.Vals)]
	return s.latest() > first-2*t.noise()*first-t.Grain
}

// clocksApart is by how much the stamps of two sensors may differ. Common practice, no source.
const clocksApart = 60_000

// asRain reports whether a fall by way of readings half way down may be rain, where v is what explains it best. What came on
// after a zone was struck down does not make rain of that, where it does not look like it.
func (f *fence) asRain(v verdict) bool {
	if v.ofEnergizer() {
		return false
	}
	return v.dry < f.w.limits.Wet || !slices.ContainsFunc(f.sensors, (*track).struck)
}

// struck reports whether t fell further from one reading to the next, and from its level, than a downpour takes it.
func (t *track) struck() bool {
	s, before := &t.Since, t.fence.Suspect.Before[t.node]
	if t.Bad == 0 || t.Bad > min(s.N, len(s.Vals)) || t.FellIn > wetting {
		return false
	}
	first := s.Vals[(s.N-t.Bad)%len(s.Vals)]
	return first < rainLeaves*before && t.lastNormal() > affected*before
}
