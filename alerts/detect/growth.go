package detect

import (
	"fmt"
	"math"
	"slices"
	"time"

	"nightwire/alerts/line"
	"nightwire/alerts/rolling"
	"nightwire/ingest/farm"
)

// dayBook keeps a fence's days. Growth is a trend in them. The level of a day is the 75th percentile of its readings:
// dew and rain lower the rest.
type dayBook struct {
	End   ms // when the present day closes; 0 before the first reading
	Start ms
	Rows  []dayRow
	Fresh []ms // by zone: days that began before this were before the last trim or re-stringing
	Told  []ms // by zone: when somebody last told of one, perhaps long after it
}

// dayRow is one closed day.
type dayRow struct {
	Start ms
	Level []float64 // by node, volts as the sensor shows them; 0 where there were too few readings
	Night []float64 // by node, the 5th percentile
	Dry   []float64 // by node, the 95th: what the driest hour showed

	Stakes float64 // what the stakes carried while the output was at its Level, volts; 0 unknown
}

const (
	keepDays   = 40
	levelShare = 0.75
	nightShare = 0.05
	dryShare   = 0.95
	leastShare = 0.25 // of a day's reports that make a level
)

func (b *dayBook) init(zones int) { b.Fresh, b.Told = make([]ms, zones), make([]ms, zones) }

// best returns the highest level of the zone at node on the days begun since from, volts; infinite when none is known.
func (b *dayBook) best(node int, from ms) float64 {
	v := 0.0
	for _, r := range b.Rows {
		if r.Start >= from {
			v = max(v, r.Level[node])
		}
	}
	if v == 0 {
		return math.Inf(1)
	}
	return v
}

const day = 24 * 60 * 60_000

// midnight returns when the farm's day after m begins.
func (w *Watch) midnight(m ms) ms {
	t := w.local(m)
	return toMS(time.Date(t.Year(), t.Month(), t.Day()+1, 0, 0, 0, 0, t.Location()))
}

// closeDay ends the day when its time has come.
func (f *fence) closeDay(now ms) {
	b := &f.Days
	if b.End == 0 {
		b.Start, b.End = now, f.w.midnight(now)
	}
	if now < b.End {
		f.w.due(b.End)
		return
	}
	weak := f.weakened(now)
	if row, ok := f.dayRow(b.End - b.Start); ok && !weak {
		row.Start = b.Start
		if in := f.tracking(); in != nil && now-in.Quiet < day {
			clear(row.Night) // the fence is not known by what tracks
		}
		b.Rows = append(b.Rows, row)
		if len(b.Rows) > keepDays {
			b.Rows = slices.Delete(b.Rows, 0, len(b.Rows)-keepDays)
		}
		f.learnDay(&row)
	}
	for _, t := range f.sensors {
		t.Day.reset()
		t.Dipped.closeDay()
	}
	f.Supply.Day.reset()
	b.Start, b.End = b.End, f.w.midnight(now)
	f.w.due(b.End)
	if !weak {
		f.noticeTrims()
		f.checkGrowth(now)
	}
}

// weakened reports whether the energizer has given too little for less than a week. What the zones show in such days
// says nothing of growth; a keeper who has left it so for a week lives with it.
func (f *fence) weakened(now ms) bool {
	return slices.ContainsFunc(f.Troubles, func(in *incident) bool { return in.Zone < 0 && now-in.S.Raised < 7*day })
}

// dayRow sums up the day's readings.
func (f *fence) dayRow(length ms) (dayRow, bool) {
	n := len(f.tracks)
	row := dayRow{Level: make([]float64, n), Night: make([]float64, n), Dry: make([]float64, n)}
	any := false
	for _, t := range f.sensors {
		i := t.node
		if f.Faulty[i].up() || t.Stuck.up() {
			continue
		}
		enough := leastShare * 86_400_000 / float64(t.every) * (1 - t.loss())
		if float64(t.Day.N) >= enough && length > 0 {
			row.Level[i], row.Night[i], row.Dry[i] = t.Day.quantile(levelShare), t.Day.quantile(nightShare), t.Day.quantile(dryShare)
			any = true
		}
	}
	if t, stakes := f.tracks[0], &f.Supply.Day; t != nil && float64(stakes.N) >= leastShare*float64(t.Day.N) {
		row.Stakes = stakes.quantile(1-levelShare) / 10 // the less the fence draws the more the output
	}
	return row, any
}

// learnDay takes the gains from the first whole day.
func (f *fence) learnDay(row *dayRow) {
	if f.Learnt || len(f.Troubles) > 0 {
		return
	}
	obs := make([]line.Observation, len(f.tracks))
	for i := range obs {
		obs[i] = line.Observation{Volts: row.Level[i], SD: daySD}
	}
	if g, _, err := f.diag.est.LearnGains(obs); err == nil {
		f.Gains, f.Learnt = g, true
		f.usualGain = f.middleGain()
	}
}

// middleGain returns the median of the sensors' gains, and of a tester's.
func (f *fence) middleGain() float64 {
	gains := []float64{1}
	for _, t := range f.sensors {
		gains = append(gains, f.Gains[t.node])
	}
	return medianOf(gains)
}

// daySD is how well a day's level is known: noise averages out over a thousand readings, weather does not.
const daySD = 0.006

// trimmed starts the growth of a zone (or of all, for an energizer or the site) afresh from at.
func (f *fence) trimmed(s farm.Source, at ms) {
	for z := range f.net.Zones {
		if f.means(s, z) {
			f.Days.freshFrom(z, min(at, f.w.state.Now), f.w.state.Now)
		}
	}
}

// restrung learns the fence again from its next whole day.
func (f *fence) restrung(s farm.Source, at ms) {
	f.trimmed(s, at)
	for z := range f.net.Zones {
		if f.means(s, z) {
			f.Learnt = false
			f.Shift.forget() // new wire has nothing to be held against
		}
	}
}

// means reports whether what is said of s is said of a zone of this fence.
func (f *fence) means(s farm.Source, z int) bool {
	return s == farm.Site || s == f.energizer.Source() || s == f.net.Zones[z].Source()
}

// freshFrom notes that a zone's growth was cut at at, told now. An older cut than is known changes nothing.
func (b *dayBook) freshFrom(zone int, at, now ms) {
	if at > b.Fresh[zone] {
		b.Fresh[zone], b.Told[zone] = at, now
	}
}

// cutSince reports whether a zone's growth was cut after an alarm was raised, or was told to have been cut before, so
// that the alarm rests on days that no longer count. Known says that the days since the cut have a trend of their own.
func (b *dayBook) cutSince(zone int, raised ms, known bool) bool {
	return b.Fresh[zone] > raised || b.Told[zone] > raised && !known
}

// noticeTrims finds from the data that growth was cut: the driest hours show well more than on the days before, and the
// zone is not under its minimum still.
func (f *fence) noticeTrims() {
	rows := f.Days.Rows
	if len(rows) < 3 {
		return
	}
	last := rows[len(rows)-1]
	for z := range f.net.Zones {
		var before []float64
		for _, r := range rows[max(0, len(rows)-4) : len(rows)-1] {
			if _, dry := f.shows(&r, z); r.Start >= f.Days.Fresh[z] && dry > 0 {
				before = append(before, dry)
			}
		}
		level, dry := f.shows(&last, z)
		if len(before) >= 2 && dry > trimStep*slices.Max(before) && level >= f.net.Zones[z].MinimumVolts {
			f.Days.Fresh[z] = last.Start
		}
	}
}

// trimStep is by how much a day's driest hours must beat those of each of the last three before growth was cut.
const trimStep = 1.06

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
