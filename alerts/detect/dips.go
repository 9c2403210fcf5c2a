package detect

import (
	"math"

	"nightwire/alerts"
)

// episodes remembers when the fence dipped and recovered. A contact that comes and goes shows as dips too short to
// agree with each other; so does a sensor with the odd wild reading, and only the fence's own record tells how many
// are too many.
type episodes struct {
	Times [32]ms
	N     int
	Rate  float64 // dips an hour, as a rule
	Last  ms
}

const (
	usualDips   = 0.2  // an hour, until the fence has a record; common practice, no source
	dipSurprise = 1e-6 // chance of so many dips in a window that counts as a fault
	dipWindow   = 60   // minutes, or thirty reporting periods where that is longer
)

func (e *episodes) window(f *fence) ms { return max(dipWindow*60_000, 30*f.longest()) }

// calmAfter is how long there must be no dip before a flapping contact counts as mended.
func (e *episodes) calmAfter(f *fence) ms { return e.window(f) * 3 / 2 }

// end notes that a fault has ended, which is the end of a dip too.
func (e *episodes) end(f *fence, now ms) { e.add(f, now) }

func (e *episodes) add(f *fence, now ms) bool {
	if e.N > 0 && now-e.Last < f.longest()*3/2 {
		e.Last = now // the same dip, seen by another sensor
		return false
	}
	e.Times[e.N%len(e.Times)] = now
	e.N++
	e.Last = now
	return true
}

// recent counts the dips within the window.
func (e *episodes) recent(f *fence, now ms) int {
	n := 0
	for i := range min(e.N, len(e.Times)) {
		if now-e.Times[i] <= e.window(f) {
			n++
		}
	}
	return n
}

// note takes in that a sensor's dip is over, and tells when there have been too many.
func (e *episodes) note(f *fence, t *track, now ms) {
	if !e.add(f, now) {
		return
	}
	for _, in := range f.Troubles {
		if in.Cause == alerts.CauseIntermittent {
			in.Quiet = now
			return
		}
	}
	hours := float64(e.window(f)) / 3_600_000
	rate := math.Max(usualDips, e.Rate) * hours
	n := e.recent(f, now)
	if poissonTail(n, rate) > dipSurprise {
		return
	}
	f.flapping(t, now)
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

// flapping raises, or turns an open incident into, a fault that comes and goes.
func (f *fence) flapping(t *track, now ms) {
	zone := f.whereItDips(t)
	for _, in := range f.Troubles {
		if !in.Slow && in.Cause != alerts.Open && in.Cause != alerts.EnergizerOff {
			before := in.S.Finding
			in.Cause, in.Quiet, in.Settled = alerts.CauseIntermittent, now, true
			f.tellChange(in, before, now)
			return
		}
	}
	in := &incident{Cause: alerts.CauseIntermittent, Zone: zone, Settled: true, Quiet: now, Members: []member{{Node: zone + 1, Before: t.Level, Least: 1}}}
	f.Troubles = append(f.Troubles, in)
	f.w.raise(&in.S, now, f.finding(in))
}

// whereItDips holds the dips that each sensor has seen against the circuit.
func (f *fence) whereItDips(t *track) int {
	before := make([]float64, len(f.tracks))
	for i, o := range f.tracks {
		if o == nil || o.Level <= 0 || o.Gone {
			continue
		}
		before[i] = o.Level
		keep := o.Since
		defer func() { o.Since = keep }()
		o.Since = o.Dips
		for k := range o.Since.Vals {
			o.Since.Vals[k] *= o.Level
		}
		if o.Dips.N == 0 {
			o.Since.add(o.Level)
		}
	}
	v := f.diag.diagnose(before)
	if v.zone >= 0 {
		return v.zone
	}
	return max(t.node-1, 0)
}
