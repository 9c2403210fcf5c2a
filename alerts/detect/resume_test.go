package detect_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

func TestResumeForgivesTheTimeWhenNobodyListened(t *testing.T) {
	f := &farm.Farm{Name: "test", Energizers: []farm.Energizer{{Name: "shed", OpenVolts: 8000, SourceOhms: 350}}}
	for _, name := range []string{"a", "b", "c"} {
		f.Zones = append(f.Zones, farm.Zone{Name: name, FedBy: "shed", LengthM: 200, OhmsPerKM: 4000, MinimumVolts: 2000,
			Sensor: farm.Sensor{Topic: name, Every: time.Minute}})
	}
	w, err := detect.New(detect.Options{Farm: f})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	report := func(at time.Time) (events []alerts.Event) {
		for i := range f.Zones {
			r := pulse.Reading{Sensor: detect.SensorID(f, f.Zones[i].Source()), At: at, Arrived: at}
			r.Set(pulse.Volts, 7000)
			events = append(events, w.Observe(r)...)
		}
		return events
	}
	for m := range 60 {
		report(start.Add(time.Duration(m) * time.Minute))
	}
	back := start.Add(9 * time.Hour) // an hour of reports, then eight hours of nobody there to hear them
	w.Resume(back)
	if got := append(w.Tick(back.Add(30*time.Second)), report(back.Add(time.Minute))...); len(got) != 0 {
		t.Errorf("said %s of the time when nobody listened", got[0].Text)
	}
	// From then on silence counts again.
	if got := w.Tick(back.Add(time.Hour)); len(got) != 1 || got[0].Cause != alerts.LinkLost {
		t.Errorf("said %v after an hour of silence, want that the link is lost", got)
	}
}

// mixedPeriods are sensors that report every minute, a to c, beside slow ones, and which of them stop.
var mixedPeriods = []struct {
	name   string
	every  []time.Duration
	stops  string
	causes []alerts.Cause
	within time.Duration
}{
	{"all stop", []time.Duration{time.Minute, time.Minute, time.Minute, 15 * time.Minute, 15 * time.Minute}, "abcde",
		[]alerts.Cause{alerts.LinkLost}, 15 * time.Minute},
	{"all stop, most are slow", []time.Duration{time.Minute, time.Minute, 15 * time.Minute, 15 * time.Minute, 15 * time.Minute}, "abcde",
		[]alerts.Cause{alerts.LinkLost}, 35 * time.Minute},
	{"one stops while others talk", []time.Duration{time.Minute, time.Minute, time.Minute, 15 * time.Minute, 15 * time.Minute}, "a",
		[]alerts.Cause{alerts.SensorSilent}, 15 * time.Minute},
	{"two stop while a third talks", []time.Duration{time.Minute, time.Minute, time.Minute, 15 * time.Minute, 15 * time.Minute}, "ab",
		[]alerts.Cause{alerts.SensorSilent, alerts.SensorSilent}, 15 * time.Minute},
	{"the only fast one stops", []time.Duration{time.Minute, 15 * time.Minute, 15 * time.Minute}, "a",
		[]alerts.Cause{alerts.SensorSilent}, 15 * time.Minute},
}

func TestLinkLostBesideSlowSensors(t *testing.T) {
	for _, tt := range mixedPeriods {
		t.Run(tt.name, func(t *testing.T) {
			f := &farm.Farm{Name: "test", Energizers: []farm.Energizer{{Name: "shed", OpenVolts: 8000, SourceOhms: 350}}}
			for i, every := range tt.every {
				name := string(rune('a' + i))
				f.Zones = append(f.Zones, farm.Zone{Name: name, FedBy: "shed", LengthM: 200, OhmsPerKM: 4000, MinimumVolts: 2000,
					Sensor: farm.Sensor{Topic: name, Every: every}})
			}
			w := newWatch(t, f)
			stop := start.Add(6*time.Hour + 7*time.Minute)
			var causes []alerts.Cause
			note := func(events []alerts.Event) {
				for _, e := range events {
					causes = append(causes, e.Cause)
					if late := e.Time.Sub(stop); late > tt.within {
						t.Errorf("told %s after %s, want within %s", e.Cause, late, tt.within)
					}
				}
			}
			for now := start; now.Before(stop.Add(2 * time.Hour)); now = now.Add(time.Minute) {
				note(w.Tick(now))
				for i := range f.Zones {
					z := &f.Zones[i]
					if now.Sub(start)%z.Sensor.Every != 0 || now.After(stop) && strings.Contains(tt.stops, z.Name) {
						continue
					}
					r := pulse.Reading{Sensor: detect.SensorID(f, z.Source()), At: now, Arrived: now}
					r.Set(pulse.Volts, 7000+10*float64(now.Minute()%3))
					note(w.Observe(r))
				}
			}
			if diff := cmp.Diff(tt.causes, causes); diff != "" {
				t.Errorf("told (-want +got):\n%s", diff)
			}
		})
	}
}
