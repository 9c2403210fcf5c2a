package detect

import (
	"math"
	"slices"
	"time"

	"nightwire/alerts/line"
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
