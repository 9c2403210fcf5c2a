package detect

import (
	"fmt"
	"math"
	"strings"
	"time"

	"nightwire/alerts"
)

// volts writes a voltage as a keeper reads it.
func volts(v float64) string { return fmt.Sprintf("%.1f kV", v/1000) }

// finding says what is known of an incident.
func (f *fence) finding(in *incident) alerts.Finding {
	fd := alerts.Finding{Cause: in.Cause, Source: f.energizer.Source()}
	node := 0
	if in.Zone >= 0 {
		fd.Source = f.net.Zones[in.Zone].Source()
		node = in.Zone + 1
	}
	stock, worst := f.state(in, &fd)
	if t := f.tracks[node]; t != nil && t.LastSeen > 0 && !t.Gone {
		fd.KV = kilo(f.now(t))
	}
	switch {
	case in.Zone < 0 && in.Cause == alerts.EnergizerOff:
		fd.Condition, fd.Priority = alerts.Off, alerts.High
	case in.Zone < 0 && in.Cause != alerts.Vegetation && in.Cause != alerts.Unknown:
		fd.Condition, fd.Priority = alerts.Weak, alerts.Medium
		if in.Cause == alerts.PoorEarth {
			fd.Condition = alerts.Earth
		}
		if worst != alerts.Dropping && stock {
			fd.Priority = alerts.High
		}
		if worst == alerts.Dead && !f.off() {
			fd.Condition = alerts.Off
		}
	case in.Cause == alerts.CauseIntermittent:
		fd.Condition, fd.Priority = alerts.Intermittent, alerts.Medium
		if f.lowBetween(in) {
			fd.Priority = alerts.High
		}
	default:
		fd.Condition, fd.Priority = worst, alerts.Medium
		if worst == alerts.Dead || worst == alerts.Low && stock {
			fd.Priority = alerts.High
		}
	}
	f.beside(in, &fd)
	if in.Placed && in.Cause == alerts.Short {
		fd.DistanceM, fd.DistanceLowM, fd.DistanceHighM = metres(in.AtM, in.LowM, in.High, f.net.Zones[in.Zone].LengthM)
	}
	fd.Evidence = f.evidence(in)
	f.again(in, &fd)
	fd.Text = f.text(in, &fd)
	return fd
}

// metres rounds a place in a zone and its bounds to what a person would pace out: where it is known to 50 m nobody
// looks for the metre. The bounds are rounded outwards, as far as the zone goes.
func metres(at, low, high, length float64) (a, l, h *float64) {
	step := 1.0
	switch width := high - low; {
	case width >= 50:
		step = 10
	case width >= 20:
		step = 5
	}
	at, low, high = step*math.Round(at/step), max(0, step*math.Floor(low/step)), min(math.Round(length), step*math.Ceil(high/step))
	at = min(max(at, low), high)
	return &at, &low, &high
}

// now returns what the sensor says at present: the median since the fault where it has said enough.
func (f *fence) now(t *track) float64 {
	if f.Suspect.Open && t.Since.N > 0 {
		return t.Since.median()
	}
	return t.LastVal
}

// state lists the zones that ride on the incident, and returns whether stock stand behind one that is under its
// minimum, and the worst condition of any.
func (f *fence) state(in *incident, fd *alerts.Finding) (stock bool, worst alerts.Condition) {
	worst = alerts.Dropping
	for _, t := range f.sensors {
		i := t.node
		if i == 0 || in.member(i) == nil {
			continue
		}
		z := f.net.Zones[i-1]
		v := f.now(t)
		behind := in.Cause == alerts.Open && in.Zone >= 0 && f.net.Behind(i-1, in.Zone)
		switch {
		case f.deadAnyway(in, i):
		case v < f.deadVolts(i) || behind && t.Since.N == 0 && f.Suspect.Open:
			worst = alerts.Dead
			stock = stock || z.Stock != ""
		case v < z.MinimumVolts:
			if worst != alerts.Dead {
				worst = alerts.Low
			}
			stock = stock || z.Stock != ""
		}
		if i-1 != in.Zone {
			fd.Zones = append(fd.Zones, z.Name)
		}
	}
	return stock, worst
}

// text writes the one sentence: what, where, and what to do first.
func (f *fence) text(in *incident, fd *alerts.Finding) string {
	e := titled(f.energizer.Name)
	if in.Zone < 0 {
		switch in.Cause {
		case alerts.EnergizerOff:
			return f.offText(e)
		case alerts.SupplyLow:
			return fmt.Sprintf("%s is failing on a low battery%s. Swap the battery first.", e, left(in, ""))
		case alerts.PoorEarth:
			return fmt.Sprintf("%s's earth has failed: the stakes carry what the fence has lost%s. Switch off and look at the earth lead and its clamps; then wet the stakes.", e, left(in, "it has "))
		case alerts.EnergizerWeak:
			if fd.Or == alerts.Short {
				return fmt.Sprintf("%s gives too little%s, everywhere alike, or a wire touches earth. Switch off, unhook the fence, switch on and measure %s alone: if it is weak look at its battery; if not look at its earth lead and stakes, then walk the fence.", e, left(in, ""), f.energizer.Name)
			}
			return fmt.Sprintf("%s gives too little%s, everywhere alike. Switch off, unhook the fence, switch on and measure %s alone; then look at its battery and earth.", e, left(in, ""), f.energizer.Name)
		}
		return fmt.Sprintf("The fence of %s is down all over. Look at the energizer, then for wet growth on the wire.", f.energizer.Name)
	}
	z := f.net.Zones[in.Zone]
	name := titled(z.Name)
	what := map[alerts.Condition]string{alerts.Dead: "is dead", alerts.Low: "is low", alerts.Dropping: "has dropped", alerts.Intermittent: comesAndGoes(fd.Priority)}[fd.Condition]
	switch {
	case fd.KV == nil || fd.Condition == alerts.Intermittent:
	case fd.Condition == alerts.Dropping:
		what += fmt.Sprintf(" to %.1f kV", *fd.KV)
	default:
		what += fmt.Sprintf(" at %.1f kV", *fd.KV)
	}
	if fd.Worst != "" {
		what = fmt.Sprintf("pulls %s down to %.1f kV", fd.Worst, *fd.WorstKV) // the fault is here, the harm there
	}
	switch in.Cause {
	case alerts.Open:
		return f.openText(in, fd, name+" "+what)
	case alerts.Short:
		if fd.WhenWet {
			return fmt.Sprintf("%s %s: something in %s leads to earth when it is wet%s. Look for a cracked insulator or a wire on wet ground; look and listen at dusk or in the wet.", name, what, z.Name, f.onAndOff(fd))
		}
		if fd.Or == alerts.EnergizerWeak {
			return fmt.Sprintf("%s %s: wire touching earth%s %s, or %s gives too little. Switch off, unhook the fence, switch on and measure %s alone; if it is well, look at its earth lead, then walk there.",
				name, what, f.back(fd), f.place(in, fd)+f.orElse(in), f.energizer.Name, f.energizer.Name)
		}
		return fmt.Sprintf("%s %s: %s%s %s. %s", name, what, touching(fd), f.back(fd), f.place(in, fd)+f.orElse(in), walkFirst(fd))
	case alerts.Joint:
		return fmt.Sprintf("%s %s: a bad joint or broken strand between %s and %s%s", name, what, f.before(in.Zone), f.behind(in.Zone), lookAtJoints(fd.Or == alerts.CauseSensorFaulty))
	case alerts.Vegetation:
		return fmt.Sprintf("%s %s: growth, likely wet, is pulling it down. Trim %s; look at the low wire first.", name, f.underIts(z.MinimumVolts, fd, what), z.Name)
	case alerts.CauseIntermittent:
		return fmt.Sprintf("%s %s: something touches the wire now and then%s%s and look for a loose wire, a branch or a cracked insulator.", name, what, f.onAndOff(fd), f.walkTo(in))
	}
	return fmt.Sprintf("%s %s, cause not yet known. Walk from %s toward %s.", name, what, f.before(in.Zone), f.behind(in.Zone))
}

// openText says of a wire that is broken what that leaves dead, and where to walk.
func (f *fence) openText(in *incident, fd *alerts.Finding, what string) string {
	z, harm := f.net.Zones[in.Zone], ""
	if fd.Worst != "" { // its own sensor may not have spoken since
		what = fmt.Sprintf("%s leaves %s at %.1f kV", titled(z.Name), fd.Worst, *fd.WorstKV)
		harm = fmt.Sprintf(", and %s is down to %.1f kV", fd.Worst, *fd.WorstKV)
	}
	if f.net.InLoop(in.Zone) {
		return fmt.Sprintf("%s: wire broken within %s, which is fed round the other way%s. Walk it, switch off, join the wire.", titled(z.Name), z.Name, harm)
	}
	if fd.Or == alerts.EnergizerOff {
		return fmt.Sprintf("%s: %s is off, or the wire is broken before %s. Look at %s first, then walk; switch off before you join it.",
			what, f.energizer.Name, f.behind(in.Zone), f.energizer.Name)
	}
	return fmt.Sprintf("%s: wire broken or unhooked between %s and %s. Walk there first; switch off before you join it.", what, f.before(in.Zone), f.behind(in.Zone))
}

// lookAtJoints says what to do about a joint, which the sensor behind it may only seem to show.
func lookAtJoints(orSensor bool) string {
	if orSensor {
		return ", or that sensor shows too little. Measure there by hand; if the wire is low too, look at clamps, knots and gate ends before it."
	}
	return ". Look at clamps, knots and gate ends there."
}

// underIts adds to what is said of a zone's voltage the minimum that it is under, and to that of one that it takes down
// the other's.
func (f *fence) underIts(minimum float64, fd *alerts.Finding, what string) string {
	switch {
	case fd.Condition != alerts.Low:
		return what
	case fd.Worst != "":
		return what + under(*fd.WorstKV*1000, f.w.farm.Zone(fd.Worst).MinimumVolts)
	case fd.KV != nil && volts(*fd.KV*1000) == volts(minimum):
		return "is just under its " + volts(minimum)
	}
	return what + ", under its " + volts(minimum)
}

// under names the minimum that v is under, as a part of a sentence that has named v.
func under(v, minimum float64) string {
	if volts(v) == volts(minimum) {
		return ", just under its " + volts(minimum)
	}
	return ", under its " + volts(minimum)
}

// beside adds to what is known of an incident what else it may be or where else, and the zone that it takes further down than
// its own.
func (f *fence) beside(in *incident, fd *alerts.Finding) {
	fd.Or, fd.WhenWet = f.orCause(in), in.Cause == alerts.Short && in.Tracks
	fd.OrZones = f.also(in)
	low := f.lowest(in)
	if in.Zone < 0 || low < 0 || low == in.Zone || fd.KV == nil {
		return
	}
	own := *fd.KV * 1000
	if fd.Condition == alerts.Low && own >= f.minimum(in.Zone+1) || fd.Condition == alerts.Dead && own >= f.deadVolts(in.Zone+1) {
		fd.Worst, fd.WorstKV = f.net.Zones[low].Name, kilo(f.now(f.tracks[low+1]))
	}
}

// orCause returns what else would show next to the same as an incident, empty for nothing.
func (f *fence) orCause(in *incident) alerts.Cause {
	switch {
	case in.Cause == alerts.Open && f.net.Zones[in.Zone].Parent < 0 && f.tracks[0] == nil && !f.net.InLoop(in.Zone):
		return alerts.EnergizerOff
	case in.Cause == alerts.EnergizerOff && f.mayBeWayIn():
		return alerts.Open
	case !in.Alike:
	case in.Cause == alerts.Short && !in.Tracks:
		return alerts.EnergizerWeak
	case in.Cause == alerts.EnergizerWeak:
		return alerts.Short
	case in.Cause == alerts.Joint:
		return alerts.CauseSensorFaulty
	}
	return ""
}

// lowest returns the index of the zone that stands furthest under its minimum because of the incident, -1 for none.
func (f *fence) lowest(in *incident) int {
	zone, least := -1, 1.0
	for _, m := range in.Members {
		t := f.tracks[m.Node]
		if m.Node == 0 || t == nil || t.Gone || f.minimum(m.Node) <= 0 || f.deadAnyway(in, m.Node) {
			continue
		}
		if r := f.now(t) / f.minimum(m.Node); r < least {
			zone, least = m.Node-1, r
		}
	}
	return zone
}

// left says how much is left of the usual, after has.
func left(in *incident, has string) string {
	if in.Kept > 0 && in.Kept < 1 {
		return fmt.Sprintf(" (%s%.0f %% of its usual)", has, 100*in.Kept)
	}
	return ""
}

// place says where in its zone a fault is, by the nearest mark where there is one.
func (f *fence) place(in *incident, fd *alerts.Finding) string {
	z := f.net.Zones[in.Zone]
	if fd.DistanceM == nil {
		return "somewhere in " + z.Name
	}
	s := fmt.Sprintf("about %.0f m along %s, counted from %s (%.0f to %.0f m)", *fd.DistanceM, z.Name, f.start(in.Zone), *fd.DistanceLowM, *fd.DistanceHighM)
	if *fd.DistanceM < 1 {
		s = fmt.Sprintf("at the start of %s, by %s (0 to %.0f m)", z.Name, f.start(in.Zone), *fd.DistanceHighM)
	}
	if mark := z.NearMark(in.AtM); mark != "" {
		s += ", near " + mark
	}
	return s
}

// start names the end of zone z that is fed.
func (f *fence) start(z int) string {
	if p := f.net.Zones[z].Parent; p >= 0 {
		return f.endOf(p)
	}
	return f.energizer.Name
}

// evidence lists what each sensor did.
func (f *fence) evidence(in *incident) []string {
	var out []string
	for _, t := range f.sensors {
		was := f.Suspect.Before[t.node]
		if m := in.member(t.node); m != nil {
			was = m.Before
		}
		v := f.now(t)
		if was > 0 && !t.Gone && t.LastSeen > 0 {
			out = append(out, t.name+" "+moved(was, v))
		}
	}
	return out
}

// moved says what became of a level, in no finer figures than it is told in: a few per cent of rise are the sign of a
// break, more than half as much again is said in volts.
func moved(was, is float64) string {
	switch alike := volts(was) == volts(is); {
	case is < 0.97*was && !alike:
		return fmt.Sprintf("fell from %s to %s", volts(was), volts(is))
	case is > 1.5*was && !alike:
		return fmt.Sprintf("rose from %s to %s", volts(was), volts(is))
	case is > 1.015*was && is <= 1.5*was:
		return fmt.Sprintf("rose %.0f %%", 100*(is/was-1))
	}
	return "steady at " + volts(is)
}

// overText says that an incident has ended.
func (f *fence) overText(in *incident) string {
	if in.unseen(f) {
		_, name, _ := strings.Cut(string(in.S.Finding.Source), "/")
		return fmt.Sprintf("%s: every sensor that showed this was taken off, so nobody can tell whether it is over.", titled(name))
	}
	if in.Zone < 0 && (in.First || in.Cause == alerts.EnergizerOff && f.failing() != nil) {
		return fmt.Sprintf("%s is on%s.", titled(f.energizer.Name), f.fenceNow())
	}
	if in.pulses() {
		return fmt.Sprintf("%s pulses again%s.", titled(f.energizer.Name), f.fenceNow())
	}
	if in.Zone < 0 {
		return fmt.Sprintf("%s gives its usual again%s.", titled(f.energizer.Name), f.fenceNow())
	}
	z := f.net.Zones[in.Zone]
	if t := f.tracks[in.Zone+1]; in.First && t != nil && t.LastVal < z.MinimumVolts {
		return fmt.Sprintf("%s is live at %s, and still low.", titled(z.Name), volts(t.LastVal))
	}
	if in.Tracks && in.Doubt >= f.w.limits.Shift {
		return fmt.Sprintf("%s has been wet again without leading to earth.", titled(z.Name))
	}
	if in.Tracks {
		return fmt.Sprintf("%s: no wet for days to show whether it still leads to earth. Look at its insulators before the next rain.", titled(z.Name))
	}
	if t := f.tracks[in.Zone+1]; t != nil && t.LastVal > 0 {
		return fmt.Sprintf("%s is back at %s.", titled(z.Name), volts(t.LastVal))
	}
	return fmt.Sprintf("%s is back.", titled(z.Name))
}

// fenceNow says whether the fence is hot, by what each zone that is heard said last: not everything that takes a zone
// down ends with what the energizer lacked.
func (f *fence) fenceNow() string {
	var dead, low []string
	for i, t := range f.tracks {
		switch {
		case i == 0 || f.mute(i) || t.LastSeen == 0:
		case t.LastVal < f.deadVolts(i):
			dead = append(dead, t.name)
		case t.LastVal < f.minimum(i):
			low = append(low, t.name)
		}
	}
	switch {
	case len(dead) > 0:
		return ", but still dead when last heard: " + some(dead)
	case len(low) > 0:
		return ", but under the minimum when last heard: " + some(low)
	}
	return " and the fence is hot"
}

// some names four zones at most, and of more the first three: a lock screen shows no list.
func some(names []string) string {
	if len(names) <= 4 {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:3], ", "), len(names)-3)
}

// growthFinding says when growth will win.
func (f *fence) growthFinding(z int, fc outlook) alerts.Finding {
	zone := f.net.Zones[z]
	on, early, late := f.day(fc, fc.days), f.day(fc, fc.earliest), f.day(fc, fc.latest)
	utc := func(t time.Time) *time.Time { t = t.UTC(); return &t }
	fd := alerts.Finding{
		Source: zone.Source(), Condition: alerts.Growth, Cause: alerts.Vegetation, Priority: alerts.LowPriority,
		KV: kilo(fc.level), BelowMinimumOn: utc(on), BelowMinimumEarliest: utc(early), BelowMinimumLatest: utc(late),
	}
	switch {
	case f.tracks[z+1] == nil:
		fd.KV = nil
		fd.Text = noSensorText(zone.Name, zone.MinimumVolts, fc, on, late)
	case fc.days <= 0 && fc.dry:
		fd.Text = fmt.Sprintf("%s is under its %s even in dry hours: growth has won. Trim it now.", titled(zone.Name), volts(zone.MinimumVolts))
	case fc.days <= 0:
		fd.Text = fmt.Sprintf("%s was under its %s for most of the last two days: growth has won. Trim it now.", titled(zone.Name), volts(zone.MinimumVolts))
	default:
		last := late.Format("2 Jan")
		between := early.Format("2 Jan") + " to " + last
		if fc.earliest <= 1 { // the day after the last closed one is the present
			between = "any day now, " + last + " at the latest"
		}
		fd.Text = fmt.Sprintf("%s will go under its %s about %s (%s) as it grows: trim before then.", titled(zone.Name), volts(zone.MinimumVolts),
			on.Format("Mon 2 Jan"), between)
	}
	return fd
}

// noSensorText says when growth will win in a zone without a sensor, where the sensors before and behind it show the most it
// can have.
func noSensorText(name string, minimum float64, fc outlook, on, late time.Time) string {
	if fc.days <= 0 {
		return fmt.Sprintf("%s has no sensor, but by those next to it has no more than %s for most of the day, under its %s: growth has won. Trim there now.",
			titled(name), volts(fc.level), volts(minimum))
	}
	return fmt.Sprintf("%s has no sensor, but by those next to it will be under its %s by about %s (%s at the latest) as it grows: trim before then.",
		titled(name), volts(minimum), on.Format("Mon 2 Jan"), late.Format("2 Jan"))
}

// day returns the start of the farm's day that lies days after the outlook's last closed one.
func (f *fence) day(fc outlook, days float64) time.Time {
	t := f.w.local(fc.from)
	return time.Date(t.Year(), t.Month(), t.Day()+int(math.Ceil(days)), 0, 0, 0, 0, t.Location())
}
