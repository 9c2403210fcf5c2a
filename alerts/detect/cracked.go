package detect

import (
	"cmp"
	"math"
	"slices"

	"nightwire/alerts"
	"nightwire/alerts/line"
)

// A cracked insulator carries nothing while it is dry and tracks to earth when it is wet. Growth leaks more when wet too, and
// so does a whole fence. But growth takes weeks to come, and what it does on a wet night is little more than what it did on
// the wet nights before; a crack comes at a stroke, and from the next wet on one zone alone answers many times as strongly.
// So in the wet the fence is held against its wettest hours of the last days.

// Judgements; common practice, no source.
const (
	wetNights     = 6 // back from which the fence is known when wet
	leastNights   = 3
	leastSensors  = 3       // known both of the night and now, under which nothing can be told apart
	trackLooks    = 4       // in a row, where no zone is under its minimum: a shower on one zone has spread or dried by then
	nightsApart   = 0.3     // standard deviation of the logarithm of what one leakage does by itself from one wet to the next
	timesAsMuch   = 2.0     // as the zone leaks beside it, at the least, when wet
	dryBeside     = -1.0    // logarithm of the leakages against such a night, under which the fence is dry and nothing tracks
	noWetFor      = 5 * day // after which an alarm ends that no wet has borne out, nor any shown to be over
	stillTracking = 2 * 60 * 60_000

	// byChance is how much better any path explains dry hours that have none, squared standard deviations: its ohms are
	// free to choose, and they fit the noise.
	byChance = 1.0
)

// cracked holds levels against the last wet nights. It returns what one zone's path to earth that only the wet makes
// would be, with the night that it was held against, and whether that is the better answer than all else, than wet
// growth by enough.
func (f *fence) cracked(levels []float64, enough float64, now ms) (v verdict, night dayRow, sure bool) {
	w := &f.diag.weigher
	night, least, ok := w.nightAgainst(levels, enough, now)
	if !ok {
		return v, night, false
	}
	w.holdAgainst(night, levels, now)
	v = w.tracking()
	if v.cause != alerts.Short || v.dry < enough || v.margin < leastMargin || v.worst > unexplained || v.wet < dryBeside {
		return v, night, false
	}
	if weak, weighed := w.least[alerts.EnergizerWeak]; weighed && weak < v.score+sourceSure {
		return v, night, false // in the first metres the two look alike
	}
	p := w.prior
	p.Fault = v.fault
	est, err := f.diag.est.Weigh(f.diag.obs, p)
	if err != nil || timesAsMuch*est.Leak[v.zone]*v.fault.Ohms >= 1 {
		return v, night, false
	}
	sign := 0.0
	if least > v.score+leastMargin && w.wetBeside(v, night, levels, now) {
		sign = byChance // on no night was it so: the wet has brought it
	}
	return v, night, !w.dryToo(v, night, sign, now)
}

// wetBeside reports whether the fence leaks twice as much beside the path of v as in the driest hours of the night's day.
func (w *weigher) wetBeside(v verdict, night dayRow, levels []float64, now ms) bool {
	if !w.holdAgainst(dayRow{Start: night.Start, Night: night.Dry}, levels, now) {
		return false
	}
	p := w.prior
	p.Fault = v.fault
	est, err := w.d.est.Weigh(w.d.obs, p)
	return err == nil && est.Wet-est.WetSD > math.Ln2
}

// dryToo reports whether the driest hours of the last day, against those of the night's, are better explained with some
// of the path to earth of v than without, and by enough: growth is there in the dry too. Where weather explains the wet
// as of some night since, growth has had the time to come, and the least sign of it counts.
func (w *weigher) dryToo(v verdict, night dayRow, enough float64, now ms) bool {
	rows := w.d.f.Days.Rows
	last := rows[len(rows)-1]
	if last.Start == night.Start || !w.holdAgainst(dayRow{Start: night.Start, Night: night.Dry}, last.Dry, now) {
		return false
	}
	return w.leastWith(v.fault, 1, 20)+enough < w.score(w.prior)
}

// nightAgainst returns the wet night to hold levels against: one that explains them better than most, for what tracks
// may have been there on some of them, and how badly the one does that explains them best. It is false where too few
// are known, or where weather explains the levels but for enough.
func (w *weigher) nightAgainst(levels []float64, enough float64, now ms) (night dayRow, least float64, ok bool) {
	type known struct {
		dayRow
		score float64
	}
	var nights []known
	rows := w.d.f.Days.Rows
	for _, r := range rows[max(0, len(rows)-wetNights):] {
		if w.holdAgainst(r, levels, now) {
			nights = append(nights, known{r, w.score(w.prior)})
		}
	}
	if len(nights) < leastNights {
		return dayRow{}, 0, false
	}
	slices.SortFunc(nights, func(a, b known) int { return cmp.Compare(a.score, b.score) })
	n := nights[len(nights)/3]
	return n.dayRow, nights[0].score, n.score >= enough
}

// holdAgainst makes ready to weigh levels against those of a wet night, and reports whether most sensors are known of both.
func (w *weigher) holdAgainst(night dayRow, levels []float64, now ms) bool {
	d := w.d
	n := w.hold(night.Night, levels, d.f.prior(nil))
	ago := min(max(now-night.Start-day, 0), growsApart)
	w.prior = line.Prior{State: d.base, LeakSpread: math.Hypot(nightsApart, ownPerDay*float64(ago)/day), WetSpread: dewSpread}
	return 2*n > len(d.f.tracks) && n >= leastSensors
}

// tracking returns the likeliest cause of what the fence shows against a wet night.
func (w *weigher) tracking() verdict {
	w.consider(w.prior, verdict{cause: alerts.Vegetation, zone: -1, sensor: -1}, costWet)
	for z := range w.d.f.net.Zones {
		w.series(z)
	}
	w.paths()
	p := w.prior
	p.OpenSpread = openSpread
	if est, err := w.d.est.Weigh(w.d.obs, p); err == nil && est.OpenVolts < p.State.OpenVolts {
		w.consider(p, verdict{cause: alerts.EnergizerWeak, zone: -1, sensor: -1}, costWeak)
	}
	for _, k := range [3]float64{1.25, 1.6, 2.5} { // poor stakes take more the more a wet fence draws
		p := w.prior
		p.State.SourceOhms *= k
		w.consider(p, verdict{cause: alerts.PoorEarth, zone: -1, sensor: -1}, costEarth)
	}
	w.sensors()
	return w.verdict()
}

// paths weighs a path to earth in each zone: with few ohms in its middle first, then closely in the two that fit best.
func (w *weigher) paths() {
	zones := w.d.f.net.Zones
	depth := make([]float64, len(zones))
	near := make([]float64, len(zones))
	for z, zone := range zones {
		if zone.Parent >= 0 {
			depth[z] = depth[zone.Parent] + 0.1 // of two zones that fit alike, walk the nearer first
		}
		near[z] = math.Inf(1)
		for ohms := 80.0; ohms < 10_000; ohms *= 2.56 {
			near[z] = min(near[z], w.score(w.path(z, 0.5, ohms))+depth[z])
		}
	}
	for range min(2, len(zones)) {
		z := slices.Index(near, slices.Min(near))
		near[z] = math.Inf(1)
		for part := 0.0; part <= 1; part += 0.25 {
			for ohms := 50.0; ohms < 10_000; ohms *= 1.6 {
				w.consider(w.path(z, part, ohms), verdict{cause: alerts.Short, zone: z, sensor: -1}, costShunt+depth[z])
			}
		}
	}
}

// path takes a path to earth of so many ohms to be there.
func (w *weigher) path(z int, part, ohms float64) line.Prior {
	p := w.prior
	p.Fault = line.Fault{Kind: line.Shunt, Zone: z, AtM: part * w.d.f.net.Zones[z].LengthM, Ohms: ohms}
	return p
}

// presentLevels gives the levels of the sensors that can be believed, and of those that show something odd what they show.
func (f *fence) presentLevels() []float64 {
	levels := f.levels()
	for i, t := range f.tracks {
		if levels[i] > 0 && f.Suspect.Open && t.Since.N > 0 {
			levels[i] = t.Since.latest()
		}
	}
	return levels
}

// tracking returns the open incident of a zone that tracks when wet.
func (f *fence) tracking() *incident {
	return f.trouble(func(in *incident) bool { return in.Tracks })
}

// tracksNow reports whether something that tracks when wet is why the fence is down, and tells of it. Where t is not nil, its
// zone is newly under its minimum.
func (f *fence) tracksNow(t *track, now ms) bool {
	if in := f.tracking(); in != nil {
		if !in.shows(f, now) {
			return false
		}
		in.Quiet = now
		if t != nil {
			in.join(f, t, now)
		}
		return true
	}
	d, levels := f.diag, f.presentLevels()
	if now == d.asked && slices.Equal(levels, d.askedOf) {
		return false // as of the zone before, that is low from the same moment on
	}
	v, night, sure := f.cracked(levels, f.w.limits.Wet, now)
	if d.asked, d.askedOf = now, levels; sure {
		f.tellTrack(v, night, t, now)
	}
	return sure
}

// tellTrack begins the incident of a zone that tracks when wet. It is told with t's zone, or with its own where t is nil.
func (f *fence) tellTrack(v verdict, night dayRow, t *track, now ms) {
	if t == nil {
		t = f.tracks[v.zone+1]
	}
	in := &incident{}
	if t != nil {
		in.Members = append(in.Members, lowered(t))
	}
	in.crack(f, v, night, now)
	f.begin(in, now)
}

// crack makes of in what v says of a zone that tracks when wet, as it did not in the night before. Zones that were told
// of since then as low with growth were its first sign. Where growth had its own zone under before, that alarm is put
// right: a zone is low but once, and more than growth is wrong there now.
func (in *incident) crack(f *fence, v verdict, night dayRow, now ms) {
	in.Cause, in.Zone, in.Slow, in.Tracks, in.Settled, in.Quiet = alerts.Short, v.zone, true, true, true, now
	in.Placed, in.Shift, in.Alike, in.Doubt = false, false, false, 0
	in.Fault, in.Ohms, in.Profile, in.Since, in.Wet = v.fault, v.fault.Ohms, slices.Clone(night.Night), night.Start, v.wet
	f.takeUnder(in, f.net.Zones[in.Zone].Name+" that pulls it down when wet", now, func(o *incident) bool {
		return now-o.S.Raised <= day || o.Zone == in.Zone
	})
}

// turnTracking says of a path to earth that proved to be of the wet that it tracks, where the fence at its lowest shows that,
// and reports whether it did.
func (f *fence) turnTracking(in *incident, now ms) bool {
	if in.Zone < 0 || f.tracking() != nil {
		return false
	}
	levels := f.presentLevels()
	for _, m := range in.Members {
		if levels[m.Node] > 0 && m.Before > 0 && m.Least < affected {
			levels[m.Node] = m.Before * m.Least
		}
	}
	v, night, sure := f.cracked(levels, f.w.limits.Wet, now)
	if !sure {
		return false
	}
	before := in.S.Finding
	if f.Suspect.Open {
		f.acceptWeather()
	}
	in.crack(f, v, night, now)
	f.tellChange(in, before, now)
	return true
}

// trackWeight is what the present levels say of a zone that tracks when wet.
type trackWeight struct {
	there float64 // by how much they are better explained with the path to earth than without
	told  float64 // the same of one that carries at least half of what it did when it was told
	worst float64 // how far off the worst sensor is with it, squared standard deviations
	wet   bool    // the fence is as wet as in the night that it was held against, and as when it was told
}

// weighTrack holds the present levels against the wet night that in was held against.
func (in *incident) weighTrack(f *fence, now ms) trackWeight {
	w := &f.diag.weigher
	if !w.holdAgainst(dayRow{Start: in.Since, Night: in.Profile}, f.presentLevels(), now) {
		return trackWeight{}
	}
	var out trackWeight
	least, told := math.Inf(1), math.Inf(1)
	for k := 0.25; k < 10; k *= 2 { // the wetter, the fewer ohms
		p := w.prior
		p.Fault = in.Fault
		p.Fault.Ohms *= k
		est, err := f.diag.est.Weigh(f.diag.obs, p)
		if err != nil {
			continue
		}
		score := est.Misfit + est.Strain
		if score < least {
			least, out.worst, out.wet = score, est.Worst, est.Wet-est.WetSD > max(0, in.Wet)
		}
		if k <= 2 {
			told = min(told, score)
		}
	}
	without := w.score(w.prior)
	out.there, out.told = without-least, without-told
	return out
}

// shows reports whether the path to earth of in is there just now.
func (in *incident) shows(f *fence, now ms) bool {
	w := in.weighTrack(f, now)
	return w.there > costShunt && w.worst <= unexplained
}

// isWhy reports whether a sudden change, for which v is the answer, is of what tracks: a shower may wet it within
// minutes, and leaves it some ohms. Where next to nothing is left of what it had left, a wire has come down.
func (in *incident) isWhy(f *fence, v verdict, now ms) bool {
	if v.cause == alerts.Open || v.ofEnergizer() || !f.rainMay() {
		return false
	}
	return v.cause == alerts.Short && v.zone == in.Zone || in.shows(f, now)
}

// followTrack looks, in quiet, whether the zone that tracks when wet still does, which dry hours say nothing of, or whether
// one has begun to.
func (f *fence) followTrack(now ms) {
	in := f.tracking()
	if in == nil {
		f.seekTrack(now)
		return
	}
	switch w := in.weighTrack(f, now); {
	case w.there > costShunt:
		in.Doubt, in.Quiet = 0, now
	case w.wet:
		in.Doubt += max(0, min(-w.told, doubtAtOnce))
	}
}

// seekTrack looks for a zone that tracks when wet and takes none under its minimum, and tells of it once it has stayed.
func (f *fence) seekTrack(now ms) {
	c := &f.Shift.Track
	if f.atFault() || f.Suspect.Open || f.energizerTrouble() || !f.lowerThanOfLate() {
		*c = candidate{}
		return
	}
	v, night, sure := f.cracked(f.presentLevels(), f.w.limits.Shift, now)
	if !sure || c.Looks > 0 && c.Zone != v.zone {
		*c = candidate{}
		return
	}
	c.Zone = v.zone
	if c.Looks++; c.Looks >= trackLooks {
		*c = candidate{}
		f.tellTrack(v, night, nil, now)
	}
}

// lowerThanOfLate reports whether some sensor shows less than on any of the last nights.
func (f *fence) lowerThanOfLate() bool {
	rows := f.Days.Rows[max(0, len(f.Days.Rows)-wetNights):]
	for i := range f.tracks {
		v, least := f.level(i), math.Inf(1)
		for _, r := range rows {
			if r.Night[i] > 0 {
				least = min(least, r.Night[i])
			}
		}
		if v > 0 && !math.IsInf(least, 1) && v < (1-shiftLeast)*least {
			return true
		}
	}
	return false
}
