package detect

import "math"

// shows returns the level that zone z showed on a day, and what its driest hours showed, in volts; 0 where it is not known.
// Of a zone without a sensor it is the most that the wire can have had there, which is not known while a joint is bad.
func (f *fence) shows(r *dayRow, z int) (level, dry float64) {
	if f.tracks[z+1] != nil {
		return r.Level[z+1], r.Dry[z+1]
	}
	if f.Joints != nil {
		return 0, 0
	}
	return f.mostAt(r.Level, z), f.mostAt(r.Dry, z)
}

// mostAt returns the most that the end of zone z, which has no sensor, can have had when the sensors showed volts; 0 where
// one of those next to it showed nothing, or a loop closes between them.
//
// Pulses only lose on their way, so it is no more than at the sensor before it. All that leaks between that one and a sensor
// behind it flows through the first of the wire and less and less through the rest, so the voltage sags below the straight
// line from one to the other over the ohms of the wire.
func (f *fence) mostAt(volts []float64, z int) float64 {
	zones := f.net.Zones
	up, before := z, 0.0
	for ; up >= 0 && f.tracks[up+1] == nil; up = zones[up].Parent {
		if f.net.InLoop(up) {
			return 0
		}
		before += zones[up].Ohms
	}
	if f.tracks[up+1] == nil || volts[up+1] == 0 {
		return 0
	}
	top := volts[up+1] / f.Gains[up+1]
	most := top
	if p := zones[z].Parent; p != up {
		most = f.mostAt(volts, p)
	}
	for w := range zones {
		beyond, next := f.ohmsBetween(z, w)
		if !next {
			continue
		}
		if volts[w+1] == 0 {
			return 0
		}
		most = min(most, top+(volts[w+1]/f.Gains[w+1]-top)*before/(before+beyond))
	}
	return most
}

// ohmsBetween returns the ohms of the wire from the end of zone z to that of zone w, and whether w has the first sensor on
// the way there.
func (f *fence) ohmsBetween(z, w int) (float64, bool) {
	if w == z || f.tracks[w+1] == nil || !f.net.Behind(w, z) {
		return math.Inf(1), false
	}
	ohms := 0.0
	for i := w; i != z; i = f.net.Zones[i].Parent {
		if i != w && f.tracks[i+1] != nil || f.net.InLoop(i) {
			return math.Inf(1), false
		}
		ohms += f.net.Zones[i].Ohms
	}
	return ohms, true
}

// before names what the wire to the end of zone z comes from: the last sensor on the way, or the fork behind it.
func (f *fence) before(z int) string {
	p := f.net.Zones[z].Parent
	for p >= 0 && f.tracks[p+1] == nil && f.leadsOn(p) >= 0 {
		p = f.net.Zones[p].Parent
	}
	if p < 0 {
		return f.energizer.Name
	}
	return f.endOf(p)
}

// behind names what the wire from the start of zone z leads to: the first sensor on the way, or the fork before it.
func (f *fence) behind(z int) string {
	if node := f.firstSensor(z); node > 0 {
		return f.endOf(node - 1)
	}
	return f.endOf(z)
}

// endOf names the end of zone z, by its sensor where it has one.
func (f *fence) endOf(z int) string {
	if f.tracks[z+1] == nil {
		return f.net.Zones[z].Name + "'s end"
	}
	return f.net.Zones[z].Name + "'s sensor"
}

// firstSensor returns the node of the sensor that shows what the wire of zone z takes: its own, or the first that the
// wire leads on to; 0 where it forks or ends before there is one.
func (f *fence) firstSensor(z int) int {
	for z >= 0 && f.tracks[z+1] == nil {
		z = f.leadsOn(z)
	}
	return z + 1
}

// leadsOn returns the one zone that zone z feeds, -1 where the wire ends, forks or is part of a loop.
func (f *fence) leadsOn(z int) int {
	next := -1
	for i := range f.net.Zones {
		if f.net.Zones[i].Parent != z {
			continue
		}
		if next >= 0 || f.net.InLoop(z) || f.net.InLoop(i) {
			return -1
		}
		next = i
	}
	return next
}
