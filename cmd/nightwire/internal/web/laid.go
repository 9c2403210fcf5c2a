package web

import (
	"slices"
	"time"

	"nightwire/ingest/farm"
)

// History is shown by the layout of its day: the zones that stood then, and what each needed.

// minimums returns what a zone needed over time, oldest first.
func (o *Overview) minimums(z Zone) []farm.Minimum { return minimumsOf(o.Layouts, z) }

func minimumsOf(h farm.History, z Zone) []farm.Minimum {
	if m := h.Minimums(z.Name); len(m) > 0 {
		return m
	}
	return []farm.Minimum{{Volts: z.MinimumKV * 1000}}
}

// minimumAt returns what a zone needed at a time, in volts.
func (o *Overview) minimumAt(z Zone, t time.Time) float64 {
	if len(o.Layouts) == 0 {
		return z.MinimumKV * 1000
	}
	return o.Layouts.MinimumAt(z.Name, t)
}

// neededIn returns what a zone needed within a stretch of time, in volts, each once and in order.
func (o *Overview) neededIn(z Zone, s Span) []float64 {
	var out []float64
	for _, m := range minimumsOf(o.Layouts.Within(s.From, s.To), z) {
		if m.Volts > 0 && !slices.Contains(out, m.Volts) {
			out = append(out, m.Volts)
		}
	}
	return out
}

// neededSince returns since when a zone needs what it does, where that changed within its drawn day; else zero.
func (o *Overview) neededSince(z Zone) time.Time {
	if k := len(o.Layouts); k < 2 || o.Layouts[k-1].From.Before(z.Spark.From) {
		return time.Time{} // most times: nothing to look up for any of many zones
	}
	all := o.minimums(z)
	return all[len(all)-1].From
}

// zonesIn returns the zones that stood at any time of a stretch: those of today in their order, then those that are
// gone.
func (o *Overview) zonesIn(s Span) []Zone {
	if len(o.Layouts) == 0 {
		return o.Zones
	}
	var out []Zone
	for _, z := range slices.Concat(o.Zones, o.Gone) {
		if o.stoodIn(z.Source, s) {
			out = append(out, z)
		}
	}
	return out
}

// stoodIn reports whether an energizer or zone stood at any time of a stretch.
func (o *Overview) stoodIn(src farm.Source, s Span) bool {
	return len(o.Layouts) == 0 || slices.ContainsFunc(o.Layouts.Within(s.From, s.To), func(d farm.Dated) bool { return slices.Contains(d.Sources(), src) })
}
