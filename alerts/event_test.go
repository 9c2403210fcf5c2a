package alerts

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/farm"
)

func TestEventAsJSON(t *testing.T) {
	e := Event{ID: "x", Time: time.Date(2026, 4, 21, 2, 10, 0, 5e6, time.FixedZone("IST", 3600)), Kind: Raised, Finding: Finding{
		Source: "zone/brook", Condition: Dead, Cause: Short, Priority: High, Zones: []string{"hazel"}, KV: new(0.0), DistanceM: new(120.0), Text: "Dead."}}
	got, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	// A reading of 0 kV is a reading, and must not be left out.
	want := `{"id":"x","time":"2026-04-21T01:10:00.005Z","event":"raised","source":"zone/brook","condition":"dead","cause":"short",` +
		`"priority":"high","zones":["hazel"],"kv":0,"distance_m":120,"text":"Dead."}`
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	var back Event
	if err := json.Unmarshal(got, &back); err != nil {
		t.Fatal(err)
	}
	e.Time = e.Time.UTC()
	if diff := cmp.Diff(e, back); diff != "" {
		t.Errorf("read back (-want +got):\n%s", diff)
	}
}

// TestFindingAsJSON holds the keys by which receivers know what else a fault may be, where else, and the zone that it
// takes down.
func TestFindingAsJSON(t *testing.T) {
	f := Finding{Source: "zone/brook", Condition: Low, Cause: Short, Priority: High, KV: new(3.3), Worst: "lane", WorstKV: new(0.0),
		Or: EnergizerWeak, OrZones: []string{"hazel"}, WhenWet: true,
		Again: []time.Time{time.Date(2026, 4, 20, 2, 10, 0, 0, time.UTC)}, Dried: true, Text: "Low."}
	got, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	want := `{"source":"zone/brook","condition":"low","cause":"short","priority":"high","kv":3.3,"worst_zone":"lane","worst_kv":0,` +
		`"or_cause":"energizer-weak","or_zones":["hazel"],"when_wet":true,"again":["2026-04-20T02:10:00Z"],"dried":true,"text":"Low."}`
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	var back Finding
	if err := json.Unmarshal(got, &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(f, back); diff != "" {
		t.Errorf("read back (-want +got):\n%s", diff)
	}
}

func TestAlarmID(t *testing.T) {
	raised := time.Date(2026, 4, 21, 2, 10, 0, 5e8, time.FixedZone("IST", 3600))
	for _, tt := range []struct {
		name   string
		source farm.Source
		c      Condition
		want   string
	}{
		{"a zone", farm.ZoneSource("brook"), Dead, "20260421T011000Z-brook-dead"},
		{"an energizer", farm.EnergizerSource("cartshed"), Off, "20260421T011000Z-cartshed-off"},
		{"the farm", farm.Site, Silent, "20260421T011000Z-site-silent"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := AlarmID(raised, tt.source, tt.c); got != tt.want {
				t.Errorf("got %s, want %s", got, tt.want)
			}
		})
	}
}

func TestPriority(t *testing.T) {
	for _, p := range []Priority{LowPriority, Medium, High} {
		text, err := p.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back Priority
		if err := back.UnmarshalText(text); err != nil || back != p {
			t.Errorf("%s came back as %s, %v", text, back, err)
		}
	}
	if !(LowPriority < Medium && Medium < High) {
		t.Error("priorities are out of order")
	}
	var p Priority
	if err := p.UnmarshalText([]byte("urgent")); err == nil {
		t.Error("urgent is no priority, and was taken")
	}
	if got := Priority(9).String(); got != "priority(9)" {
		t.Errorf("got %s", got)
	}
}
