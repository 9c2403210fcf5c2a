package detect

import (
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// A joint that is bad stands for days, sometimes for weeks, for nobody mends what still holds. Its ohms are known, so it
// is part of the fence as everything else sees it: what the sensors show is explained with it, and all that is looked for
// on a fence without fault is looked for beside it.

// joint: ohms in series somewhere in zone z. What it takes from the voltage goes by its ohms times the leakage behind
// it, and what it gives the rest by the current it saves; so that leakage is let move as far as it is unknown.
func (d *diagnoser) joint(z int, cost float64) verdict {
	best := verdict{cause: alerts.Joint, zone: z, sensor: -1, score: math.Inf(1)}
	if d.ratio[z+1] < offRatio {
		return best // that is a parted wire
	}
	usual := d.base.Leak[z]
	for k := 1.0; k < 50; k *= 3 {
		odds := math.Log(k) / math.Max(d.leakSD[z], 0.1)
		if odds > 3 {
			break
		}
		d.base.Leak[z] = usual * k
		d.solver.Volts(d.before, d.base, line.Fault{})
		d.jointOver(&best, cost+odds*odds)
	}
	d.base.Leak[z] = usual
	d.solver.Volts(d.before, d.base, line.Fault{})
	return best
}

// jointOver looks for the place and the ohms of best's joint.
func (d *diagnoser) jointOver(best *verdict, cost float64) {
	zone := d.f.net.Zones[best.zone]
	try := func(part, ohms float64) {
		f := line.Fault{Kind: line.Joint, Zone: best.zone, AtM: part * zone.LengthM, Ohms: ohms}
		d.solver.Volts(d.after, d.base, f)
		if !d.f.net.InLoop(best.zone) && d.after[best.zone+1] < 0.05*d.before[best.zone+1] {
			return // that is a parted wire
		}
		if s := d.misfit(changeSlack) + cost + asGoodAsParted(ohms); s < best.score {
			best.score, best.fault, best.worst = s, f, d.worst
		}
	}
	for part := 0.0; part < 1; part += 0.45 {
		for ohms := 150.0; ohms < 300_000; ohms *= 1.5 {
			try(part, ohms)
		}
	}
	for step := 1.25; step > 1.02; step = math.Sqrt(step) {
		part, ohms := best.fault.AtM/math.Max(zone.LengthM, 1), best.fault.Ohms
		try(part, ohms*step)
		try(part, ohms/step)
	}
}

// asGoodAsParted is what it costs a joint to have so many ohms: one of more than a few kilohms is a parted wire.
func asGoodAsParted(ohms float64) float64 {
	far := math.Max(0, math.Log(ohms/5000))
	return far * far
}

// joint returns how many ohms the joint has that has gone bad, once that is settled; 0 for every other fault. A wire that has
// parted within a loop is one that carries nothing.
func (in *incident) joint() float64 {
	switch {
	case in.Settled && in.Cause == alerts.Joint && in.Fault.Kind == line.Joint:
		return in.Ohms
	case in.Fault.Kind == line.Break && (in.Shift || in.Ring && in.Settled && in.Cause == alerts.Open):
		return line.BrokenOhms
	}
	return 0
}

// fitJoint works out the ohms of in's joint from what its fence showed before, so long ago. Where in its zone it is
// makes next to no difference, for what it takes goes by its ohms times what leaks behind it: it is taken to be at the
// start.
func (d *diagnoser) fitJoint(in *incident, ago ms) {
	if in.Cause != alerts.Joint || in.Fault.Kind != line.Joint {
		return
	}
	w, least := d.newWeigher(in.Profile, ago, d.f.prior(in)), math.Inf(1)
	if !in.Shift && ago < everyLook {
		w.atStroke(ago)
	}
	try := func(ohms float64) {
		if s := w.score(w.jointed(in.Zone, ohms)) + asGoodAsParted(ohms); s < least {
			least, in.Ohms = s, ohms
		}
	}
	for ohms := 60.0; ohms < 20_000; ohms *= 2 {
		try(ohms)
	}
	for step := math.Sqrt2; step > 1.02; step = math.Sqrt(step) {
		middle := in.Ohms
		try(middle * step)
		try(middle / step)
	}
}

// atStroke has the leakages be all but what they were so short a while ago. Left free to go as dew lets them, they
// would be taken to have grown by much of what a joint takes from a grown fence, for both leave the same at the zone's
// end. The energizer gives what it gave then, but no more exactly than the circuit shows it.
func (w *weigher) atStroke(ago ms) {
	w.prior.WetSpread = dewSpread * math.Max(0.01, float64(ago)/everyLook)
	w.prior.LeakSpread = math.Hypot(ownSpread, wetUnlike*w.prior.WetSpread)
	w.prior.OpenSpread = modelSD
}

// jointed is what is taken to be there with a joint of so many ohms at the start of a zone.
func (w *weigher) jointed(zone int, ohms float64) line.Prior {
	p := w.prior
	p.State.Joints = make([]float64, len(w.d.f.net.Zones))
	copy(p.State.Joints, w.prior.State.Joints)
	p.State.Joints[zone] += ohms
	return p
}

// beside returns f, and where its zone has a joint that is bad f also nearer than that: nobody knows where in the zone it is.
func (d *diagnoser) beside(f line.Fault) []line.Fault {
	d.orders = append(d.orders[:0], f)
	if d.base.Joints != nil && d.base.Joints[f.Zone] > 0 {
		f.Nearer = true
		d.orders = append(d.orders, f)
	}
	return d.orders
}

// joints returns by zone the ohms of the joints that are known to be bad, that of but left out; nil where there is none.
func (f *fence) joints(but *incident) []float64 {
	var ohms []float64
	for _, in := range f.Troubles {
		if in == but || in.joint() == 0 {
			continue
		}
		if ohms == nil {
			ohms = make([]float64, len(f.net.Zones))
		}
		ohms[in.Zone] += in.joint()
	}
	return ohms
}

// prior is what is believed of the fence before its sensors are heard: it is as laid out, but for the joints that are
// known to be bad, that of but left out.
func (f *fence) prior(but *incident) line.Prior {
	p := f.net.WidePrior()
	p.State.Joints = f.joints(but)
	return p
}

// rejoin takes in that other joints than before are known to be bad. What is remembered of the fence becomes what it would
// have shown with these. For looks that is not good enough: they are forgotten, and so is the present day until now.
func (f *fence) rejoin() {
	was, is := f.Joints, f.joints(nil)
	if slices.Equal(was, is) {
		return
	}
	f.Joints = is
	f.Shift.forget()
	for _, t := range f.sensors {
		t.Day.reset()
	}
	for i := range f.Days.Rows {
		r := &f.Days.Rows[i]
		r.Level, r.Night, r.Dry = f.carried(r.Level, was, is), f.carried(r.Night, was, is), f.carried(r.Dry, was, is)
	}
	for _, in := range f.Troubles {
		if in.joint() > 0 { // its profile is from before its own
			in.Profile = f.carried(in.Profile, less(was, in.Zone), less(is, in.Zone))
		} else {
			in.Profile = f.carried(in.Profile, was, is)
		}
	}
}

// behindJoint reports whether zone z is told of as taken down by a joint that is bad, or by what tracks when wet.
func (f *fence) behindJoint(z int) bool {
	return slices.ContainsFunc(f.Troubles, func(in *incident) bool { return (in.joint() > 0 || in.Tracks) && in.member(z+1) != nil })
}

// pastJoint reports whether zone z gets its pulses through a bad joint, of which joints says the ohms by zone.
func (f *fence) pastJoint(z int, joints []float64) bool {
	for j, ohms := range joints {
		if ohms > 0 && f.net.Behind(z, j) {
			return true
		}
	}
	return false
}

// less returns ohms without those of zone.
func less(ohms []float64, zone int) []float64 {
	if ohms == nil {
		return ohms
	}
	out := slices.Clone(ohms)
	out[zone] = 0
	return out
}

// carried returns what levels from a fence with joints of the ohms was would have been with those that are now.
func (f *fence) carried(levels, was, is []float64) []float64 {
	if slices.Equal(was, is) || levels == nil {
		return levels
	}
	d, p := f.diag, f.net.WidePrior()
	p.State.Joints = was
	for i, v := range levels {
		d.obs[i] = line.Observation{Volts: v / f.Gains[i], SD: modelSD}
	}
	est, err := d.est.Weigh(d.obs, p)
	if err != nil {
		return levels
	}
	d.solver.Volts(d.before, est.State, line.Fault{})
	est.State.Joints = is
	d.solver.Volts(d.after, est.State, line.Fault{})
	out := slices.Clone(levels)
	for i := range out {
		out[i] *= d.after[i] / d.before[i]
	}
	return out
}
