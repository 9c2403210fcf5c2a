package notify

import (
	"testing"
	"time"

	"nightwire/ingest/farm"
)

// TestAwake has the nights on which clocks in Dublin change: 29 March 2026 at 01:00 UTC forward, 25 October 2026 at
// 01:00 UTC back (tz database).
func TestAwake(t *testing.T) {
	night := farm.Hours{From: 22 * 60, To: 7 * 60}
	for _, tt := range []struct {
		name    string
		quiet   farm.Hours
		morning int // minutes; 0 for 7:00
		at      string
		want    string
	}{
		{"by day at once", night, 0, "2026-04-21T12:00:10Z", "2026-04-21T12:00:10Z"},
		{"past midnight", night, 0, "2026-04-21T01:10:10Z", "2026-04-21T06:00:00Z"},
		{"before midnight", night, 0, "2026-04-20T22:10:00Z", "2026-04-21T06:00:00Z"},
		{"the last minute", night, 0, "2026-04-21T05:59:59Z", "2026-04-21T06:00:00Z"},
		{"the first moment after", night, 0, "2026-04-21T06:00:00Z", "2026-04-21T06:00:00Z"},
		{"never quiet", farm.Hours{}, 0, "2026-04-21T01:10:00Z", "2026-04-21T01:10:00Z"},
		{"up before the morning hour", farm.Hours{From: 22 * 60, To: 5 * 60}, 0, "2026-04-21T01:10:00Z", "2026-04-21T06:00:00Z"},
		{"an earlier morning hour", farm.Hours{From: 22 * 60, To: 5 * 60}, 4 * 60, "2026-04-21T01:10:00Z", "2026-04-21T04:00:00Z"},
		{"quiet by day", farm.Hours{From: 9 * 60, To: 17 * 60}, 0, "2026-04-21T09:00:00Z", "2026-04-21T16:00:00Z"},
		{"short night, clocks forward", night, 0, "2026-03-28T23:00:00Z", "2026-03-29T06:00:00Z"},
		{"long night, clocks back", night, 0, "2026-10-24T22:00:00Z", "2026-10-25T07:00:00Z"},
		{"ends in the hour that is skipped", farm.Hours{From: 22 * 60, To: 90}, 1, "2026-03-28T23:00:00Z", "2026-03-29T01:00:00Z"},
		{"ends in the hour that comes twice", farm.Hours{From: 22 * 60, To: 90}, 1, "2026-10-24T22:00:00Z", "2026-10-25T00:30:00Z"},
		{"never awake is told after a day", farm.Hours{From: 0, To: 24 * 60}, 0, "2026-04-21T01:10:00Z", "2026-04-22T03:10:00Z"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg := testConfig(t)
			cfg.Morning = tt.morning
			cfg, err := cfg.withDefaults()
			if err != nil {
				t.Fatal(err)
			}
			got := cfg.awake(farm.Person{Quiet: tt.quiet}, parse(t, tt.at))
			if !got.Equal(parse(t, tt.want)) {
				t.Errorf("got %s, want %s", got.UTC().Format(time.RFC3339), tt.want)
			}
		})
	}
}

func TestRound(t *testing.T) {
	for _, tt := range []struct {
		name    string
		evening int
		at      string
		want    string
	}{
		{"this evening", 19 * 60, "2026-04-21T12:00:10Z", "2026-04-21T18:00:00Z"},
		{"at the moment itself it is tomorrow's", 19 * 60, "2026-04-21T18:00:00Z", "2026-04-22T18:00:00Z"},
		{"tomorrow", 19 * 60, "2026-04-21T18:00:01Z", "2026-04-22T18:00:00Z"},
		{"over the change to winter", 19 * 60, "2026-10-24T18:30:00Z", "2026-10-25T19:00:00Z"},
		{"in the hour that is skipped", 90, "2026-03-28T23:00:00Z", "2026-03-29T01:00:00Z"},
		{"just before midnight", 23*60 + 59, "2026-04-21T12:00:00Z", "2026-04-21T22:59:00Z"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg := testConfig(t)
			cfg.Evening = tt.evening
			cfg, err := cfg.withDefaults()
			if err != nil {
				t.Fatal(err)
			}
			if got := cfg.round(parse(t, tt.at)); !got.Equal(parse(t, tt.want)) {
				t.Errorf("got %s, want %s", got.UTC().Format(time.RFC3339), tt.want)
			}
		})
	}
}

func parse(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func TestConfigRefuses(t *testing.T) {
	if _, err := NewPlanner(Config{}); err == nil {
		t.Error("a config without a farm was taken")
	}
	cfg := testConfig(t)
	cfg.RepeatEvery = time.Second
	if _, err := NewPlanner(cfg); err == nil {
		t.Error("repeating every second was taken")
	}
}
