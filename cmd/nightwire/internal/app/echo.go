package app

import (
	"slices"
	"time"

	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// echoes knows what each sensor that counts its messages said last. Radio networks hand on a message once for each
// gateway that heard it, and again when their own delivery was in doubt: the counter and the voltage are the same, the
// time often is not.
type echoes struct {
	within map[pulse.SensorID]time.Duration // half a reporting period: sooner a sensor has nothing new to say
	last   map[pulse.SensorID]pulse.Reading // the first of its kind
}

func newEchoes(f *farm.Farm) *echoes {
	e := &echoes{map[pulse.SensorID]time.Duration{}, map[pulse.SensorID]pulse.Reading{}}
	for _, src := range f.Layout().Sources() {
		e.within[detect.SensorID(f, src)] = reportsEvery(f, src) / 2
	}
	return e
}

// of reports whether r says again what an earlier reading said. The very same reading, time and all, is not its own
// echo: when storing failed it comes again, and whether it is there the store knows.
func (e *echoes) of(r *pulse.Reading, earlier pulse.Reading) bool {
	seq, counts := r.Get(pulse.Seq)
	before, counted := earlier.Get(pulse.Seq)
	volts, hasVolts := r.Get(pulse.Volts)
	were, hadVolts := earlier.Get(pulse.Volts)
	soon := e.within[r.Sensor]
	return counts && counted && seq == before && volts == were && hasVolts == hadVolts &&
		r.Arrived.Sub(earlier.Arrived) < soon && r.At.Sub(earlier.At).Abs() < soon && !r.At.Equal(earlier.At)
}

// drop returns rs without echoes, and leaves rs as it is. It remembers nothing: what is not stored yet may come again.
func (e *echoes) drop(rs []pulse.Reading) []pulse.Reading {
	out, found := rs, false // a copy once an echo was found
	var batch map[pulse.SensorID]pulse.Reading
	for i := range rs {
		r := &rs[i]
		last, ok := batch[r.Sensor]
		if !ok {
			last, ok = e.last[r.Sensor]
		}
		if ok && e.of(r, last) {
			if !found {
				out, found = slices.Clone(rs[:i]), true
			}
			continue
		}
		if found {
			out = append(out, *r)
		}
		if _, counts := r.Get(pulse.Seq); counts && len(rs) > 1 {
			if batch == nil {
				batch = map[pulse.SensorID]pulse.Reading{}
			}
			batch[r.Sensor] = *r
		}
	}
	return out
}

// note remembers readings that were stored.
func (e *echoes) note(rs []pulse.Reading) {
	for i := range rs {
		if _, counts := rs[i].Get(pulse.Seq); counts {
			e.last[rs[i].Sensor] = rs[i]
		}
	}
}
