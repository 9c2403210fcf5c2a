package detect_test

import (
	"encoding/json"
	"os"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim/scenario"
)

// watchSeason runs a season through a fresh watch and returns what it said.
func watchSeason(t testing.TB, s *scenario.Scenario, low lows) (events []alerts.Event, messages int) {
	t.Helper()
	run, err := s.Sim()
	if err != nil {
		t.Fatal(err)
	}
	w, err := detect.New(detect.Options{Farm: s.Farm()})
	if err != nil {
		t.Fatal(err)
	}
	ids := sensorsByTopic(s.Farm())
	names := map[pulse.SensorID]string{}
	for _, z := range s.Farm().Zones {
		names[detect.SensorID(s.Farm(), z.Source())] = z.Name
	}
	for m := range run.Messages() {
		messages++
		if r, ok := reading(t, ids[m.Topic], m.Payload, m.At); ok {
			low.note(s.Farm(), names, &r)
			events = append(events, w.Observe(r)...)
		}
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

// reading reads the simulator's payloads: the default JSON or a bare number.
func reading(t testing.TB, id pulse.SensorID, payload []byte, arrived time.Time) (pulse.Reading, bool) {
	t.Helper()
	var raw any
	if err := json.Unmarshal(payload, &raw); err != nil {
		t.Fatalf("payload %q: %v", payload, err)
	}
	r := pulse.Reading{Sensor: id, Arrived: arrived.UTC().Truncate(time.Millisecond)}
	r.At = r.Arrived
	fields, ok := raw.(map[string]any)
	if !ok {
		fields = map[string]any{"kv": raw}
	}
	for key, v := range fields {
		if s, ok := v.(string); ok && key == "t" {
			at, err := time.Parse(time.RFC3339Nano, s)
			if err != nil {
				t.Fatal(err)
			}
			r.At = pulse.Stamp(at, r.Arrived)
			continue
		}
		n, ok := v.(float64)
		if !ok {
			continue
		}
		switch key {
		case "kv":
			r.Set(pulse.Volts, n*1000)
		case "v":
			r.Set(pulse.Volts, n)
		case "pulses":
			r.Set(pulse.Pulses, n)
		case "interval_ms":
			r.Set(pulse.IntervalMS, n)
		case "supply_v":
			r.Set(pulse.SupplyVolts, n)
		case "earth_kv":
			r.Set(pulse.EarthVolts, n*1000)
		case "battery_v":
			r.Set(pulse.BatteryVolts, n)
		case "rssi":
			r.Set(pulse.RSSI, n)
		case "seq":
			r.Set(pulse.Seq, n)
		case "t":
			if n > 1e11 {
				n /= 1000
			}
			r.At = pulse.Stamp(time.UnixMilli(int64(n*1000)), r.Arrived)
		}
	}
	return r, !r.Empty()
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
	events, n := watchSeason(t, s, lows{})
	t.Log(n, "messages")
	for _, e := range events {
		t.Log(e.Time.Format("01-02 15:04:05"), e.Kind, e.ID, e.Source, e.Condition, e.Cause, e.Priority, e.Zones, "|", e.Text, e.Evidence)
	}
}
