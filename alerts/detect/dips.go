package detect

import (
	"math"

	"nightwire/alerts"
)

// episodes remembers when a sensor dipped and recovered. A contact that comes and goes shows as dips too short to
// agree with each other; so do stock that lean on the wire, and a sensor with the odd wild reading. They are told apart
// by how many there are against the sensor's own record, by how long they last, and by how like each other they are:
// one contact takes the same off the wire each time, and an animal leans wherever it stands.
type episodes struct {
	Times  [24]ms
	Lasted [24]ms      // from a dip's first reading to its last
	Deep   [24]float64 // logarithm of the load that it put on the fence, against what was there; 0 unknown
	N      int
	Rate   float64 // dips an hour, as a rule
	Longs  float64 // and of those that lasted
	Today  int
	Long   int // of today's, how many lasted
}

// Judgements; common practice, no source.
const (
	usualDips   = 0.4         // an hour, until there is a record, seen by a sensor that reports each minute
	usualLongs  = 0.02        // an hour, longer than stock lean: somebody works at the fence
	dipSurprise = 13.8        // natural logarithm of how unlikely dips must be, to count as a fault: one in a million
	dipWindow   = 60 * 60_000 // or thirty reporting periods where that is longer
	dipsWithin  = day         // the longest that dips are looked at together
	busyHours   = 2.0         // stock lean on the wire by day, which doubles the day's mean
	oneContact  = 0.2         // standard deviation of the logarithm of what one contact takes, from touch to touch
	manyPlaces  = 0.6         // and of what leans here and there
	fewDips     = 3           // that say how alike they are
	shallow     = 4.0         // standard deviations under the level at which a reading is low, while others dip
)

// dipWindows are over how many windows a sensor's dips are counted: the wind may touch twenty times an hour, or three.
var dipWindows = [...]ms{1, 3, 8}

// window is over how long a sensor's dips are counted at the least.
func (t *track) window() ms { return max(dipWindow, 30*t.every) }

// dips notes what share of the level a reading has that was low. What is too old to be of the same contact is let go.
func (t *track) dips(ratio float64, at ms) {
	if at-t.DipsAt > t.manyWindows(len(dipWindows)-1) {
		t.Dips, t.DipsOf = since{}, since{}
	}
	t.Dips.add(ratio)
	t.DipsOf.add(t.Level)
	t.DipsAt = at
}

func (t *track) manyWindows(i int) ms {
	return min(dipWindows[i]*t.window(), max(t.window(), dipsWithin))
}

// dipped notes that a dip is over which lasted so long.
func (t *track) dipped(now, lasted ms) {
	e := &t.Dipped
	k := e.N % len(e.Times)
	e.Times[k], e.Lasted[k], e.Deep[k] = now, lasted, 0
	if r := t.Dips.newest(t.Bad); t.Bad > 0 && r > offRatio && r < 1 {
		e.Deep[k] = touchLoad(r)
	}
	e.N++
	e.Today++
	if lasted >= leaning {
		e.Long++
	}
}

// dipsTooOften reports whether there have been too many dips of t's sensor of late.
func (f *fence) dipsTooOften(t *track, now ms) bool {
	for i := range dipWindows {
		w := t.manyWindows(i)
		brief, long := t.dipsSurprise(now, w)
		alike := f.dipsAlike(now, w)
		if i > 0 && alike < 0 {
			brief = 0 // stock that were turned out today
		}
		odd := brief + long
		if odd+min(odd, max(0, alike)) > dipSurprise { // dips that are alike and as usual are usual
			return true
		}
	}
	return false
}

// dipsSurprise returns how unlikely so many dips within a window are by what the sensor is used to, as -ln of the chance:
// of the brief, and of those that lasted. The latter are none of stock's, and weather does not come and go within minutes.
func (t *track) dipsSurprise(now, window ms) (ofBrief, ofLong float64) {
	e := &t.Dipped
	brief, long := 0, 0
	for i := range min(e.N, len(e.Times)) {
		switch {
		case now-e.Times[i] > window:
		case e.Lasted[i] >= leaning:
			long++
		default:
			brief++
		}
	}
	hours := float64(window) / 3_600_000
	usual := usualDips * math.Sqrt(60_000/math.Max(float64(t.every), quickSensor)) // a slow sensor sees fewer, though not in proportion: stock come in bouts
	return surprise(brief, math.Max(usual, e.Rate*busyHours)*hours), surprise(long, math.Max(usualLongs, e.Longs*busyHours)*hours)
}

// dipsAlike returns how much likelier the dips within a window are from one contact than from what leans here and there,
// in the logarithm: negative where they are not, 0 where nothing can be said. They must look so to every sensor: far from
// what leans, the ohms of the wire in between make all of it look alike.
func (f *fence) dipsAlike(now, window ms) float64 {
	least := math.Inf(1)
	for _, t := range f.tracks[1:] { // the energizer stands furthest from what leans
		if t == nil {
			continue
		}
		e, n, sum, square := &t.Dipped, 0.0, 0.0, 0.0
		for i, d := range e.Deep[:min(e.N, len(e.Deep))] {
			if d != 0 && now-e.Times[i] <= window {
				n, sum, square = n+1, sum+d, square+d*d
			}
		}
		if n >= fewDips {
			apart := (square - sum*sum/n) / 2
			least = min(least, (n-1)*math.Log(manyPlaces/oneContact)-apart*(1/(oneContact*oneContact)-1/(manyPlaces*manyPlaces)))
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return least
}

// surprise returns -ln of the chance of n or more where mean are expected.
func surprise(n int, mean float64) float64 { return -math.Log(math.Max(poissonTail(n, mean), 1e-15)) }

// since reports whether a dip was over at or after from.
func (e *episodes) since(from ms) bool {
	return e.N > 0 && e.Times[(e.N-1)%len(e.Times)] >= from
}

// closeDay takes the day's dips into the record.
func (e *episodes) closeDay() {
	e.Rate += (float64(e.Today)/24 - e.Rate) * 0.3
	e.Longs += (float64(e.Long)/24 - e.Longs) * 0.3
	e.Today, e.Long = 0, 0
}

// poissonTail returns the chance of n or more where mean are expected.
func poissonTail(n int, mean float64) float64 {
	term, below := math.Exp(-mean), 0.0
	for k := range n {
		below += term
		term *= mean / float64(k+1)
	}
	return math.Max(0, 1-below)
}

// calmAfter is how long there must be no dip before a flapping contact counts as mended: the wind may drop for an hour.
func (f *fence) calmAfter() ms { return max(calm, 45*f.longest()) }

const calm = 4 * 60 * 60_000 // common practice, no source

// dipOver takes in that a sensor's dip is over, whose last reading is stamped last, and tells when there have been too
// many. What touches a wire lets go of all of it: what is but a little less low is yet low, and crosses the limit of
// what is odd by its noise.
func (f *fence) dipOver(t *track, last, now ms) {
	if t.LastVal < t.Level*(1+t.Dips.newest(t.Bad))/2 {
		return
	}
	t.dipped(now, last-t.FellAt)
	if in := f.flappingNow(); in != nil {
		in.Quiet = now
		in.Dips++
		if in.Dips >= 4 && in.Dips&(in.Dips-1) == 0 { // twice as many say better where
			f.nowFlaps(in, now)
		}
		return
	}
	if f.dipsTooOften(t, now) {
		f.flapping(t, now)
	}
}

// flapping raises, or turns an open incident into, a fault that comes and goes.
func (f *fence) flapping(t *track, now ms) {
	for _, in := range f.Troubles {
		if !in.Slow && in.Zone >= 0 && in.Cause != alerts.Open { // the wire's: what touches one zone is not why all are low
			f.nowFlaps(in, now)
			return
		}
	}
	in := &incident{Cause: alerts.CauseIntermittent, Settled: true, Quiet: now, Profile: make([]float64, len(f.tracks))}
	in.Zone, in.Also = f.whereItDips(max(t.node-1, 0), in.Profile, 0)
	in.Members = f.dipping(in.Zone)
	f.begin(in, now)
}

// nowFlaps says that a fault which seemed to stay comes and goes.
func (f *fence) nowFlaps(in *incident, now ms) {
	before, sure := in.S.Finding, 0.0
	if in.Cause == alerts.CauseIntermittent {
		sure = leastMargin // nobody is sent elsewhere for little
	}
	in.Cause, in.Quiet, in.Settled = alerts.CauseIntermittent, now, true
	if was := in.Zone; was >= 0 {
		in.Zone, in.Also = f.whereItDips(was, in.Profile, sure) // what was seen at one moment may have been half a touch
		if in.Zone != was && len(in.Members) == 1 && in.Members[0].Node == was+1 {
			in.Members = f.dipping(in.Zone)
		}
	}
	f.tellChange(in, before, now)
	if f.Suspect.For == in.S.ID {
		f.closeSuspicion()
	}
}

// dipping returns a zone as one that dips from its level by what its sensor has seen, none where there is no sensor: that
// the dips stop is what ends the fault, and every sensor shows them.
func (f *fence) dipping(zone int) []member {
	t := f.tracks[zone+1]
	if t == nil {
		return nil
	}
	m := member{Node: zone + 1, Before: t.Level, Least: affected, Well: true}
	if t.Dips.N > 0 {
		m.Least = min(m.Least, t.Dips.median())
	}
	return []member{m}
}

// lowBetween reports whether stock stand behind a zone that was under its minimum before in touched it and is between two
// touches, and no alarm of its own says so.
func (f *fence) lowBetween(in *incident) bool {
	return in.anyMember(func(m member) bool {
		t, minimum := f.tracks[m.Node], f.minimum(m.Node)
		if m.Node == 0 || t == nil || f.net.Zones[m.Node-1].Stock == "" || f.creptDown(m.Node) {
			return false
		}
		return m.Before > 0 && m.Before < minimum && t.Level < minimum
	})
}

func comesAndGoes(p alerts.Priority) string {
	if p == alerts.High {
		return "comes and goes, and a zone is too low in between"
	}
	return "comes and goes"
}
