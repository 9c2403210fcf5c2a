// Package weather says what rain, drought, frost and snow mean for the fence: quiet hints for the page and the evening
// message, never an alarm. It is pure: what was measured and said comes in with the time, hints come out.
package weather

import (
	"slices"
	"time"

	"nightwire/alerts"
)

// Hour is what a station measured in one hour. Missing is not zero: what it did not measure is nil.
type Hour struct {
	From    time.Time
	RainMM  *float64 // that fell in the hour
	LowestC *float64
	MeanC   *float64
	SnowCM  *float64 // lying
	WindMS  *float64 // the strongest
}

// Record is the weather as far as it is known.
type Record struct {
	Hours []Hour          // by the station, in order of time
	Said  []alerts.Action // by people, those that are Weathered, in order of time
}

// Since is how far back a Record must go for its hints: a long drought is told by its length.
const Since = 60 * day

const day = 24 * time.Hour

// Spell is a stretch of rain.
type Spell struct {
	From, To time.Time
	MM       *float64 // nil when nobody measured it
}

// wetMM is the least rain in an hour that counts: a tip of the usual bucket is 0.2 mm (common practice, no source), and
// dew can give one.
const wetMM = 0.2

// Rain returns when it rained, in order, as measured and as said. Spells that touch are one.
func (r Record) Rain() []Spell {
	var all []Spell
	for _, h := range r.Hours {
		if h.RainMM != nil && *h.RainMM >= wetMM {
			mm := *h.RainMM
			all = append(all, Spell{h.From, h.From.Add(time.Hour), &mm})
		}
	}
	for _, w := range r.said(alerts.Rain) {
		all = append(all, Spell{w.From, w.To, w.RainMM})
	}
	slices.SortStableFunc(all, func(a, b Spell) int { return a.From.Compare(b.From) })
	var out []Spell
	for _, s := range all {
		k := len(out) - 1
		if k < 0 || s.From.After(out[k].To) {
			out = append(out, s)
			continue
		}
		if s.To.After(out[k].To) {
			out[k].To = s.To
		}
		out[k].MM = sum(out[k].MM, s.MM)
	}
	return out
}

// sum adds what is known.
func sum(a, b *float64) *float64 {
	if a == nil {
		return b
	}
	if b == nil {
		return a
	}
	v := *a + *b
	return &v
}

// said returns what people said of one kind of weather.
func (r Record) said(sky alerts.Sky) (out []alerts.Weather) {
	for _, a := range r.Said {
		if a.Weather != nil && a.Weather.Sky == sky {
			out = append(out, *a.Weather)
		}
	}
	return out
}

// RainMM returns how much rain fell from a time to another, and false where nobody measured any of that time.
func (r Record) RainMM(from, to time.Time) (mm float64, known bool) {
	for _, h := range r.Hours {
		if h.RainMM != nil && !h.From.Before(from) && h.From.Before(to) {
			mm, known = mm+*h.RainMM, true
		}
	}
	for _, w := range r.said(alerts.Rain) {
		if w.RainMM != nil && !w.From.Before(from) && w.From.Before(to) {
			mm, known = mm+*w.RainMM, true
		}
	}
	return mm, known
}
