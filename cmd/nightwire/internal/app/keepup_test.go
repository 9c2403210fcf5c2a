package app

import (
	"errors"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
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
			case tt.want != "" && (!errors.Is(err, ErrWhen) || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "\nhint: ")):
				t.Errorf("got %v, want %q and a hint", err, tt.want)
			}
		})
	}
}
