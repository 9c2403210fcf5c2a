package influx

import (
	"strings"
	"testing"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"nightwire/ingest/pulse"
)

// What stands behind an address's host may be a secret, and is in no error.
func TestErrorsHideTheAddress(t *testing.T) {
	c, err := New(Config{URL: "http://127.0.0.1:9/hush-path?hush-query", Bucket: "fence"})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	r := pulse.Reading{Sensor: "alder-bank/zone/brook", At: at, Arrived: at}
	r.Set(pulse.Volts, 6400)
	err = c.writePoints(t.Context(), []*write.Point{point("fence", &r)})
	if err == nil || strings.Contains(err.Error(), "hush") || !strings.Contains(err.Error(), "127.0.0.1:9") {
		t.Errorf("writing says: %v", err)
	}
	for _, err := range c.Readings(t.Context(), r.Sensor, at, at.Add(time.Hour)) {
		if err == nil || strings.Contains(err.Error(), "hush") || !strings.Contains(err.Error(), "127.0.0.1:9") {
			t.Errorf("reading says: %v", err)
		}
	}
}
