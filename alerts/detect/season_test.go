package detect_test

import (
	"os"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/decode"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim/scenario"
)

// watchSeason runs a season through a fresh watch and returns what it said.
func watchSeason(t testing.TB, s *scenario.Scenario, limits detect.Limits, low lows, naive *generalRule) (events []alerts.Event, messages int) {
	t.Helper()
	run, err := s.Sim()
	if err != nil {
		t.Fatal(err)
	}
	w, err := detect.New(detect.Options{Farm: s.Farm(), Limits: limits})
	if err != nil {
		t.Fatal(err)
	}
	ids := sensorsByTopic(s.Farm())
	names := map[pulse.SensorID]string{}
	for _, z := range s.Farm().Zones {
		names[detect.SensorID(s.Farm(), z.Source())] = z.Name
	}
	d := plain(t)
	for m := range run.Messages() {
		messages++
		r, _ := reading(t, d, ids[m.Topic], m.Payload, m.At)
		low.note(s.Farm(), names, &r)
		naive.observe(&r)
		events = append(events, w.Observe(r)...)
	}
	return events, messages
}

func sensorsByTopic(f *farm.Farm) map[string]pulse.SensorID {
	ids := map[string]pulse.SensorID{}
	for i := range f.Energizers {
		ids[f.Energizers[i].Sensor.Topic] = detect.SensorID(f, f.Energizers[i].Source())
	}
	for i := range f.Zones {
		ids[f.Zones[i].Sensor.Topic] = detect.SensorID(f, f.Zones[i].Source())
	}
	return ids
}

// plain reads the simulator's payloads: the default JSON or a bare number.
func plain(t testing.TB) *decode.Decoder {
	t.Helper()
	d, err := decode.New(decode.Format{})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// reading reads one message of the simulator.
func reading(t testing.TB, d *decode.Decoder, id pulse.SensorID, payload []byte, arrived time.Time) (pulse.Reading, bool) {
	t.Helper()
	rs, err := d.Decode(id, payload, arrived, false)
	if err != nil {
		t.Fatalf("payload %q: %v", payload, err)
	}
	return rs[0], true
}

// TestShowSeason prints what a season says, for reading; name it in SEASON.
func TestShowSeason(t *testing.T) {
	name := os.Getenv("SEASON")
	if name == "" {
		t.Skip("skipped: set SEASON to a season's name to read it")
	}
	s, err := scenario.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range truth.Labels {
		t.Log("TRUTH ", l.From.Format("01-02 15:04"), l.To.Format("01-02 15:04"), l.String())
	}
	events, n := watchSeason(t, s, detect.DefaultLimits(), lows{}, newGeneralRule(s.Farm()))
	t.Log(n, "messages")
	for _, e := range events {
		t.Log(e.Time.Format("01-02 15:04:05"), e.Kind, e.ID, e.Source, e.Condition, e.Cause, e.Priority, e.Zones, "|", e.Text, e.Evidence)
	}
}
