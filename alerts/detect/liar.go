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

// liar: one sensor alone shows a change, and the wire does not. There must be another to bear witness.
func (d *diagnoser) liar(node int) (verdict, bool) {
	r := d.ratio[node]
	least := leastLie
	if d.haste() >= 1 && d.borneOut(node) {
		least = d.f.w.limits.Dip
	}
	if math.IsNaN(r) || d.heardNow() < 2 || math.Abs(r-1) < least {
		return verdict{}, false
	}
	if t := d.f.tracks[node]; !d.slow && t.Bad > 0 && t.longSilent(t.FellIn) {
		return verdict{}, false // what the others did since it was heard before nobody kept
	}
	sum := 0.0
	for i, other := range d.ratio {
		if i != node && !math.IsNaN(other) {
			sum += d.one(i, other, 1, 0)
		}
	}
	cost := costSensor
	if r < offRatio {
		cost = costSensorDead
	}
	return verdict{cause: alerts.CauseSensorFaulty, zone: -1, sensor: node, score: sum + cost, ratio: r}, true
}
