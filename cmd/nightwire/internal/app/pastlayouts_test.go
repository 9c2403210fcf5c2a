package app

import (
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/ingest/farm"
)

// refedFarm is the small farm with hazel fed by the energizer itself, and stock in it that want more.
const refedFarm = `
farm: test-bank
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: 60s}}
zones:
  - {name: brook, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/brook, every: 60s}}
  - {name: hazel, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, minimum_kv: 6, sensor: {topic: test-bank/hazel, every: 60s}}
broker: {listen: "127.0.0.1:0"}
page: {listen: "127.0.0.1:0"}
`

// TestPastIsShownByTheLayoutOfItsDay plays ten days with hazel behind brook at a minimum of 2 kV, feeds it anew and asks
// for 6 kV, and plays ten more at the same 5 kV: only the later ones were under.
func TestPastIsShownByTheLayoutOfItsDay(t *testing.T) {
	before := parse(t, smallFarm+"broker: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\n")
	after := parse(t, refedFarm)
	from := time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC) // a Monday
	clock, again := &handClock{at: from}, make(chan os.Signal, 1)
	live, stop := startLiveWith(t, before, t.TempDir(), clock, func(o *Options) {
		o.Again, o.Load = again, func() (*config.Config, error) { return after, nil }
	})
	play := func(at Addresses, from time.Time) {
		p, err := newPublisher(t.Context(), "mqtt://"+at.Broker, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		for h := 0; h < 10*24; h += 3 {
			clock.set(from.Add(time.Duration(h) * time.Hour))
			for name, kv := range map[string]float64{"shed": 5.6, "brook": 5.3, "hazel": 5.0} {
				if err := p.send(t.Context(), "test-bank/"+name, fmt.Appendf(nil, `{"kv": %.2f}`, kv+0.02*float64(h%2))); err != nil {
					t.Fatal(err)
				}
				wait(t, live.arrived)
				wait(t, live.looked)
			}
		}
		if err := p.close(); err != nil {
			t.Fatal(err)
		}
	}
	at := wait(t, live.addresses)
	play(at, from)
	changed := from.AddDate(0, 0, 10)
	clock.set(changed)
	again <- syscall.SIGHUP
	at = wait(t, live.addresses)
	play(at, changed)
	page := func(path string) string { return fetch(t, &http.Client{}, strings.TrimSuffix(at.Page, "/")+path, nil) }

	season := page("/zone/hazel?view=season")
	// Each piece is level: a place, and a way to the right.
	lows := regexp.MustCompile(`class="low" d="M([\d.]+) ([\d.]+)l([\d.]+) 0"`).FindAllStringSubmatch(season, -1)
	if len(lows) != 2 || lows[0][1] != "0" || lows[0][3] != lows[1][1] || lows[0][2] == lows[1][2] {
		t.Errorf("the minimum is drawn as %q, want a step", lows)
	}
	for _, want := range []string{"hazel is fed by shed, not brook", "hazel needs 6 kV, not 2 kV"} {
		if !strings.Contains(plain(season), want) {
			t.Errorf("the zone's page lacks %q", want)
		}
	}
	for date, bad := range map[string]bool{"2026-05-08": false, "2026-05-18": true} {
		if got := regexp.MustCompile(`<tr class="bad"><th scope="row">hazel`).MatchString(page("/night?date=" + date)); got != bad {
			t.Errorf("the night of %s shows hazel as under its minimum: %t, want %t", date, got, bad)
		}
	}
	if week := page("/week?date=2026-05-12"); !strings.Contains(week, "2.0 → 6.0") || strings.Count(week, `class="n bad"`) != 4 {
		t.Errorf("the week of the change has %d days under, want those from Thursday on: %s", strings.Count(week, `class="n bad"`), plain(week))
	}
	stop()
}

// TestTrimOfAWholeFence is one of each zone that the energizer fed then.
func TestTrimOfAWholeFence(t *testing.T) {
	n := newNight(Options{Log: slog.New(slog.DiscardHandler), Now: time.Now}, parse(t, refedFarm))
	was := n.cfg.Farm.Layout()
	was.Zones = was.Zones[:1]
	day := func(d int) time.Time { return time.Date(2026, 5, d, 12, 0, 0, 0, time.UTC) }
	n.layouts = farm.History{{From: day(1), Layout: was}, {From: day(10), Layout: n.cfg.Farm.Layout()}}
	for _, tt := range []struct {
		name string
		kind alerts.ActionKind
		at   farm.Source
		on   int
		zone farm.Source
		want bool
	}{
		{"the zone itself", alerts.Trimmed, "zone/brook", 12, "zone/brook", true},
		{"another zone", alerts.Trimmed, "zone/hazel", 12, "zone/brook", false},
		{"its fence", alerts.Trimmed, "energizer/shed", 12, "zone/hazel", true},
		{"its fence, before it was there", alerts.Trimmed, "energizer/shed", 5, "zone/hazel", false},
		{"the farm", alerts.Restrung, farm.Site, 12, "zone/hazel", true},
		{"the energizer itself", alerts.Trimmed, "energizer/shed", 12, "energizer/shed", true},
		{"a note on the energizer", alerts.Note, "energizer/shed", 12, "zone/hazel", false},
		{"no such energizer", alerts.Trimmed, "energizer/mill", 12, "zone/hazel", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := n.means(alerts.Action{Time: day(tt.on), Kind: tt.kind, Source: tt.at}, tt.zone); got != tt.want {
				t.Errorf("got %t, want %t", got, tt.want)
			}
		})
	}
}

// What is told of the past goes by the energizers of then.
func TestTextsGoByTheLayoutOfTheirDay(t *testing.T) {
	cfg := parse(t, refedFarm)
	day := func(n int) time.Time { return time.Date(2026, 5, n, 12, 0, 0, 0, time.UTC) }
	old := cfg.Farm.Layout()
	old.Energizers[0].Name, old.Energizers[0].OpenVolts = "mill", 5000
	old.Zones[0].FedBy, old.Zones[1].FedBy = "mill", "mill"
	present := cfg.Farm.Layout()
	acts := []alerts.Action{{Time: day(1), Kind: alerts.LaidOut, Layout: &old},
		{Time: day(5), Kind: alerts.Done, Source: "energizer/mill", Task: "earth-test", Earth: &alerts.EarthTest{StakeVolts: 180, FenceVolts: 1400}},
		{Time: day(10), Kind: alerts.LaidOut, Layout: &present},
		{Time: day(11), On: day(6), Kind: alerts.Done, Source: "energizer/mill", Task: "earth-test", Earth: &alerts.EarthTest{StakeVolts: 400, FenceVolts: 1400}}}
	if got := earthTests(cfg, acts); len(got) != 2 || !strings.HasPrefix(got[0], "Earth of mill, 5 May 2026: ") || !strings.HasPrefix(got[1], "Earth of mill, 6 May 2026: ") {
		t.Errorf("tests of an energizer that is gone: %q", got)
	}
}
