package sim

import (
	"testing"
	"time"

	"nightwire/ingest/farm"
)

func sensorOn(topic string) farm.Sensor { return farm.Sensor{Topic: topic, Every: time.Minute} }

// alderBank is a farm of five zones in a tree behind one energizer.
func alderBank() *farm.Farm {
	f := &farm.Farm{Name: "alder-bank", Energizers: []farm.Energizer{{
		Name: "cartshed", Supply: farm.Battery, OpenVolts: 8200, SourceOhms: 350, EarthOhms: 60,
		PulseEvery: 1300 * time.Millisecond, Sensor: sensorOn("alder-bank/cartshed/output"),
	}}}
	for _, z := range []struct {
		name, fedBy string
		m           float64
	}{{"brook", "cartshed", 180}, {"hazel", "brook", 220}, {"lane", "hazel", 150}, {"orchard", "brook", 260}, {"spinney", "orchard", 200}} {
		f.Zones = append(f.Zones, farm.Zone{
			Name: z.name, FedBy: z.fedBy, LengthM: z.m, OhmsPerKM: 4000, Stock: "pigs", MinimumVolts: 2500,
			Sensor: sensorOn("alder-bank/" + z.name + "/kv"),
		})
	}
	return f
}

func may(day int) time.Time { return time.Date(2026, 5, day, 0, 0, 0, 0, time.UTC) }

func BenchmarkSeason(b *testing.B) {
	for b.Loop() {
		s, err := New(Options{Farm: alderBank(), Start: may(1), Length: 120 * 24 * time.Hour, Seed: 1})
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for range s.Messages() {
			n++
		}
		b.ReportMetric(float64(n), "messages")
	}
}

func TestMessagesComeInOrder(t *testing.T) {
	s, err := New(Options{Farm: alderBank(), Start: may(1), Length: 24 * time.Hour, Seed: 3,
		Sensors: map[farm.Source]Sensor{"": {Loss: 0.1, Jitter: 20 * time.Second, Duplicates: 0.05}}})
	if err != nil {
		t.Fatal(err)
	}
	var last time.Time
	n := 0
	for m := range s.Messages() {
		if m.At.Before(last) {
			t.Fatalf("message %d at %v comes after one at %v", n, m.At, last)
		}
		last = m.At
		n++
	}
	if n < 7000 || n > 9500 {
		t.Errorf("%d messages from six sensors in a day of minutes with a tenth lost, want about 8,200", n)
	}
}
