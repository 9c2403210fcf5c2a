package detect

import "math"

// misfit returns the squared distance between the ratios seen and those predicted by after over before. wide is how
// far, as a share of the predicted change, the hypothesis itself may be off.
func (d *diagnoser) misfit(wide float64) float64 {
	sum := 0.0
	d.worst = 0
	for i, r := range d.ratio {
		p := d.after[i] / d.before[i]
		if math.IsNaN(r) || d.hardly[i] && p >= r {
			continue
		}
		off := d.one(i, r, p, wide)
		d.worst = max(d.worst, off)
		sum += off
	}
	return sum
}

// one returns the squared, standardised distance of ratio r of node i from the predicted p.
func (d *diagnoser) one(i int, r, p, wide float64) float64 {
	switch {
	case r == 0: // a sensor shows nothing under its own floor
		p = max(0, p-floorVolts/d.before[i])
	case p*d.before[i] < strayVolts: // and something where there is nothing
		r = max(p, r-strayVolts/d.before[i])
	}
	sd := d.sd[i]*math.Max(min(p, 1.2), 0.1) + 0.006
	sd = math.Hypot(sd, wide*slack(p))
	return (r - p) * (r - p) / (sd * sd)
}

// floorVolts is the weakest pulse that every sensor is taken to see. Common practice, no source.
const floorVolts = 300

// strayVolts is what a sensor may show of a wire that carries nothing. Common practice, no source.
const strayVolts = 100

// changeSlack is how far, as a share of slack, the circuit may be off: unknown source ohms, leakage and wire.
const changeSlack = 0.06

// slack returns what changeSlack and its like are a share of where the ratio p is left: of the change, and where more
// than half is gone of what is left too. What is not known of the ohms moves what nearly dead zones show by a share of
// it, and by the same share in each; how little one shows beside the next still tells which of them leads to earth.
func slack(p float64) float64 { return (1 - p) * min(1, 2*p) }

// explains keeps how well the cause of in, which is now that of v, explained what was seen when it did best.
func (in *incident) explains(v verdict) {
	if v.cause != in.Cause || v.zone != in.Zone || v.worst < in.Worst {
		in.Worst = v.worst
	}
}

// overturnedBy reports whether v, of so many sensors, is so much likelier than any other cause that it is told in place
// of that of in. Where that explained what was seen, and nothing explains half as well what is seen now, as when rain
// goes on falling on a fault, all causes are thrown off and the least bad says little: the errors are then as much
// larger as it takes to explain v, as for any measurements that agree less well than they should.
func (in *incident) overturnedBy(v verdict, heard int) bool {
	enough := 2.0
	if v.worst > unexplained && v.worst > 2*in.Worst {
		enough *= max(1, v.score/float64(heard))
	}
	return v.margin > enough
}
