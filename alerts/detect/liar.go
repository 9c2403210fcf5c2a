package detect

import (
	"math"

	"nightwire/alerts"
)

// leastLie is the smallest change of one sensor alone that is held against it; rain on one zone does less. What came at a
// stroke was no rain, and no joint either where a sensor behind bears witness.
const leastLie = 0.2

// borneOut reports whether a sensor behind node says what the change was there, and knows it: its level is not of just now.
func (d *diagnoser) borneOut(node int) bool {
	for i, r := range d.ratio {
		if !math.IsNaN(r) && d.f.feeds(node, i) && d.f.Suspect.Since-d.f.tracks[i].SetAt > sameHour {
			return true
		}
	}
	return false
}

// mayLie reports whether the sensor at node alone may show a change that the wire does not: it is more than weather or
// a joint makes, and there is another to bear witness.
func (d *diagnoser) mayLie(node int) bool {
	r, t, least := d.ratio[node], d.f.tracks[node], leastLie
	if d.haste() >= 1 && d.borneOut(node) {
		least = d.f.w.limits.Dip
	}
	if math.IsNaN(r) || d.heardNow() < 2 || math.Abs(r-1) < least {
		return false
	}
	return d.slow || t.Bad == 0 || !t.longSilent(t.FellIn) // what the others did since it was heard before nobody kept
}

// lie returns how well it explains what is seen that the sensor at node alone is off, squared standard deviations and
// its cost; infinite where that sensor says nothing.
func (d *diagnoser) lie(node int) float64 {
	sum := costSensor
	if math.IsNaN(d.ratio[node]) {
		return math.Inf(1)
	}
	if d.ratio[node] < offRatio {
		sum = costSensorDead
	}
	for i, other := range d.ratio {
		if i != node && !math.IsNaN(other) {
			sum += d.one(i, other, 1, 0)
		}
	}
	return sum
}

// orSensor notes of a bad joint that it may as well be the sensor behind it that is off, and of a sensor that it may as
// well be a joint before it: at the end of a line nothing tells them apart but the current that a joint saves, and that
// is little.
func (d *diagnoser) orSensor(v *verdict) {
	switch {
	case v.cause == alerts.Joint:
		node := d.f.firstSensor(v.zone)
		v.alike = node > 0 && d.lies[node] < v.score+alikeLeft
	case v.cause == alerts.CauseSensorFaulty && v.sensor > 0:
		v.alike = d.joints[v.sensor-1] < v.score+alikeLeft
	}
}
