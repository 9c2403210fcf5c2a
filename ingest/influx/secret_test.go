package influx

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"nightwire/ingest/pulse"
)

// What stands behind an address's host may be a secret, as the token is, and is in no error: not when nobody answers, nor
// when a server repeats what it was asked.
func TestErrorsHideTheAddress(t *testing.T) {
	repeats := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, r.URL.String()+" is not for "+r.Header.Get("Authorization"), http.StatusForbidden)
	}))
	t.Cleanup(repeats.Close)
	for _, tt := range []struct {
		name, server string
		query        Language
	}{
		{"away", "http://127.0.0.1:9", Flux}, {"repeats", repeats.URL, Flux}, {"repeats to Prometheus' queries", repeats.URL, PromQL},
	} {
		t.Run(tt.name, func(t *testing.T) {
			checkHidden(t, Config{URL: tt.server + "/hush-path?hush-query", Token: "hush-token", Bucket: "fence", Query: tt.query})
		})
	}
}

func checkHidden(t *testing.T, cfg Config) {
	t.Helper()
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	r := pulse.Reading{Sensor: "alder-bank/zone/brook", At: at, Arrived: at}
	r.Set(pulse.Volts, 6400)
	err = c.writePoints(t.Context(), []*write.Point{point("fence", &r)})
	if err == nil || strings.Contains(err.Error(), "hush") || !strings.Contains(err.Error(), "127.0.0.1:") {
		t.Errorf("writing says: %v", err)
	}
	for _, err := range c.Readings(t.Context(), r.Sensor, at, at.Add(time.Hour)) {
		if err == nil || strings.Contains(err.Error(), "hush") || !strings.Contains(err.Error(), "127.0.0.1:") {
			t.Errorf("reading says: %v", err)
		}
	}
}
