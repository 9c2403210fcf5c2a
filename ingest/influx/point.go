package influx

import (
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"nightwire/ingest/pulse"
)

// The names beside those of the fields.
const (
	tagSensor = "sensor"  // the whole name, which is unique
	tagFarm   = "farm"    // its first part, for dashboards of one farm
	lateField = "late_ms" // how long after it was measured a reading arrived; left out when at once
)

// point makes the point of a reading; nil when it carries nothing.
func point(measurement string, r *pulse.Reading) *write.Point {
	p := write.NewPointWithMeasurement(measurement).SetTime(r.At)
	farm, _, _ := strings.Cut(string(r.Sensor), "/")
	p.AddTag(tagFarm, farm).AddTag(tagSensor, string(r.Sensor))
	for f := range pulse.NumFields {
		if v, ok := r.Get(f); ok {
			p.AddField(f.String(), v)
		}
	}
	if len(p.FieldList()) == 0 {
		return nil
	}
	if late := r.Arrived.Sub(r.At); late != 0 && !r.Arrived.IsZero() {
		p.AddField(lateField, float64(late.Milliseconds()))
	}
	return p
}

// gathered makes readings of values that come field by field.
type gathered struct {
	sensor pulse.SensorID
	by     map[int64]*pulse.Reading // by time in milliseconds
}

func newGathered(sensor pulse.SensorID) *gathered {
	return &gathered{sensor: sensor, by: map[int64]*pulse.Reading{}}
}

// set adds the value of a field. A field that we do not write is somebody else's.
func (g *gathered) set(ms int64, field string, v float64) {
	r := g.by[ms]
	if r == nil {
		at := time.UnixMilli(ms).UTC()
		r = &pulse.Reading{Sensor: g.sensor, At: at, Arrived: at}
		g.by[ms] = r
	}
	if field == lateField {
		r.Arrived = r.At.Add(time.Duration(v) * time.Millisecond)
		return
	}
	if f, ok := fieldOf(field); ok {
		r.Set(f, v)
	}
}

func fieldOf(name string) (pulse.Field, bool) {
	for f := range pulse.NumFields {
		if f.String() == name {
			return f, true
		}
	}
	return 0, false
}
