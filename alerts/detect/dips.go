package detect

import (
	"math"

	"nightwire/alerts"
)

// episodes remembers when a sensor dipped and recovered. A contact that comes and goes shows as dips too short to
// agree with each other; so do stock that lean on the wire, and a sensor with the odd wild reading. Only the sensor's
// own record tells how many are too many.
type episodes struct {
	Times [24]ms
	N     int
	Rate  float64 // dips an hour, as a rule
	Today int
}

const (
	usualDips   = 0.4         // an hour, until there is a record; common practice, no source
	dipSurprise = 1e-6        // chance of so many dips in a window that counts as a fault
	dipWindow   = 60 * 60_000 // or thirty reporting periods where that is longer
	busyHours   = 2.0         // stock lean on the wire by day, which doubles the day's mean
)

// window is over how long a sensor's dips are counted.
func (t *track) window() ms { return max(dipWindow, 30*t.every) }

// dipped notes that a dip is over, and reports whether there have been too many of late.
func (t *track) dipped(now ms) bool {
	e := &t.Dipped
	e.Times[e.N%len(e.Times)] = now
	e.N++
	e.Today++
	recent := 0
	for i := range min(e.N, len(e.Times)) {
		if now-e.Times[i] <= t.window() {
			recent++
		}
	}
	mean := math.Max(usualDips, e.Rate*busyHours) * float64(t.window()) / 3_600_000
	return poissonTail(recent, mean) < dipSurprise
}

// closeDay takes the day's dips into the record.
func (e *episodes) closeDay() {
	e.Rate += (float64(e.Today)/24 - e.Rate) * 0.3
	e.Today = 0
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

// dipOver takes in that a sensor's dip is over, and tells when there have been too many.
func (f *fence) dipOver(t *track, now ms) {
	tooMany := t.dipped(now)
	for _, in := range f.Troubles {
		if in.Cause == alerts.CauseIntermittent {
			in.Quiet = now
			return
		}
	}
	if tooMany {
		f.flapping(t, now)
	}
}

// flapping raises, or turns an open incident into, a fault that comes and goes.
func (f *fence) flapping(t *track, now ms) {
	for _, in := range f.Troubles {
		if !in.Slow && in.Cause != alerts.Open && in.Cause != alerts.EnergizerOff {
			f.nowFlaps(in, now)
			return
		}
	}
	zone := f.whereItDips(max(t.node-1, 0))
	in := &incident{Cause: alerts.CauseIntermittent, Zone: zone, Settled: true, Quiet: now, Profile: make([]float64, len(f.tracks)), Members: []member{{Node: zone + 1, Before: t.Level, Least: 1}}}
	f.begin(in, now)
}

// nowFlaps says that a fault which seemed to stay comes and goes.
func (f *fence) nowFlaps(in *incident, now ms) {
	before := in.S.Finding
	in.Cause, in.Quiet, in.Settled = alerts.CauseIntermittent, now, true
	if in.Zone >= 0 {
		in.Zone = f.whereItDips(in.Zone) // what was seen at one moment may have been half a touch
	}
	f.tellChange(in, before, now)
	if f.Suspect.For == in.S.ID {
		f.closeSuspicion()
	}
}

// whereItDips holds the dips that each sensor has seen against the circuit and returns the zone they come from, or
// else when they do not tell.
func (f *fence) whereItDips(otherwise int) int {
	before := make([]float64, len(f.tracks))
	kept := make([]since, len(f.tracks))
	for i, o := range f.tracks {
		if o == nil {
			continue
		}
		kept[i] = o.Since
		o.Since = o.Dips
		if o.Level <= 0 || o.Gone {
			continue
		}
		before[i] = o.Level
		for k := range o.Since.Vals {
			o.Since.Vals[k] *= o.Level
		}
		if o.Dips.N == 0 {
			o.Since.add(o.Level)
		}
	}
	v := f.diag.diagnose(before)
	for i, o := range f.tracks {
		if o != nil {
			o.Since = kept[i]
		}
	}
	if v.zone >= 0 {
		return v.zone
	}
	return otherwise
}
