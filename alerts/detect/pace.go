package detect

import (
	"math"
	"slices"
)

// fellWithin returns within what time the fence fell, by its sensors together: what had been as ever for one is odd for the next.
// That it fell no further must be seen: rain takes it on, and of a fall under way the first sensors show the beginning.
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
