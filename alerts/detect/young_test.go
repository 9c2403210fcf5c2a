package detect_test

import (
	"fmt"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// TestDeadInTheFirstMinutes: a fence that has only just been fitted out wakes its keeper for the zone that dies, with the
// second report of it, whatever the energizer's output does in those minutes.
func TestDeadInTheFirstMinutes(t *testing.T) {
	for _, before := range []int{3, 4, 6, 10} {
		for sway := range 7 {
			t.Run(fmt.Sprintf("after %d reports, sway %d", before, sway), func(t *testing.T) {
				events := youngRow(t, before, 2, sway)
				if len(events) != 1 {
					t.Fatalf("%d events, want 1 alarm with the second dead report: %+v", len(events), events)
				}
				e := events[0]
				if e.Source != "zone/z9" || e.Condition != alerts.Dead || e.Cause != alerts.Open || e.Priority != alerts.High {
					t.Errorf("%s is %s by %s, %s; want zone/z9 dead by %s, high", e.Source, e.Condition, e.Cause, e.Priority, alerts.Open)
				}
			})
		}
	}
}

// youngRow has ten zones one behind the other report once a minute, the last dead after so many reports of all, and
// returns what was said. The energizer's output creeps up by 10 V a minute and falls back every seventh, from sway on.
func youngRow(t *testing.T, before, dead, sway int) (out []alerts.Event) {
	t.Helper()
	const zones = 10
	f := &farm.Farm{Name: "alder-bank", Location: time.UTC, Energizers: []farm.Energizer{{Name: "cartshed", OpenVolts: 8000, SourceOhms: 350, EarthOhms: 60,
		PulseEvery: 1300 * time.Millisecond, Sensor: farm.Sensor{Topic: "cartshed", Every: time.Minute}}}}
	ids := []pulse.SensorID{detect.SensorID(f, f.Energizers[0].Source())}
	feeds := "cartshed"
	for z := range zones {
		name := fmt.Sprintf("z%d", z)
		f.Zones = append(f.Zones, farm.Zone{Name: name, FedBy: feeds, LengthM: 100, OhmsPerKM: 400, Stock: "pigs", MinimumVolts: 2500,
			Sensor: farm.Sensor{Topic: name, Every: time.Minute}})
		ids, feeds = append(ids, detect.SensorID(f, f.Zones[z].Source())), name
	}
	w := newWatch(t, f)
	for round := range before + dead {
		for i, id := range ids {
			v := 7800 - 100*float64(i)
			if i == 0 {
				v = 7900
			}
			v += float64(10 * ((round + sway) % 7))
			if i == zones && round >= before {
				v = 0
			}
			r := pulse.Reading{Sensor: id, At: start.Add(time.Duration(round)*time.Minute + time.Duration(i)*time.Second)}
			r.Arrived = r.At
			r.Set(pulse.Volts, v)
			out = append(out, w.Observe(r)...)
		}
	}
	return out
}
