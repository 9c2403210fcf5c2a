package detect

import (
	"math"

	"nightwire/alerts"
)

// A joint that goes bad, one strand of two, or a wire parted within a loop moves the profile by a few per cent and no
// more: too little for one reading, plain in a half hour of them. So at every look in quiet the levels are held
// against those of the looks before, as a sudden change would be.

const (
	pastLooks   = 6    // kept
	shiftLag    = 2    // looks between before and after: an hour, too short for dew to matter much
	shiftLeast  = 0.03 // smallest change of any sensor that is worth a thought
	shiftLooks  = 4    // looks in a row that say it is over
	driftPer    = 1.0 / 32
	leastMember = 0.98
)

// shiftWatch is the memory of the slow comparison.
type shiftWatch struct {
	Past  [][]float64 // levels by node at the last looks, newest last; 0 unknown
	Hour  candidate
	Drift []float64 // by node, variance of the change of level from look to look, in the logarithm
}

func (s *shiftWatch) init(nodes int) {
	s.Drift = make([]float64, nodes)
	for i := range s.Drift {
		s.Drift[i] = 0.015 * 0.015
	}
}

// checkShift takes a look.
func (f *fence) checkShift(now ms) {
	s := &f.Shift
	levels := make([]float64, len(f.tracks))
	for i, t := range f.tracks {
		if t != nil && !t.Gone && t.Level > 0 && !f.Faulty[i].up() && !t.Stuck.up() {
			levels[i] = t.Level
		}
	}
	if n := len(s.Past); n > 0 {
		for i, v := range levels {
			if was := s.Past[n-1][i]; v > 0 && was > 0 {
				d := min(math.Abs(math.Log(v/was)), 4*math.Sqrt(s.Drift[i]))
				s.Drift[i] += (d*d - s.Drift[i]) * driftPer
			}
		}
	}
	s.Past = append(s.Past, levels)
	if len(s.Past) > pastLooks {
		s.Past = s.Past[1:]
	}
	f.endShifts(now)
	if f.atFault() || !f.Learnt {
		s.Hour = candidate{}
		return
	}
	if v, sure := f.lookBack(&s.Hour); sure {
		f.openShift(v, now)
	}
}

// candidate is what the last looks made of a change, to be borne out by the next.
type candidate struct {
	Cause alerts.Cause
	Zone  int
	Looks int // in a row that said so
}

// lookBack holds the levels against those of an hour ago, and is sure once two looks in a row, both against the same one
// of the past, say the same.
func (f *fence) lookBack(c *candidate) (v verdict, sure bool) {
	past := f.Shift.Past
	from := len(past) - 1 - shiftLag - c.Looks
	if from < 0 {
		return v, false
	}
	v, moved := f.compare(past[from])
	if !moved || v.sensor >= 0 || v.cause == alerts.Vegetation || v.dry < f.w.limits.Shift || v.worst > unexplained || !f.fell(v) {
		*c = candidate{}
		return v, false
	}
	if c.Looks > 0 && (v.cause != c.Cause || v.zone != c.Zone) {
		*c = candidate{}
		return v, false
	}
	c.Cause, c.Zone = v.cause, v.zone
	if c.Looks++; c.Looks < 2 {
		return v, false
	}
	*c = candidate{}
	return v, true
}

// compare holds the present levels against those before.
func (f *fence) compare(before []float64) (v verdict, moved bool) {
	for i, t := range f.tracks {
		if t == nil {
			continue
		}
		t.Since = since{}
		if t.Level > 0 && !t.Gone {
			t.Since.add(t.Level)
			moved = moved || before[i] > 0 && math.Abs(t.Level/before[i]-1) > shiftLeast
		}
	}
	if !moved {
		return verdict{}, false
	}
	copy(f.Suspect.Before, before)
	f.diag.slow = true
	v = f.diag.diagnose(before)
	f.diag.slow = false
	return v, true
}

// fell reports whether the change took something down where the verdict has its fault; a mend takes nothing down.
func (f *fence) fell(v verdict) bool {
	if v.zone < 0 {
		return v.ratio < 1-shiftLeast
	}
	return f.diag.ratio[v.zone+1] < 1-shiftLeast/2
}

// openShift begins the incident of a profile that has moved.
func (f *fence) openShift(v verdict, now ms) {
	in := &incident{Quiet: now, Settled: true, Shift: true}
	in.Profile = append(in.Profile, f.Suspect.Before...)
	in.adopt(f, v)
	f.Troubles = append(f.Troubles, in)
	f.w.raise(&in.S, now, f.finding(in))
}

// endShifts ends the incidents whose profile has gone back: the fault no longer explains it better than weather.
func (f *fence) endShifts(now ms) {
	for _, in := range f.Troubles {
		if !in.Shift {
			continue
		}
		v, moved := f.compare(in.Profile)
		if moved && v.cause != alerts.Vegetation && v.dry > f.w.limits.Shift/2 {
			in.Looks, in.Quiet = 0, now
			continue
		}
		in.Looks++
	}
}
