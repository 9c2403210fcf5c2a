package detect

import (
	"fmt"
	"math"

	"nightwire/alerts/rolling"
)

// Judgements; common practice, no source where none is named.
const (
	leastDays     = 3    // days that a trend needs
	shortTrend    = 4    // days that a trend is taken over where they settle it: growth speeds up and slows down
	longTrend     = 14   // and at most, where weather hides it: an older slope misleads more than it steadies
	growthHorizon = 12   // days ahead that a date is given for
	soonDays      = 7    // days; a date as near as this leaves a keeper no time to wait for a better one
	longestLook   = 60   // days; a latest date beyond is no date
	intervalShare = 0.90 // of forecasts that shall hold the day
	paceShare     = 0.2  // by which a week's warmth and water hasten or slow growth against the days before
	dayShare      = 0.06 // by which a day's weather moves the load off its trend
	slowing       = 0.1  // by how much longer growth takes than at the share a day that it has shown
	usualRate     = 0.08 // a day: the best of grass trebles its height in a fortnight (AHDB Forage for Knowledge, 26 May 2017)
	rateDays      = 30   // in which slower growth makes up all but a third of what it lacks to that; an assumption
	sureDays      = 4    // a trend that leaves no more than this open is told on its first day
	vagueDays     = 8    // one that leaves more than this must stand for three: a wet spell looks like growth
	wellOver      = 1.25 // times the minimum that driest hours show where it is not growth that holds the rest of the day under it
	cleanLoad     = 0.05 // added to the load before its logarithm is taken, so that a clean fence's noise is no trend
)

// checkGrowth looks every midnight at each zone's trend.
func (f *fence) checkGrowth(now ms) {
	for z := range f.net.Zones {
		s := &f.Growths[z]
		fc, ok := f.forecast(z)
		cut := s.up() && f.Days.cutSince(z, s.Raised, ok)
		switch {
		case cut:
			f.w.clear(s, now, fmt.Sprintf("%s is well up again: growth on it, or on the wire it shares, was cut.", titled(f.net.Zones[z].Name)))
			f.Due[z] = 0
		case ok && s.up() && fc.days < 1 && f.pastJoint(z, f.Joints):
			s.Good = 0 // it is under, but not with growth: what was said of that stands
		case ok && s.up():
			s.Good = 0
			f.w.update(s, now, f.growthFinding(z, fc))
		case fc.days < 1 && f.behindJoint(z):
			f.Due[z] = 0 // it is under, but not with growth
		case ok && fc.days <= growthHorizon:
			if f.Due[z]++; max(f.Due[z], fc.seen) >= fc.patience() {
				f.w.raise(s, now, f.growthFinding(z, fc))
			}
		case s.up() && f.tracks[z+1] == nil && f.Joints != nil: // what it has is not known, and ends nothing
		case s.up():
			if s.Good++; s.Good >= 5 {
				f.w.clear(s, now, fmt.Sprintf("%s is no longer losing to growth.", titled(f.net.Zones[z].Name)))
				f.Due[z] = 0
			}
		default:
			f.Due[z] = 0
		}
	}
}

// outlook is when a zone goes under its minimum, in days after the last closed day.
type outlook struct {
	from                   ms // start of the last closed day
	days, earliest, latest float64
	open                   float64 // days that the trend leaves open if growth goes on as it has
	level                  float64
	dry                    bool // it is under in the driest hours too
	seen                   int  // midnights in a row at which growth was seen, where the date is near
}

// patience returns for how many days in a row an outlook must be found before it is told. Of one that is near it need be no
// more than the growth: what wet days feign is the growth, whether or not it could be dated then.
func (o outlook) patience() int {
	switch {
	case o.open <= sureDays:
		return 1
	case o.open <= vagueDays:
		return 2
	}
	return 3
}

// dryDay is what a closed day tells of a zone's growth.
type dryDay struct {
	at   float64 // days after the last closed one; not positive
	load float64 // its logarithm in the driest hours
	damp float64 // by how much more it is at the level
}

// forecast says when growth takes a zone's level under its minimum. It looks back no further than it must to say so
// with an interval.
//
// The load is u = open/level - 1, which on the ladder is to first order in proportion to the leakages that the zone
// feels: its own, and through the common wire the others'.
func (f *fence) forecast(z int) (outlook, bool) {
	rows := f.Days.Rows
	minimum := f.net.Zones[z].MinimumVolts
	if len(rows) == 0 || minimum <= 0 {
		return outlook{}, false
	}
	last := rows[len(rows)-1]
	o := outlook{from: last.Start}
	if f.grownUnder(z) {
		level, dry := f.shows(&last, z)
		o.level, o.dry = level, dry > 0 && dry < minimum
		return o, true
	}
	open := f.net.OpenVolts
	if f.tracks[z+1] != nil {
		open *= f.Gains[z+1]
	}
	load := func(v float64) float64 { return math.Log(max(open/v-1, 0) + cleanLoad) }
	var days []dryDay
	for _, r := range rows[max(0, len(rows)-longTrend):] {
		if level, dry := f.shows(&r, z); r.Start >= f.Days.Fresh[z] && level > 0 {
			o.level = level
			days = append(days, dryDay{float64(r.Start-last.Start) / day, load(dry), load(level) - load(dry)})
		}
	}
	for n := min(shortTrend, len(days)); n >= leastDays && n <= len(days); n++ {
		if o.carry(days[len(days)-n:], load(minimum), dampest(days)) {
			if o.days <= soonDays {
				o.seen = seen(days)
			}
			if f.tracks[z+1] == nil {
				o.earliest = 0 // it may have less than is reckoned with
			}
			return o, true
		}
	}
	return outlook{}, false
}

// grownUnder reports whether growth has a zone under its minimum: in its driest hours too, or for the second day. One
// wet day alone does not prove it, nor do two with hours so dry that they leave the zone well over it: what rain or a
// fault takes down for a while is no growth that has won.
func (f *fence) grownUnder(z int) bool {
	days := f.Days.Rows[max(0, len(f.Days.Rows)-2):]
	minimum := f.net.Zones[z].MinimumVolts
	under := func(v float64) bool { return v > 0 && v < minimum }
	level, dry := f.shows(&days[len(days)-1], z)
	before, _ := f.shows(&days[0], z)
	again := len(days) > 1 && under(before) && dry < wellOver*minimum
	return under(level) && (under(dry) || again)
}

// dampest returns by how much more the load was at the level than in the driest hours on the day on which that was most.
func dampest(days []dryDay) float64 {
	most := days[0].damp
	for _, d := range days {
		most = max(most, d.damp)
	}
	return most
}

// carry takes the trend over some days forward to the load at which the level is at its minimum, and reports whether
// that has a latest day.
//
// The trend is that of the driest hours, which rain moves least, lifted by how much damper the hour is that makes the
// day's level. Growth meets the wire slowly, then all along it, and the lower strands before the upper: the load grows
// by a share a day, while it can. With a hastened pace that gives the earliest, on a day as damp as the dampest of late:
// the first day under is often a wet one. Once growth stands all along, it adds as much each day as the day before:
// that, with a slowed pace and a dry day, gives the latest. The date lies between, much nearer to the first.
func (o *outlook) carry(days []dryDay, goal, dampest float64) bool {
	tr, ok := growthOf(days)
	if !ok {
		return false
	}
	damp := make([]float64, len(days))
	for i, d := range days {
		damp[i] = d.damp
	}
	usual := medianOf(damp)
	rise := goal - tr.MidY - usual
	if rise <= 0 { // but for a drier day it would be under
		o.days, o.earliest, o.latest, o.open = 0.5, 0, 1, 1
		return true
	}
	pace := paceShare * tr.Slope
	if tr.Low <= pace {
		return false
	}
	o.days = max(wait(rise*(1+slowing)+tr.Slope*tr.MidT, tr.Slope), 0.5)
	o.earliest = max(min(tr.MidT+max(rise-max(dayShare, dampest-usual), 0)/(tr.High+pace), o.days-1), 0)
	o.latest = max(tr.MidT+math.Expm1(rise+dayShare)/(tr.Low-pace), o.days+1)
	o.open = rise/tr.Low - rise/tr.High
	return o.latest <= longestLook
}

// growthOf returns the trend of the load over some days, and whether it rises.
func growthOf(days []dryDay) (rolling.Trend, bool) {
	ts := rolling.NewTheilSen(len(days))
	for _, d := range days {
		ts.Add(d.at, d.load)
	}
	tr, ok := ts.Fit(intervalShare, rolling.Interpolated)
	return tr, ok && tr.Slope > 0
}

// seen returns at how many midnights in a row, back from the last, the days that had closed by then showed growth that a
// week's weather does not make.
func seen(days []dryDay) int {
	for n := range len(days) {
		if !grows(days[:len(days)-n]) {
			return n
		}
	}
	return len(days)
}

// grows reports whether the last days, as many of them as settle it, show growth that a week's weather does not make.
func grows(days []dryDay) bool {
	for n := min(shortTrend, len(days)); n >= leastDays && n <= len(days); n++ {
		if tr, ok := growthOf(days[len(days)-n:]); ok && tr.Low > paceShare*tr.Slope {
			return true
		}
	}
	return false
}

// wait returns in how many days a load rises by so much that rises at a rate now. Slow growth gathers pace: more of it
// meets the wire.
func wait(rise, rate float64) float64 {
	days := 0.0
	for ; rise > rate && days < longestLook; days++ {
		rise -= rate
		rate += max(usualRate-rate, 0) / rateDays
	}
	return days + rise/rate
}
