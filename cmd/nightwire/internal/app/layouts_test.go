package app

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/cmd/nightwire/internal/config"
)

// relaidFarm is the small farm with hazel gone, brook lengthened and lane strung on.
const relaidFarm = `
farm: test-bank
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: 60s}}
zones:
  - {name: brook, fed_by: shed, length_m: 260, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/brook, every: 60s}}
  - {name: lane, fed_by: brook, length_m: 100, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/lane, every: 60s}}
broker: {listen: "127.0.0.1:0"}
page: {listen: "127.0.0.1:0"}
`

// playHours publishes readings of each minute.
func playHours(t *testing.T, live *liveRun, broker string, clock *handClock, from time.Time, minutes int, kv map[string]float64) {
	t.Helper()
	p, err := newPublisher(t.Context(), "mqtt://"+broker, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	for m := range minutes {
		clock.set(from.Add(time.Duration(m) * time.Minute))
		for _, name := range []string{"shed", "brook", "hazel", "lane"} {
			if v, ok := kv[name]; ok {
				if err := p.send(t.Context(), "test-bank/"+name, fmt.Appendf(nil, `{"kv": %.2f}`, v+0.02*float64(m%3-1))); err != nil {
					t.Fatal(err)
				}
				wait(t, live.arrived)
				wait(t, live.looked)
			}
		}
	}
	if err := p.close(); err != nil {
		t.Fatal(err)
	}
}

// TestLayoutsAreDated plays a night, lays the fence out otherwise by a reload, and plays on: with other voltages than
// before there is no alarm, the zone that is gone has its history, and each layout its date.
func TestLayoutsAreDated(t *testing.T) {
	before := parse(t, smallFarm+"broker: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\n")
	after := parse(t, relaidFarm)
	start := time.Date(2026, 5, 5, 8, 0, 0, 0, time.UTC)
	clock, data := &handClock{at: start}, t.TempDir()
	again := make(chan os.Signal, 1)
	live, stop := startLiveWith(t, before, data, clock, func(o *Options) {
		o.Again, o.Load = again, func() (*config.Config, error) { return after, nil }
	})
	at := wait(t, live.addresses)
	playHours(t, live, at.Broker, clock, start, 60, map[string]float64{"shed": 7.6, "brook": 7.3, "hazel": 7.1})
	moved := start.Add(time.Hour)
	clock.set(moved)
	again <- syscall.SIGHUP
	at = wait(t, live.addresses)
	playHours(t, live, at.Broker, clock, moved.Add(time.Minute), 60, map[string]float64{"shed": 6.4, "brook": 5.1, "lane": 4.6})

	page := func(path string) string {
		resp, err := http.Get(strings.TrimSuffix(at.Page, "/") + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Errorf("%s: %s, %v", path, resp.Status, err)
		}
		return string(text)
	}
	if text := page("/zone/hazel?from=2026-05-05T08:00&to=2026-05-05T09:00"); !strings.Contains(text, "hazel") {
		t.Error("the page of a zone that is gone does not name it")
	}
	stop()
	for _, e := range live.events {
		t.Errorf("an alarm for a fence that was only laid out otherwise: %s %s", e.Kind, e.Text)
	}
	h, err := Layouts(t.Context(), data)
	if err != nil || len(h) != 2 || !h[1].From.Equal(moved) {
		t.Fatalf("layouts are %+v, %v; want two, the second from %s", h, err, moved)
	}
	want := []string{"brook is 260 m long, not 200 m", "lane is new, 100 m fed by brook", "hazel is gone"}
	if diff := cmp.Diff(want, h[1].Changes(h[0].Layout)); diff != "" {
		t.Errorf("changes (-want +got):\n%s", diff)
	}
	if l, _ := h.At(start.Add(time.Minute)); l.Zones[0].LengthM != 200 {
		t.Errorf("on the first day brook was %g m, want 200", l.Zones[0].LengthM)
	}
	var csv bytes.Buffer
	if n, err := Export(t.Context(), ExportOptions{Config: after, DataDir: data, Source: "zone/hazel", Out: &csv}); err != nil || n.Readings != 60 {
		t.Errorf("%d readings of hazel, %v; want 60", n, err)
	}
}

// TestAlarmOfAFenceThatIsGone ends with its fence, and nobody is told that anything is well.
func TestAlarmOfAFenceThatIsGone(t *testing.T) {
	before, messages := hookedFarm(t)
	after := parse(t, relaidFarm)
	after.Farm.People, after.Channels = before.Farm.People, before.Channels
	start := time.Date(2026, 5, 5, 8, 0, 0, 0, time.UTC)
	clock, data := &handClock{at: start}, t.TempDir()
	again := make(chan os.Signal, 1)
	live, stop := startLiveWith(t, before, data, clock, func(o *Options) {
		o.Again, o.Load = again, func() (*config.Config, error) { return after, nil }
	})
	at := wait(t, live.addresses)
	playHours(t, live, at.Broker, clock, start, 40, map[string]float64{"shed": 7.6, "brook": 7.3, "hazel": 7.1})
	playHours(t, live, at.Broker, clock, start.Add(40*time.Minute), 8, map[string]float64{"shed": 7.7, "brook": 7.5, "hazel": 0.05})
	waitMessage(t, messages, "raised")
	clock.set(start.Add(49 * time.Minute))
	again <- syscall.SIGHUP
	wait(t, live.addresses)
	stop()
	j, err := journal.Open(t.Context(), journal.Options{Path: filepath.Join(data, storeFile)})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	open, err := j.Alarms(t.Context(), journal.Filter{OpenOnly: true})
	if err != nil || len(open) != 0 {
		t.Errorf("open are %+v, %v; want none: hazel is gone", open, err)
	}
	sent, err := j.Messages(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range sent {
		if m.Kind == alerts.TellReturned {
			t.Errorf("told as well: %s", m.Subject)
		}
	}
}
