package detect

import (
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// A wire may part while another lies on the ground before it, and nobody can see that until the latter is freed, or
// dries: then what it had taken down comes back, and the zone behind stays as dead as it was.

// leftDead returns the zone that shows next to nothing of what stands at its start again, though the path to earth of
// in, which had taken both down, has let go of that; -1 for none. No path to earth leaves the one well and the other
// dead.
func (in *incident) leftDead(f *fence) int {
	if in.Cause != alerts.Short || in.Slow || !in.Settled {
		return -1
	}
	for _, m := range in.Members {
		z := m.Node - 1
		if z < 0 || m.Well || f.mute(m.Node) || f.net.InLoop(z) {
			continue
		}
		p := in.member(f.net.Zones[z].Parent + 1)
		if p == nil || p.Least >= affected || p.Good < goodReadings || f.mute(p.Node) {
			continue
		}
		t, start := f.tracks[m.Node], f.tracks[p.Node]
		back := start.LastSeen - ms(p.Good-1)*start.every // since when
		if t.LastSeen-t.every >= back && max(t.LastVal, t.Prev) < min(offRatio*start.LastVal, f.deadVolts(m.Node)) {
			return z
		}
	}
	return -1
}

// seeLeft says of an incident whose path to earth is gone that the wire has parted where a zone is left dead. Where an
// alarm says so already, the path may well be there yet, behind where the wire has parted: what that shows when it is
// joined counts.
func (f *fence) seeLeft(in *incident, now ms) {
	z := in.leftDead(f)
	if z < 0 || f.toldParted(z, in) {
		return
	}
	before := in.S.Finding
	in.Members = slices.DeleteFunc(in.Members, func(m member) bool { return m.Node == 0 || !f.net.Behind(m.Node-1, z) })
	in.Cause, in.Zone, in.Quiet, in.Ohms, in.Placed, in.Alike, in.Dries = alerts.Open, z, now, 0, false, false, false
	in.Fault = line.Fault{Kind: line.Break, Zone: z, AtM: f.net.Zones[z].LengthM / 2}
	f.tellChange(in, before, now)
}

// toldParted reports whether another incident than but is that zone z hangs behind a wire that has parted.
func (f *fence) toldParted(z int, but *incident) bool {
	return f.trouble(func(o *incident) bool {
		return o != but && o.Cause == alerts.Open && o.Zone >= 0 && f.net.Behind(z, o.Zone)
	}) != nil
}

// risen reports whether some that do not hang behind zone z stand higher than they did, and none lower: what drew on
// them through z does no more.
func (d *diagnoser) risen(z int) bool {
	for i, r := range d.ratio {
		if r > 1+math.Max(shiftLeast, 3*d.sd[i]) && (i == 0 || !d.f.net.Behind(i-1, z)) {
			return d.spared(z)
		}
	}
	return false
}
