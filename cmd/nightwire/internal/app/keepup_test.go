package app

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
)

// TestWhenItCanHaveBeen refuses what is yet to come, and trims from before the season.
func TestWhenItCanHaveBeen(t *testing.T) {
	now := time.Date(2026, 8, 20, 17, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name string
		kind alerts.ActionKind
		on   time.Time
		want string
	}{
		{"not stated", alerts.Trimmed, time.Time{}, ""},
		{"noon of today", alerts.Trimmed, now.Add(-5 * time.Hour), ""},
		{"this minute, by a form without seconds", alerts.Trimmed, now.Add(30 * time.Second), ""},
		{"yet to come", alerts.Trimmed, now.Add(2 * time.Hour), "20 August 2026, 19:00 is yet to come"},
		{"a note yet to come", alerts.Note, now.AddDate(0, 0, 1), "is yet to come"},
		{"last year", alerts.Trimmed, now.AddDate(-1, 0, 0), "20 August 2025, 17:00 is before this season"},
		{"strung anew last year", alerts.Restrung, now.AddDate(-1, 0, 0), "is before this season"},
		{"a note of last year", alerts.Note, now.AddDate(-1, 0, 0), ""},
		{"insulators of last year", alerts.Done, now.AddDate(-1, 0, 0), ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			err := checkWhen(alerts.Action{Kind: tt.kind, On: tt.on}, now, time.UTC)
			switch {
			case tt.want == "" && err != nil:
				t.Errorf("refused: %v", err)
			case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "\nhint: ")):
				t.Errorf("got %v, want %q and a hint", err, tt.want)
			}
		})
	}
}

// TestUpkeepIsToldOfItsWeek has a stretch tell of the upkeep that was done in it: on the sheet, at the fence it was done
// to, and in the letter.
func TestUpkeepIsToldOfItsWeek(t *testing.T) {
	n := newNight(Options{Log: slog.New(slog.DiscardHandler), Now: time.Now}, parse(t, refedFarm))
	var err error
	if n.journal, err = journal.Open(t.Context(), journal.Options{}); err != nil {
		t.Fatal(err)
	}
	defer n.journal.Close()
	day := func(d int) time.Time { return time.Date(2026, 5, d, 12, 0, 0, 0, time.UTC) }
	abroad := time.FixedZone("", 3600)
	acts := []alerts.Action{
		{Time: day(5), Kind: alerts.Done, Source: farm.Site, Task: "walk", By: "Ann", Note: "a post leans."},
		{Time: day(6), Kind: alerts.Done, Source: "energizer/shed", Task: "earth-test", Earth: &alerts.EarthTest{StakeVolts: 180, FenceVolts: 1400}},
		{Time: day(6), Kind: alerts.Done, Source: farm.Site, Task: "spares", On: day(2)}, // told in this week, done before
		{Time: day(12), Kind: alerts.Trimmed, Source: farm.Site, On: day(7).In(abroad)},  // the other way round
	}
	if err := n.journal.Record(t.Context(), alerts.Step{Actions: acts}); err != nil {
		t.Fatal(err)
	}
	span := web.Span{From: day(4), To: day(11)}
	trim := web.Mark{At: day(7), Kind: web.MarkTrimmed}
	for source, want := range map[farm.Source][]web.Mark{
		farm.Site:        {{At: day(5), Kind: web.MarkDone, By: "Ann", Text: "walk the line; a post leans."}, trim},
		"energizer/shed": {{At: day(6), Kind: web.MarkDone, Text: "test the earth stakes, 180 V on them"}, trim},
		"zone/brook":     {trim},
	} {
		got, err := n.Marks(t.Context(), source, span)
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("%s: %v (-want +got)\n%s", source, err, diff)
		}
	}
	want := []string{"Tue 12:00: upkeep of the farm, by Ann: walk the line; a post leans.",
		"Wed 12:00: upkeep of shed: test the earth stakes, 180 V on them.", "Thu 12:00: trimmed the farm."}
	if diff := cmp.Diff(want, n.weekDone(acts, span.From)); diff != "" {
		t.Errorf("the letter (-want +got)\n%s", diff)
	}
}
