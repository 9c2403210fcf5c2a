package detect

import (
	"math"

	"nightwire/alerts/line"
)

// No two sensors need have caught the same touch of a contact that comes and goes, but each touch takes about the same
// off the wire. So how deep the touches are by sensor is a profile like any other.

// Judgements; common practice, no source.
const (
	oneTouch  = 1.0 // by how much less than the deepest the logarithm of a touch's load may be; what is shallower was rain or stock
	seldom    = 3   // of so many touches that were due a sensor shows less than one: they hardly reach it
	missesAll = 3.0 // so many must be due to say so
)

// touch is what a sensor has seen of a contact that comes and goes.
type touch struct {
	ratio  float64 // what it leaves of the level, the middle of several
	of     float64 // and the middle of those levels, which weather moves meanwhile
	n      int
	spread float64 // standard deviation of the logarithm of the load, from touch to touch
}

// touches returns what t has seen of the contact, leaving out the dips that are of what else goes on.
func (t *track) touches() touch {
	var ratios, levels [8]float64
	n, sum, square := 0, 0.0, 0.0
	limit := touchLoad(t.Dips.least()) - oneTouch
	for k, r := range t.Dips.Vals[:min(t.Dips.N, len(t.Dips.Vals))] {
		if l := touchLoad(r); l >= limit {
			ratios[n], levels[n] = r, t.DipsOf.Vals[k]
			sum, square, n = sum+l, square+l*l, n+1
		}
	}
	if n == 0 {
		return touch{ratio: 1, of: t.Level, spread: oneContact}
	}
	s := touch{ratio: medianOf(ratios[:n]), of: medianOf(levels[:n]), n: n, spread: oneContact}
	if n >= fewDips {
		s.spread = math.Sqrt(math.Max(0, square-sum*sum/float64(n)) / float64(n-1))
	}
	return s
}

// touchLoad is the logarithm of the load that leaves the share r of a voltage.
func touchLoad(r float64) float64 {
	r = min(max(r, 0.005), 0.995)
	return math.Log(1/r - 1)
}

// asTouches lets each sensor have said what the touches leave of its level, and returns these levels: by node, 0
// unknown. Where no dip tells of what level it was, it is that of well, or else today's: just now the fence may be
// down.
func (f *fence) asTouches(well []float64) (before []float64) {
	before = make([]float64, len(f.tracks))
	longest := 0.0 // how long the touches have lasted in all, by the sensor that saw most of them
	for _, o := range f.sensors {
		longest = math.Max(longest, float64(o.Dips.N)*float64(o.every))
	}
	for _, o := range f.sensors {
		i := o.node
		o.Since = since{}
		if o.Level <= 0 || o.Gone {
			continue
		}
		before[i] = o.Level
		if i < len(well) && well[i] > 0 {
			before[i] = well[i]
		}
		f.asTouched(o, &before[i], longest/float64(o.every))
	}
	return before
}

// asTouched is asTouches for one sensor, that should have caught so many touches as are due.
func (f *fence) asTouched(o *track, before *float64, due float64) {
	switch {
	case float64(o.Dips.N)*seldom > due || o.Dips.N > 0 && o.Dips.median() < o.dip():
		s := o.touches()
		if s.of > 0 {
			*before = s.of
		}
		for range s.n {
			o.Since.add(s.ratio * *before)
		}
		f.diag.spread[o.node] = (1 - s.ratio) * s.spread * math.Sqrt(math.Pi/2/float64(s.n)) // of a median
	case due >= missesAll:
		o.Since.add(*before*(1-shallow*o.noise()) - o.Grain)
		f.diag.hardly[o.node] = true
	}
}

// whereItDips holds the touches that each sensor has seen against the circuit and returns the zone they come from, or
// otherwise when they do not tell, or no more surely than by sure that a path to earth there is the worse answer; and
// the other zones that they may as well come from.
func (f *fence) whereItDips(otherwise int, well []float64, sure float64) (zone int, also []int) {
	d := f.diag
	kept := make([]since, len(f.tracks))
	for _, o := range f.sensors {
		kept[o.node] = o.Since
	}
	path, ohms := d.touched(f.asTouches(well))
	for _, o := range f.sensors {
		o.Since = kept[o.node]
	}
	clear(d.hardly)
	clear(d.spread)
	switch {
	case ohms.score+sure < path.score:
		return ohms.zone, nil
	case path.zone < 0:
		return otherwise, nil
	case d.shorts[path.zone]+sure < d.shorts[otherwise]:
		otherwise = path.zone
	}
	return otherwise, d.elsewhere(otherwise)
}

// touched returns the likeliest path to earth for what the touches leave of the levels before, and the likeliest ohms
// in the wire. What fell stays where it is, and neither the weather nor an energizer is so short of breath.
func (d *diagnoser) touched(before []float64) (path, ohms verdict) {
	d.load(before)
	d.baseline(before, d.f.prior(nil))
	d.paths, ohms.score = d.paths[:0], math.Inf(1)
	for z := range d.f.net.Zones {
		d.paths = append(d.paths, d.shunt(z, line.Shunt, costShunt))
		for _, v := range [2]verdict{d.parted(z), d.joint(z, costJoint)} {
			if v.score < ohms.score {
				ohms = v
			}
		}
	}
	return d.likeliestZone(), ohms
}
