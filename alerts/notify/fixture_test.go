package notify

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// dublin is the farm's zone in these tests: an hour ahead of UTC in summer.
func dublin(t testing.TB) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// clock reads "21 02:10" as that day and time of April 2026 in Dublin.
func clock(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.ParseInLocation("2006-01 2 15:04:05", "2026-04 "+s+":00", dublin(t))
	if len(s) > len("21 02:10") {
		at, err = time.ParseInLocation("2006-01 2 15:04:05", "2026-04 "+s, dublin(t))
	}
	if err != nil {
		t.Fatal(err)
	}
	return at.UTC()
}

func route(person string) []farm.Route {
	return []farm.Route{{Channel: "mail", Address: person + "@alder-bank.example"}}
}

// testConfig is alder-bank with Orla first, then Bram, then Fergus who is quiet at other hours.
func testConfig(t testing.TB) Config {
	return Config{Farm: &farm.Farm{
		Name: "alder-bank", Location: dublin(t),
		Energizers: []farm.Energizer{{Name: "cartshed", Supply: farm.Battery}, {Name: "mill", Supply: farm.Mains}},
		Zones: []farm.Zone{
			{Name: "brook", FedBy: "cartshed", LengthM: 180, Sensor: farm.Sensor{Topic: "brook/kv"}, Stock: "pigs", MinimumVolts: 2500, Marks: []farm.Mark{{AtM: 40, Name: "lower gate"}}},
			{Name: "hazel", FedBy: "brook", LengthM: 240, Sensor: farm.Sensor{Topic: "hazel/kv"}, Stock: "pigs", MinimumVolts: 2500},
			{Name: "lane", FedBy: "hazel", LengthM: 300, Sensor: farm.Sensor{Topic: "lane/kv"}, Stock: "sheep", MinimumVolts: 3000, Marks: []farm.Mark{{AtM: 250, Name: "old oak"}}},
		},
		People: []farm.Person{
			{Name: "Orla", Order: 1, Routes: route("orla"), Quiet: farm.Hours{From: 22 * 60, To: 7 * 60}},
			{Name: "Bram", Order: 2, Routes: route("bram"), Quiet: farm.Hours{From: 23 * 60, To: 6 * 60}},
			{Name: "Fergus", Order: 3, Routes: route("fergus"), Quiet: farm.Hours{From: 9 * 60, To: 17 * 60}},
			{Name: "Nobody", Order: 0},
		},
	}}
}

func newDesk(t testing.TB, cfg Config) *Desk {
	t.Helper()
	d, err := NewDesk(alerts.BookOptions{}, cfg)
	if err != nil {
		t.Fatal(err)
	}
	return d
}
