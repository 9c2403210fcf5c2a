package detect

import (
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// A joint that goes bad, one strand of two or a wire parted within a loop moves the profile by a few per cent at first, or
// over hours and days: too little for one reading, plain in many. So at every look in quiet the levels are held against
// those of several looks before, an hour ago and days ago.

// shiftLags are how long ago the looks are that the present is held against.
var shiftLags = [...]ms{60 * 60_000, 6 * 60 * 60_000, day, 3 * day}

// Judgements; common practice, no source.
const (
	shiftLeast  = 0.03 // smallest change of any sensor that is worth a thought
	leastMember = 0.98 // ratio to before under which a zone of such a change counts as taken down

	driftPer    = 1.0 / 64 // how fast what a sensor does by itself is forgotten, per look
	stepPer     = 1.0 / 32 // and its steps
	leastMargin = 3.0      // by which any other answer must be worse, squared standard deviations

	everyLook = 3 * 60 * 60_000 // how long every look is kept
	thinLooks = 2 * 60 * 60_000 // and from one to the next of those before
)

// shiftWatch is the memory of the slow comparison.
type shiftWatch struct {
	Past  []look // newest last
	Cut   ms     // looks from before this are of a fence on which more grew
	Cands [len(shiftLags)]candidate
	Track candidate // a zone that tracks when wet
	Step  []float64 // by node, variance of the change of the level's logarithm from look to look
	Drift []float64 // and of what it does in some hours by itself, beside the weather that all share
}

func (s *shiftWatch) init(nodes int) {
	s.Step, s.Drift = make([]float64, nodes), make([]float64, nodes)
	for i := range s.Drift {
		s.Step[i], s.Drift[i] = firstNoise*firstNoise, firstNoise*firstNoise
	}
}

// forget lets go of all looks.
func (s *shiftWatch) forget() { s.Past, s.Cands = nil, [len(shiftLags)]candidate{} }

// look is what the fence showed at one look.
type look struct {
	At     ms
	Levels []float64 // by node; 0 unknown
}

// candidate is what the last looks made of a change, to be borne out by the next against the same one of the past.
type candidate struct {
	Zone    int
	Sensor  int
	Looks   int // in a row that said so
	Against ms
}

// keep takes in what was shown at now and thins out what was long ago.
func (s *shiftWatch) keep(now ms, levels []float64) {
	kept, free := s.Past[:0], []float64(nil)
	for _, p := range s.Past {
		age, n := now-p.At, len(kept)
		if age < everyLook || age <= shiftLags[len(shiftLags)-1]+thinLooks && (n == 0 || p.At-kept[n-1].At >= thinLooks) {
			kept = append(kept, p)
		} else {
			free = p.Levels
		}
	}
	s.Past = append(kept, look{At: now, Levels: append(free[:0], levels...)})
}

// near returns the look nearest to the moment at, of those since growth was cut last.
func (s *shiftWatch) near(at ms) *look {
	var best *look
	for i := range s.Past {
		if p := &s.Past[i]; p.At >= s.Cut && (best == nil || abs(p.At-at) < abs(best.At-at)) {
			best = p
		}
	}
	return best
}

// checkShift takes a look.
func (f *fence) checkShift(now ms) {
	s := &f.Shift
	f.endShifts(now)
	levels := f.levels()
	s.step(levels)
	f.followTrack(now)
	if in := f.tracking(); f.atFault() || f.onTheMove() || in != nil && now-in.Quiet < stillTracking {
		s.Cands = [len(shiftLags)]candidate{}
		return
	}
	if s.cut(levels) {
		s.Cut, s.Cands = now, [len(shiftLags)]candidate{} // what a stuck sensor showed before it shows still
	}
	f.drift(levels, now)
	for i := range shiftLags {
		if v, sure := f.lookBack(i, now); sure {
			f.toldShift(v, s.near(s.Cands[i].Against), now)
			break
		}
	}
	s.keep(now, levels)
}

// cut reports whether growth must have been cut since the last look: some zone stands well higher than at any look kept, and
// none stands lower than at the last. A wire that parts, or a joint that goes bad, takes some zone down.
func (s *shiftWatch) cut(levels []float64) bool {
	if len(s.Past) == 0 {
		return false
	}
	up, last := false, s.Past[len(s.Past)-1].Levels
	for i, v := range levels {
		if v > 0 && v < (1-shiftLeast)*last[i] {
			return false
		}
		most := 0.0
		for _, p := range s.Past {
			most = max(most, p.Levels[i])
		}
		up = up || most > 0 && v > trimmedUp*most
	}
	return up
}

// onTheMove reports whether the levels may not all be of one and the same fence: each is the median of its sensor's newest
// readings, and as rain sets in, or a wire is just joined again, a sensor that lost a few of them shows what was some minutes
// ago. Such a sensor has not moved as the weather has the others move.
func (f *fence) onTheMove() bool {
	d := f.diag
	for i, t := range f.tracks {
		d.ratio[i] = math.NaN()
		if f.level(i) > 0 {
			d.ratio[i] = t.moved()
		}
	}
	n := f.besideWeather()
	if n < 2 {
		return false
	}
	return slices.ContainsFunc(f.sensors, func(t *track) bool {
		return math.Abs(d.ratio[t.node])*n/(n-1) > math.Max(shiftLeast, 3*t.noise()+t.Grain/t.Level)
	})
}

// step follows by how much each sensor moves from look to look.
func (s *shiftWatch) step(levels []float64) {
	if len(s.Past) == 0 {
		return
	}
	for i, was := range s.Past[len(s.Past)-1].Levels {
		if v := levels[i]; v > 0 && was > 0 {
			d := math.Log(v / was)
			s.Step[i] += (math.Min(d*d, 16*s.Step[i]) - s.Step[i]) * stepPer
		}
	}
}

// drift follows by how much each sensor wanders by itself over some hours, the weather that all share left out.
func (f *fence) drift(levels []float64, now ms) {
	s, d := &f.Shift, f.diag
	past := s.near(now - everyLook)
	if past == nil || now-past.At < everyLook/2 {
		return
	}
	for i, v := range levels {
		d.ratio[i] = math.NaN()
		if was := past.Levels[i]; v > 0 && was > 0 {
			d.ratio[i] = math.Log(v / was)
		}
	}
	n := f.besideWeather()
	if n < 2 {
		return
	}
	for i, own := range d.ratio {
		if !math.IsNaN(own) {
			s.Drift[i] += (math.Min(own*own*n/(n-1), 9*s.Drift[i]) - s.Drift[i]) * driftPer
		}
	}
}

// besideWeather takes out of the sensors' changes, the logarithms in d.ratio, what the weather that all share makes of them,
// and returns how many there are.
func (f *fence) besideWeather() (n float64) {
	d := f.diag
	d.solver.Volts(d.before, f.Base, line.Fault{})
	wetter := f.Base
	wetter.Leak = d.leak
	for i, g := range f.Base.Leak {
		wetter.Leak[i] = g * 1.1
	}
	d.solver.Volts(d.after, wetter, line.Fault{})
	along, square := 0.0, 0.0
	for i, r := range d.ratio {
		if !math.IsNaN(r) {
			p := math.Log(d.after[i] / d.before[i])
			along, square, n = along+p*r, square+p*p, n+1
		}
	}
	for i := range d.ratio {
		if square > 0 {
			d.ratio[i] -= along / square * math.Log(d.after[i]/d.before[i])
		}
	}
	return n
}

// lookBack holds the levels against those of so long ago as the lag says, and is sure once two looks in a row, both against
// the same one of the past, say the same.
func (f *fence) lookBack(lag int, now ms) (v verdict, sure bool) {
	c := &f.Shift.Cands[lag]
	if c.Looks == 0 {
		c.Against = now - shiftLags[lag]
	}
	past := f.Shift.near(c.Against)
	if !f.Learnt || past == nil || now-past.At < shiftLags[lag]/2 {
		return v, false
	}
	v, moved := f.compare(past.Levels, now-past.At, f.w.limits.Shift+costJoint)
	if !moved || v.dry < f.w.limits.Shift || v.margin < leastMargin || v.worst > unexplained || c.Looks > 0 && (v.zone != c.Zone || v.sensor != c.Sensor) {
		*c = candidate{}
		return v, false
	}
	c.Zone, c.Sensor, c.Against = v.zone, v.sensor, past.At
	c.Looks++
	return v, c.Looks >= 2
}

// toldShift tells what has changed since the look was.
func (f *fence) toldShift(v verdict, was *look, now ms) {
	s := &f.Shift
	s.Cands = [len(shiftLags)]candidate{}
	if !v.series() {
		return // an energizer is held against a day when it was well, and a sensor's lie is told where the circuit cannot be so at all
	}
	f.openShift(v, *was, now)
	from := was.At // the days on which it came on tell of neither fence
	f.Days.Rows = slices.DeleteFunc(f.Days.Rows, func(r dayRow) bool { return r.Start+day > from })
}

// compare holds the present levels against those before, so long ago.
func (f *fence) compare(before []float64, ago ms, enough float64) (v verdict, moved bool) {
	if !f.asLevels(before) {
		return verdict{}, false
	}
	return f.diag.weigh(before, ago, enough), true
}

// asLevels lets each sensor have said its level since the levels before, and reports whether any moved.
func (f *fence) asLevels(before []float64) (moved bool) {
	for _, t := range f.sensors {
		i := t.node
		t.Since = since{}
		if v := f.level(i); v > 0 {
			t.Since.add(v)
			moved = moved || before[i] > 0 && math.Abs(v/before[i]-1) > shiftLeast
		}
	}
	copy(f.Suspect.Before, before)
	return moved
}

// openShift begins the incident of a profile that has moved from what it was, or says of one that was told of as growth what
// it is.
func (f *fence) openShift(v verdict, was look, now ms) {
	in := &incident{}
	for _, o := range f.Troubles {
		if o.joint() > 0 && o.Zone == v.zone { // it is worse than it was told
			in, was = o, look{At: o.S.Raised, Levels: o.Profile}
			v.fault.Ohms += o.Fault.Ohms
			break
		}
		if o.Slow && o.Cause == alerts.Vegetation && f.net.Behind(o.Zone, v.zone) {
			in = o
		}
	}
	f.asLevels(was.Levels)
	known, before := in.S.up(), in.S.Finding
	in.Quiet, in.Settled, in.Shift, in.Slow = now, true, true, false
	in.Profile = append([]float64(nil), was.Levels...)
	in.adopt(f, v)
	f.diag.fitJoint(in, now-was.At)
	if known {
		f.tellChange(in, before, now)
		return
	}
	f.begin(in, now)
}

// endShifts ends the incidents whose profile has gone back: what weather makes of it is the better answer, again and
// again, than that the fault stands.
func (f *fence) endShifts(now ms) {
	for _, in := range f.Troubles {
		if !in.Shift {
			continue
		}
		without := f.diag.without(in, now-in.S.Raised)
		in.Doubt = math.Max(0, in.Doubt+math.Min(without, doubtAtOnce)-doubtRef)
	}
}

// Doubt that a fault still stands is summed up over the looks, as a CUSUM: less than one look's doubtRef is none, for a
// sensor that wanders says the same again and again. Common practice, no source for either figure.
const (
	doubtRef    = 1.5
	doubtAtOnce = 5.0 // the most that one look adds

	// growsApart is how long leakages are let grow each its own way since the fault came: much longer, and that would explain
	// both a fault that stands and one that was mended.
	growsApart = 7 * day
)

// without returns how much worse the levels are explained with the fault of in than without, squared standard deviations.
func (d *diagnoser) without(in *incident, ago ms) float64 {
	w := d.newWeigher(in.Profile, ago, d.f.prior(in))
	return w.leastWith(in.Fault, 0.5, 8) - w.score(w.prior) // it may be better or worse when wet, and go on
}

// stands reports whether what lies in the line in in's zone, whose zones are all but well again, is still the better answer: a bad
// joint takes next to nothing where little leaks behind it, as in dry hours, and so does a wire that has parted within a
// loop. From then on the slow comparison has it.
func (f *fence) stands(in *incident, now ms) bool {
	joint := in.Cause == alerts.Joint && in.Fault.Kind == line.Joint
	parted := in.Cause == alerts.Open && in.Ring && in.Fault.Kind == line.Break &&
		!in.anyMember(func(m member) bool { return m.Leapt > 0 }) // as one does that is joined
	in.Shift = (joint || parted) && f.diag.without(in, now-in.S.Raised) < 0
	return in.Shift
}

// behindShift returns the incident of ohms in the wire that the zone at node gets its pulses through.
func (f *fence) behindShift(node int) *incident {
	return f.trouble(func(in *incident) bool { return in.Shift && (f.net.Behind(node-1, in.Zone) || f.net.InLoop(in.Zone)) })
}
