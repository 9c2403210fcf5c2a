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

// dayBook keeps a fence's days: what each zone's dry-hour level was, and what leakage that means. Growth is a trend in
// it. The level of a day is the 75th percentile of its readings: dew and rain lower the rest.
type dayBook struct {
	End   ms // when the present day closes; 0 before the first reading
	Start ms
	Rows  []dayRow
	Fresh []ms // by zone: days that began before this were before the last trim or re-stringing
}

// dayRow is one closed day.
type dayRow struct {
	Start ms
	Level []float64 // by node, volts as the sensor shows them; 0 where there were too few readings
	Night []float64 // by node, the 5th percentile
	Leak  []float64 // by zone, siemens; nil where the day could not be solved
}

const (
	keepDays   = 40
	levelShare = 0.75
	nightShare = 0.05
	leastShare = 0.25 // of a day's reports that make a level
)

func (b *dayBook) init(zones int) { b.Fresh = make([]ms, zones) }

// nightRatio returns how deep the zone at node falls by night, as the lowest share of its level in the last days.
func (b *dayBook) nightRatio(node int) float64 {
	ratio := 1.0
	for _, r := range b.Rows[max(0, len(b.Rows)-4):] {
		if r.Level[node] > 0 && r.Night[node] > 0 {
			ratio = min(ratio, r.Night[node]/r.Level[node])
		}
	}
	return max(ratio, 0.5)
}

// midnight returns when the farm's day after m begins.
func (w *Watch) midnight(m ms) ms {
	loc := w.farm.Location
	if loc == nil {
		loc = time.UTC
	}
	t := fromMS(m).In(loc)
	return toMS(time.Date(t.Year(), t.Month(), t.Day()+1, 0, 0, 0, 0, loc))
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
	if row, ok := f.dayRow(b.End - b.Start); ok {
		row.Start = b.Start
		b.Rows = append(b.Rows, row)
		if len(b.Rows) > keepDays {
			b.Rows = slices.Delete(b.Rows, 0, len(b.Rows)-keepDays)
		}
		f.solveDay(&b.Rows[len(b.Rows)-1])
	}
	for _, t := range f.tracks {
		if t != nil {
			t.Day.reset()
			t.Dipped.closeDay()
		}
	}
	b.Start, b.End = b.End, f.w.midnight(now)
	f.w.due(b.End)
	f.noticeTrims()
	f.checkGrowth(now)
}

// dayRow sums up the day's readings.
func (f *fence) dayRow(length ms) (dayRow, bool) {
	row := dayRow{Level: make([]float64, len(f.tracks)), Night: make([]float64, len(f.tracks))}
	any := false
	for i, t := range f.tracks {
		if t == nil || f.Faulty[i].up() || t.Stuck.up() {
			continue
		}
		enough := leastShare * 86_400_000 / float64(t.every) * (1 - t.loss())
		if float64(t.Day.N) >= enough && length > 0 {
			row.Level[i], row.Night[i] = t.Day.quantile(levelShare), t.Day.quantile(nightShare)
			any = true
		}
	}
	return row, any
}

// solveDay finds the day's leakages, and on the first whole day the gains.
func (f *fence) solveDay(row *dayRow) {
	obs := make([]line.Observation, len(f.tracks))
	for i := range obs {
		obs[i] = line.Observation{Volts: row.Level[i], SD: daySD}
	}
	if !f.Learnt && len(f.Troubles) == 0 {
		if g, _, err := f.diag.est.LearnGains(obs); err == nil {
			f.Gains, f.Learnt = g, true
		}
	}
	for i := range obs {
		obs[i].Volts /= f.Gains[i]
	}
	p := f.net.WidePrior()
	if est, err := f.diag.est.Estimate(obs, p); err == nil {
		row.Leak = est.Leak
	}
}

// daySD is how well a day's level is known: noise averages out over a thousand readings, weather does not.
const daySD = 0.006

// trimmed starts the growth of a zone (or of all, for an energizer or the site) afresh.
func (f *fence) trimmed(s farm.Source) {
	for z := range f.net.Zones {
		if s == farm.Site || s == f.energizer.Source() || s == f.net.Zones[z].Source() {
			f.Days.Fresh[z] = f.w.state.Now
		}
	}
}

// restrung learns the fence again from its next whole day.
func (f *fence) restrung(s farm.Source) {
	for z := range f.net.Zones {
		if s == farm.Site || s == f.energizer.Source() || s == f.net.Zones[z].Source() {
			f.Learnt = false
			f.Days.Fresh[z] = f.w.state.Now
		}
	}
}

// noticeTrims finds from the data that growth was cut: a zone's level is well up on the days before.
func (f *fence) noticeTrims() {
	rows := f.Days.Rows
	if len(rows) < 3 {
		return
	}
	last := rows[len(rows)-1]
	for z := range f.net.Zones {
		var before []float64
		for _, r := range rows[max(0, len(rows)-4) : len(rows)-1] {
			if r.Start >= f.Days.Fresh[z] && r.Level[z+1] > 0 {
				before = append(before, r.Level[z+1])
			}
		}
		if len(before) < 2 || last.Level[z+1] <= 0 {
			continue
		}
		if last.Level[z+1] > trimStep*slices.Max(before) {
			f.Days.Fresh[z] = last.Start
		}
	}
}

// trimStep is by how much a day's level must beat each of the last three before growth was cut.
const trimStep = 1.06

const (
	growthWindow  = 14   // days that the trend is taken over
	leastDays     = 4    // days that a trend needs
	growthHorizon = 21   // days ahead that a date is given for
	intervalShare = 0.90 // of forecasts that shall hold the day
)

// checkGrowth looks every midnight at each zone's trend.
func (f *fence) checkGrowth(now ms) {
	for z := range f.net.Zones {
		fc, ok := f.forecast(z)
		s := &f.Growths[z]
		switch {
		case ok && (s.up() || fc.days <= growthHorizon):
			s.Good = 0
			fd := f.growthFinding(z, fc)
			if s.up() {
				f.w.update(s, now, fd)
			} else {
				f.w.raise(s, now, fd)
			}
		case s.up():
			if s.Good++; s.Good >= 3 || f.Days.Fresh[z] > s.Raised {
				f.w.clear(s, now, fmt.Sprintf("%s is no longer losing to growth.", titled(f.net.Zones[z].Name)))
			}
		}
	}
}

// outlook is when a zone goes under its minimum, in days after the last closed day.
type outlook struct {
	from                   ms // start of the last closed day
	days, earliest, latest float64
	level                  float64
}

// forecast carries the trend of a zone's load forward to the day its level goes under. The load is u = open/level - 1,
// which on the ladder is proportional to leakage, to first order.
func (f *fence) forecast(z int) (outlook, bool) {
	rows := f.Days.Rows
	minimum := f.net.Zones[z].MinimumVolts
	if len(rows) == 0 || minimum <= 0 {
		return outlook{}, false
	}
	open := f.net.OpenVolts * f.Gains[z+1]
	last := rows[len(rows)-1]
	ts := rolling.NewTheilSen(growthWindow)
	n := 0
	for _, r := range rows[max(0, len(rows)-growthWindow):] {
		if r.Start < f.Days.Fresh[z] || r.Level[z+1] <= 0 {
			continue
		}
		ts.Add(float64(r.Start-last.Start)/86_400_000, open/r.Level[z+1]-1)
		n++
	}
	if n < leastDays {
		return outlook{}, false
	}
	tr, ok := ts.Fit(intervalShare, rolling.Interpolated)
	if !ok || tr.Slope <= 0 {
		return outlook{}, false
	}
	if last.Level[z+1] > 0 && last.Level[z+1] < minimum {
		return outlook{from: last.Start, level: last.Level[z+1]}, true
	}
	at, lo, hi, ok := tr.Crossing(open/minimum - 1)
	if !ok || math.IsInf(hi, 0) || hi > 60 {
		return outlook{}, false
	}
	return outlook{from: last.Start, days: at, earliest: lo, latest: hi, level: last.Level[z+1]}, true
}
