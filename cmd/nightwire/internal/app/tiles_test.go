package app

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/cmd/nightwire/internal/config"
)

const stationFarm = smallFarm + `
timezone: Europe/Dublin
weather: {topic: test-bank/weather, fields: {rain_total_mm: /rain, temp_c: /outside/temp}}
broker: {listen: "127.0.0.1:0"}
page: {listen: "127.0.0.1:0"}
`

// visitor is a browser that keeps its cookies.
func visitor(t *testing.T) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &http.Client{Jar: jar}
}

// fetch returns a page of a running watch; with a form it is posted there.
func fetch(t *testing.T, c *http.Client, address string, form url.Values) string {
	t.Helper()
	method := "GET"
	if form != nil {
		method = "POST"
	}
	req, err := http.NewRequestWithContext(t.Context(), method, address, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept", "text/html")
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	resp, err := c.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s answered %s, %v: %.300s", address, resp.Status, err, b)
	}
	return string(b)
}

// plain drops the tags of a page and joins its words by single spaces.
func plain(page string) string {
	page = regexp.MustCompile(`(?s)<svg.*?</svg>|<[^>]*>`).ReplaceAllString(page, " ")
	return strings.Join(strings.Fields(page), " ")
}

// number returns the number that a pattern's group finds on a page.
func number(t *testing.T, page, pattern string) float64 {
	t.Helper()
	m := regexp.MustCompile(pattern).FindStringSubmatch(page)
	if m == nil {
		t.Errorf("nothing like %s on the page: %s", pattern, page)
		return math.NaN()
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Errorf("%s found %q", pattern, m[1])
	}
	return v
}

// talk is a live watch, with a way to speak to it as its sensors do.
type talk struct {
	*testing.T
	live  *liveRun
	clock *handClock
	pub   *publisher
	page  string
}

// startTalk starts a watch on data in dir; the returned function ends it.
func startTalk(t *testing.T, cfg *config.Config, dir string, at time.Time) (*talk, func()) {
	t.Helper()
	clock := &handClock{at: at}
	live, stop := startLive(t, cfg, dir, clock)
	where := wait(t, live.addresses)
	p, err := newPublisher(t.Context(), "mqtt://"+where.Broker, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	return &talk{t, live, clock, p, strings.TrimSuffix(where.Page, "/")}, func() {
		if err := p.close(); err != nil {
			t.Error(err)
		}
		stop()
	}
}

// say publishes a payload and waits until the watch has looked at it.
func (k *talk) say(topic string, payload map[string]any) {
	k.Helper()
	b, err := json.Marshal(payload)
	if err != nil {
		k.Fatal(err)
	}
	if err := k.pub.send(k.Context(), topic, b); err != nil {
		k.Fatal(err)
	}
	wait(k.T, k.live.arrived)
	wait(k.T, k.live.looked)
}

// round has every sensor of the small farm speak.
func (k *talk) round(supplyV float64) {
	k.Helper()
	k.say("test-bank/shed", map[string]any{"kv": 6.875, "interval_ms": 1302, "supply_v": supplyV, "earth_kv": 0.25})
	k.say("test-bank/brook", map[string]any{"kv": 5.475})
	k.say("test-bank/hazel", map[string]any{"kv": 5.075})
}

// TestEnergizerTilesFromMessages sends a week of real messages through the broker and reads the tiles off the page.
// The figures are held against Ohm's law: 1 A leaks evenly along hazel and 1.5 A along brook, so that 8 kV behind 350 Ω
// and stakes of 100 Ω give 6.875 kV at the output, 1.4 kV less after brook's 800 Ω (1 A and half of 1.5 A go through
// all of it), and 0.4 kV less after hazel's. The battery falls by 0.03 V a night.
func TestEnergizerTilesFromMessages(t *testing.T) {
	first := time.Date(2026, 5, 1, 2, 0, 0, 0, time.UTC) // 03:00 in Dublin
	cfg := parse(t, strings.Replace(stationFarm, "open_kv: 8,", "open_kv: 8, earth_ohms: 90,", 1))
	k, stop := startTalk(t, cfg, t.TempDir(), first)
	defer stop()
	const nights, perNight, startV = 6, 0.03, 12.60
	for night := range nights {
		for minute := range 4 {
			k.clock.set(first.AddDate(0, 0, night).Add(time.Duration(minute) * time.Minute))
			k.round(startV - perNight*float64(night))
		}
	}
	k.clock.set(first.AddDate(0, 0, nights-1).Add(70 * time.Minute)) // the hour that the battery is judged by is over
	k.round(startV - perNight*(nights-1))

	page := plain(fetch(t, visitor(t), k.page+"/energizer/shed", nil))
	for name, want := range map[string]string{
		"output": "Output 6.9 kV 8.0 kV with the fence unhooked", "interval": "Pulse interval 1.30 s",
		"supply": "Battery and supply 12.4 V To be changed about", "earth": "Earth stakes 0.25 kV Under the usual limit of 0.3 kV (widely printed, no first source). Earth",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("%s: %q is not on the page: %s", name, want, page)
		}
	}
	// Sensors may be 5 % off, and of a fence that was never seen clean part of the drop is taken for that: 5 % of 7 kV is
	// 350 V, a third of what the source and each span drop here.
	load := number(t, page, `Load (\d+) Ω`)
	if want := 6875 / 2.5; math.Abs(load-want) > 0.5*want {
		t.Errorf("load is %.0f Ω, want about %.0f", load, want)
	}
	if share := number(t, page, `(\d+) % of what it can carry`); share < 1 || share > 60 {
		t.Errorf("load is %.0f %% of what it can carry; 5.1 kV over a minimum of 2 kV leaves much", share)
	}
	if got, want := number(t, page, `Earth (\d+) Ω`), 250*load/6875; math.Abs(got-want) > 0.1*want {
		t.Errorf("earth is %.0f Ω, want %.0f: the stakes' volts over the load's current", got, want)
	}
	// 11.7 V, at which a battery of 12 V counts as low, is 25 nights after the 12.45 V of the last.
	if got := number(t, page, `To be changed about \w+ (\d+) May`); got < 29 || got > 31 {
		t.Errorf("the battery is to be changed on %.0f May, want 31", got)
	}
}

// TestWeatherFromStationAndPerson has a station report frost and rain, and a person say that snow lies. Both are on the
// page with their meaning, the rain is on the zone's plot, and all of it outlives a restart.
func TestWeatherFromStationAndPerson(t *testing.T) {
	at := time.Date(2026, 11, 20, 5, 0, 0, 0, time.UTC)
	data, cfg := t.TempDir(), parse(t, strings.ReplaceAll(stationFarm, "every: 60s", "every: 30m"))
	k, stop := startTalk(t, cfg, data, at)
	// The first count only starts the gauge; 3.4 mm fall after it.
	for i, total := range []float64{100, 100.2, 101.4, 103.4, 103.4} {
		k.clock.set(at.Add(time.Duration(i) * 30 * time.Minute))
		k.say("test-bank/weather", map[string]any{"rain": total, "outside": map[string]any{"temp": float64(i) - 2.5}})
		k.round(12.5)
	}
	ines := visitor(t)
	token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(fetch(t, ines, k.page, nil))
	fetch(t, ines, k.page+"/act", url.Values{"token": {token[1]}, "action": {"weather"}, "sky": {"snow"}, "when": {"night"}, "by": {"Ines"}, "back": {"/"}})
	want := []string{"Frost, down to −2.5 °C about 05:00.", "Snow lies, as said today.", "3.4 mm of rain in 24 h", "said Ines, 07:00", "1.5 °C"}
	look := func(page string) {
		t.Helper()
		home := plain(fetch(t, ines, page, nil))
		for _, w := range want {
			if !strings.Contains(home, w) {
				t.Errorf("%q is not on the first page: %s", w, home)
			}
		}
		if plot := fetch(t, ines, page+"/zone/brook", nil); !strings.Contains(plot, `class="rain"`) {
			t.Error("no rain on the zone's plot")
		}
	}
	look(k.page)
	stop()
	if diff := cmp.Diff([]string(nil), raisedIn(k.live)); diff != "" {
		t.Errorf("the weather raised alarms (-want +got):\n%s", diff)
	}

	k, stop = startTalk(t, cfg, data, k.clock.now())
	look(k.page)
	stop()
}

func raisedIn(l *liveRun) (out []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range l.events {
		out = append(out, fmt.Sprintf("%s %s %s", e.Kind, e.Source, e.Condition))
	}
	return out
}

// TestActsAreKeptWithWhoAndWhen presses the buttons of a zone and finds each on its page, also after a restart.
func TestActsAreKeptWithWhoAndWhen(t *testing.T) {
	data, cfg := t.TempDir(), parse(t, stationFarm)
	k, stop := startTalk(t, cfg, data, time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC))
	k.round(12.5)
	ines := visitor(t)
	for i, act := range []string{"trimmed", "restrung", "note", "out_of_service", "in_service"} {
		k.clock.set(time.Date(2026, 5, 1, 12, 1+i, 0, 0, time.UTC))
		token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(fetch(t, ines, k.page, nil))
		fetch(t, ines, k.page+"/act", url.Values{"token": {token[1]}, "action": {act}, "source": {"zone/brook"}, "by": {"Ines"}, "note": {"by the oak"},
			"for": {"1h"}, "back": {"/"}, "on": {map[string]string{"note": "2026-05-01T07:40"}[act]}})
	}
	look := func(page string) {
		t.Helper()
		zone := plain(fetch(t, ines, page+"/zone/brook", nil))
		for _, want := range []string{"Trimmed, 13:01, Ines: by the oak", "Re-strung, 13:02, Ines: by the oak", "Note, 07:40, Ines: by the oak", "Out of service, 13:04, Ines"} {
			if !strings.Contains(zone, want) {
				t.Errorf("%q is not on the zone's page: %s", want, zone)
			}
		}
	}
	look(k.page)
	stop()
	k, stop = startTalk(t, cfg, data, k.clock.now())
	look(k.page)
	stop()
	var kept bytes.Buffer
	if err := ExportActions(t.Context(), data, &kept); err != nil || strings.Count(kept.String(), `"by":"Ines"`) != 5 {
		t.Errorf("kept are %s, %v; want five acts of Ines", &kept, err)
	}
}

// TestWeatherHints asks as the evening message does.
func TestWeatherHints(t *testing.T) {
	now := start.AddDate(0, 0, 1)
	n := storedNight(t, now, minutes(start, now))
	var err error
	if n.journal, err = journal.Open(t.Context(), journal.Options{}); err != nil {
		t.Fatal(err)
	}
	defer n.journal.Close()
	dry := alerts.Action{Time: now.Add(-time.Hour), Kind: alerts.Weathered, Source: "site", By: "Ines",
		Weather: &alerts.Weather{Sky: alerts.Dry, From: now.Add(-8 * time.Hour), To: now.Add(-time.Hour)}}
	if err := n.journal.Record(t.Context(), alerts.Step{Actions: []alerts.Action{dry}}); err != nil {
		t.Fatal(err)
	}
	hints, err := n.WeatherHints(t.Context())
	if err != nil || len(hints) != 1 || hints[0].Line() != "Dry ground, as said today. Do the earth test now, at the driest time; water the stakes." {
		t.Errorf("hints are %+v, %v", hints, err)
	}
}
