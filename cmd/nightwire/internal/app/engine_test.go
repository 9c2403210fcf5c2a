package app

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
)

// A move is heard of again at its end, as of a fence strung anew, in order with what comes between.
func TestMoveEndsAsRestrung(t *testing.T) {
	cfg, err := config.Parse("farm.yaml", []byte(smallFarm))
	if err != nil {
		t.Fatal(err)
	}
	e, err := newEngine(cfg)
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC)
	for _, a := range []alerts.Action{
		{Time: from, Kind: alerts.OutOfService, Source: "zone/hazel", Until: from.Add(2 * time.Hour), Move: true},
		{Time: from.Add(time.Hour), Kind: alerts.OutOfService, Source: "zone/brook", Until: from.Add(3 * time.Hour)},
		{Time: from.Add(time.Hour), Kind: alerts.Trimmed, Source: "zone/brook"},
	} {
		if _, err := e.act(a); err != nil {
			t.Fatal(err)
		}
	}
	var got []string
	for _, a := range e.tells {
		got = append(got, a.Time.Format("15:04")+" "+string(a.Kind)+" "+string(a.Source))
	}
	want := []string{"09:00 out_of_service zone/hazel", "10:00 out_of_service zone/brook", "10:00 trimmed zone/brook", "11:00 restrung zone/hazel"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("what the detectors will hear (-want +got):\n%s", diff)
	}
}
