package app

import (
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/pulse"
)

// A program reads the metrics by its token, and nobody without one.
func TestMetricsToken(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"password": "a long horse", "token": "sesame"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg, err := config.Parse(filepath.Join(dir, "farm.yaml"), []byte(smallFarm+"broker: {listen: \"127.0.0.1:0\"}\n"+
		"page: {listen: \"127.0.0.1:0\", password_file: password, metrics_token_file: token}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if err := cfg.ReadSecrets(); err != nil {
		t.Fatal(err)
	}
	live, _ := startLive(t, cfg, t.TempDir(), &handClock{at: start})
	at := wait(t, live.addresses)
	for token, want := range map[string]int{"": http.StatusUnauthorized, "barley": http.StatusUnauthorized, "sesame": http.StatusOK} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, at.Page+"metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("token %q: %s, want %d", token, resp.Status, want)
		}
	}
}

// In a demo the page's time is the newest reading's while those after it are on their way; else it is the clock's.
func TestShownTime(t *testing.T) {
	for _, tt := range []struct {
		name  string
		speed float64
		late  time.Duration
		want  time.Duration // before now
	}{
		{"live", 1, 90 * time.Second, 0},
		{"demo", 7200, 5 * time.Minute, 5 * time.Minute},
		{"demo that hears nothing", 7200, 5 * time.Hour, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			n := newNight(Options{Now: func() time.Time { return start }, Speed: tt.speed}, parse(t, smallFarm))
			n.note(pulse.Reading{Sensor: "test-bank/zone/hazel", At: start.Add(-tt.late)})
			if got := start.Sub(n.shown()); got != tt.want {
				t.Errorf("shows %v before now, want %v", got, tt.want)
			}
		})
	}
}
