package detect_test

import (
	"testing"
	"time"

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
