package web

import (
	"context"
	"encoding/csv"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"nightwire/alerts"
)

func TestCSVHasEveryReading(t *testing.T) {
	f := newFake()
	b := newBrowser(t, serve(t, options(f)))
	from := f.now.Add(-3 * time.Hour)
	res, text := b.do("GET", "/zone/lane.csv?"+url.Values{"from": {unix(from)}, "to": {unix(f.now.Add(-time.Hour))}}.Encode(), nil)
	if got := res.Header.Get("Content-Disposition"); got != `attachment; filename="lane.csv"` {
		t.Errorf("disposition %q", got)
	}
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 121 || rows[0][0] != "time" || rows[0][1] != "volts" || rows[1][0] != from.Format("2006-01-02T15:04:05.000Z") || rows[1][1] == "" || rows[1][2] != "" || rows[1][len(rows[1])-1] != "reading" {
		t.Errorf("%d rows, first %v and %v; want a head and 120 readings with volts alone", len(rows), rows[0], rows[1])
	}
}

func unix(t time.Time) string { return strconv.FormatInt(t.Unix(), 10) }

func TestWindows(t *testing.T) {
	now := newFake().now
	for _, tt := range []struct {
		name, query string
		ahead       time.Time
		from, to    time.Time
		view        string
	}{
		{"day by default", "", time.Time{}, now.Add(-day), now, "day"},
		{"week", "view=week", time.Time{}, now.Add(-7 * day), now, "week"},
		{"season without forecast", "view=season", time.Time{}, now.Add(-seasonLength), now, "season"},
		{"season to the end of the forecast", "view=season", now.Add(10 * day), now.Add(-seasonLength), now.Add(12 * day), "season"},
		{"a far forecast does not squeeze the season", "view=season", now.Add(300 * day), now.Add(-seasonLength), now.Add(mostAhead + 2*day), "season"},
		{"own", "from=1000000&to=1086400", time.Time{}, time.Unix(1000000, 0), time.Unix(1086400, 0), ""},
		{"too close", "from=1000000&to=1000001", time.Time{}, time.Unix(1000000, 5e8).Add(-leastSpan / 2), time.Unix(1000000, 5e8).Add(leastSpan / 2), ""},
		{"backwards", "from=2000000&to=1000000", time.Time{}, now.Add(-day), now, "day"},
		{"nonsense", "from=x&to=9e99&view=aeon", time.Time{}, now.Add(-day), now, "day"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			q, err := url.ParseQuery(tt.query)
			if err != nil {
				t.Fatal(err)
			}
			got := readWindow(q, now, tt.ahead)
			if !got.From.Equal(tt.from) || !got.To.Equal(tt.to) || got.View != tt.view {
				t.Errorf("got %v to %v (%s), want %v to %v (%s)", got.From, got.To, got.View, tt.from, tt.to, tt.view)
			}
		})
	}
}

func TestSentence(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(*fakeFarm)
		want   string
	}{
		{"calm", func(*fakeFarm) {}, "All five zones hot. Lowest: lane 4.9 kV."},
		{"low", func(f *fakeFarm) { f.zones[1].kv = ptr(1.9) }, "Hazel is under its minimum. The other four zones are hot."},
		{"two low", func(f *fakeFarm) { f.zones[1].kv, f.zones[4].kv = ptr(1.9), ptr(1.2) }, "Hazel and top-field are under their minimum. The other three zones are hot."},
		{"exactly at the minimum is hot", func(f *fakeFarm) { f.zones[1].kv = ptr(2.5) }, "All five zones hot. Lowest: hazel 2.5 kV."},
		{"old readings are not hot", func(f *fakeFarm) { f.stale = time.Hour }, "Nothing is heard from brook, hazel, lane, orchard and top-field."},
		{"out of service", func(f *fakeFarm) { f.out["zone/lane"] = f.now.Add(time.Hour) }, "Lane is out of service. The other four zones are hot. Lowest: top-field 5.5 kV."},
		{"energizer off", func(f *fakeFarm) {
			f.stale = time.Hour
			f.alarms = []Alarm{{State: UnackActive, Finding: alerts.Finding{Source: "energizer/cartshed", Condition: alerts.Off}}}
		}, "Cartshed is off: nothing it feeds is hot. Nothing is heard from brook, hazel, lane, orchard and top-field."},
		{"taken along by another's alarm", func(f *fakeFarm) {
			f.zones[3].kv, f.zones[4].kv = ptr(0.), ptr(0.)
			f.alarms = []Alarm{{State: AckedActive, Finding: alerts.Finding{Source: "zone/orchard", Condition: alerts.Dead, Zones: []string{"top-field"}}}}
		}, "Orchard and top-field are dead. The other three zones are hot."},
		{"no zones", func(f *fakeFarm) { f.zones = nil }, "No zones are set up yet."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake()
			tt.change(f)
			s, err := New(options(f))
			if err != nil {
				t.Fatal(err)
			}
			o, err := f.Overview(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			fr := s.stranger(localRequest("/"), "home.title")
			fr.Overview = &o
			if got, _ := s.sentence(fr, s.chains(fr)); got != tt.want {
				t.Errorf("got  %q\nwant %q", got, tt.want)
			}
		})
	}
}

func TestMinimumIsShownAsOursWhenItIs(t *testing.T) {
	b := newBrowser(t, serve(t, options(newFake())))
	for zone, want := range map[string]bool{"orchard": true, "lane": false} {
		if _, page := b.do("GET", "/zone/"+zone, nil); strings.Contains(page, "ours for this stock; it can be set") != want {
			t.Errorf("%s: shown as ours is not %t", zone, want)
		}
		if _, page := b.do("GET", "/zone/"+zone, nil); strings.Contains(page, "It rests on: ") != want {
			t.Errorf("%s: what the minimum rests on is shown is not %t", zone, want)
		}
	}
}

func TestNamesAndNotesAreEscaped(t *testing.T) {
	f := newFake().alarmed()
	nasty := `<script>alert(1)</script>"'`
	f.alarms[0].Text, f.troubles = nasty, []string{nasty}
	f.alarms[0].Evidence = []string{nasty}
	b := newBrowser(t, serve(t, options(f)))
	for _, path := range []string{"/", "/alarms", "/alarm/" + f.alarms[0].ID, "/night", "/week", "/a/good-token", "/zone/lane"} {
		if _, page := b.do("GET", path, nil); strings.Contains(page, "<script>alert") || !strings.Contains(page, "&lt;script&gt;") {
			t.Errorf("%s does not escape an alarm's text", path)
		}
	}
}

func TestActsAreChecked(t *testing.T) {
	f := newFake().alarmed()
	b := newBrowser(t, serve(t, options(f)))
	token := b.token("/")
	for name, form := range map[string]url.Values{
		"unknown act":       {"action": {"explode"}},
		"no alarm":          {"action": {"ack"}},
		"no source":         {"action": {"trimmed"}},
		"empty note":        {"action": {"note"}, "source": {"zone/lane"}, "note": {"  "}},
		"long note":         {"action": {"note"}, "source": {"zone/lane"}, "note": {strings.Repeat("ä", 501)}},
		"shelve for ever":   {"action": {"shelve"}, "alarm": {"a"}, "for": {"876000h"}},
		"shelve backwards":  {"action": {"shelve"}, "alarm": {"a"}, "for": {"-1h"}},
		"out without end":   {"action": {"out_of_service"}, "source": {"zone/lane"}},
		"too much to read":  {"action": {"note"}, "source": {"zone/lane"}, "note": {strings.Repeat("a", maxFormBytes)}},
		"no readable time":  {"action": {"trimmed"}, "source": {"zone/lane"}, "on": {"noon"}},
		"name of an action": {"action": {"ack\x00"}, "alarm": {"a"}},
	} {
		t.Run(name, func(t *testing.T) {
			form.Set("token", token)
			if res, _ := b.do("POST", "/act", form); res.StatusCode < 400 || res.StatusCode > 499 {
				t.Errorf("got %d, want a refusal", res.StatusCode)
			}
		})
	}
	if got := f.taken(); len(got) != 0 {
		t.Errorf("these got through: %+v", got)
	}
	f.actErr = errors.New("the journal is read-only")
	res, page := b.do("POST", "/act", url.Values{"token": {token}, "action": {"ack"}, "alarm": {"a"}})
	if res.StatusCode != http.StatusConflict || !strings.Contains(page, "Nothing was done: the journal is read-only.") {
		t.Errorf("an act that failed got %d and %s", res.StatusCode, page)
	}
	f.actErr = errors.New("the stake cannot carry more than the fence\nhint: measure the stake in volts")
	if _, page := b.do("POST", "/act", url.Values{"token": {token}, "action": {"ack"}, "alarm": {"a"}}); !strings.Contains(page, "than the fence. Measure the stake in volts.<") {
		t.Errorf("what to do next is not a sentence: %s", page)
	}
}

// counting counts how often the farm is asked for.
type counting struct {
	overview
	asked atomic.Int32
}

func (c *counting) Overview(ctx context.Context) (Overview, error) {
	c.asked.Add(1)
	return c.overview.Overview(ctx)
}

// TestWhenItWasDone states a time in the farm's own clock, an hour ahead of UTC in April. The whole farm is not worked out
// for that.
func TestWhenItWasDone(t *testing.T) {
	f := newFake()
	asked, opts := &counting{overview: f}, options(f)
	opts.Overview = asked
	b := newBrowser(t, serve(t, opts))
	_, page := b.do("GET", "/zone/lane", nil)
	if !strings.Contains(page, `name="on"`) {
		t.Error("the page does not ask when")
	}
	token := b.token("/zone/lane")
	before := asked.asked.Load()
	for _, on := range []string{"2026-04-20T12:30", ""} {
		if res, _ := b.do("POST", "/act", url.Values{"token": {token}, "action": {"trimmed"}, "source": {"zone/lane"}, "on": {on}}); res.StatusCode != http.StatusSeeOther {
			t.Fatalf("a trim on %q is answered by %s", on, res.Status)
		}
	}
	acts := f.taken()
	if want := time.Date(2026, 4, 20, 11, 30, 0, 0, time.UTC); !acts[0].On.Equal(want) || !acts[1].On.IsZero() {
		t.Errorf("kept %s and %s, want %s and none", acts[0].On, acts[1].On, want)
	}
	if n := asked.asked.Load() - before; n != 0 {
		t.Errorf("the farm was asked for %d times to read a time", n)
	}
}

func TestProbes(t *testing.T) {
	opts := options(newFake())
	opts.Password = "horse"
	opts.Ready = func(context.Context) error { return errors.New("store at /secret/path is locked") }
	b := newBrowser(t, serve(t, opts))
	if res, text := b.do("GET", "/-/healthy", nil); res.StatusCode != 200 || text != "ok\n" {
		t.Errorf("healthy got %d %q", res.StatusCode, text)
	}
	if res, text := b.do("GET", "/-/ready", nil); res.StatusCode != 503 || text != "not ready\n" {
		t.Errorf("ready got %d %q, want 503 and no reason for strangers", res.StatusCode, text)
	}
}

// FuzzRequests sends anything to every kind of route: nothing may break.
func FuzzRequests(f *testing.F) {
	farm := newFake().alarmed()
	o, err := farm.Overview(f.Context())
	if err != nil {
		f.Fatal(err)
	}
	opts := options(farm)
	opts.Overview, opts.History, opts.Lines = still(o), kept{}, nil // the fake's history is slow over years
	s, err := New(opts)
	if err != nil {
		f.Fatal(err)
	}
	for _, seed := range []string{"/zone/lane?from=1&to=2", "/zone/%2e%2e.csv", "/alarms?days=-1&priority=high", "/night?date=2026-03-29", "/week?date=0001-01-01",
		"/zone/lane?from=-99999999999&to=99999999999", "/energizer/cartshed?view=season", "/static/../style.css", "/login?next=//x", "/?done=ack"} {
		f.Add(seed, "token=x&action=ack&alarm=a&for=1h", "nightwire=abc.def")
	}
	h := s.headers(s.sameSite(s.mux)) // without the recovery, so that a panic is seen
	f.Fuzz(func(t *testing.T, path, body, cookie string) {
		u, err := url.ParseRequestURI(path)
		if err != nil || !strings.HasPrefix(path, "/") || u.Path == "/live" {
			return
		}
		for _, method := range []string{"GET", "POST"} {
			r := localRequest("/")
			r.Method, r.URL, r.RequestURI = method, u, path
			if method == "POST" {
				r = httptest.NewRequest("POST", "http://localhost/", strings.NewReader(body))
				r.URL = u
				r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			}
			r.Header.Set("Cookie", cookie)
			rec := httptest.NewRecorder()
			h.ServeHTTP(rec, r)
			if rec.Code >= 500 {
				t.Errorf("%s %q got %d: %s", method, path, rec.Code, rec.Body)
			}
		}
	})
}

// TestSeasonPlotHasItAll looks for each thing that a season's plot is to show.
func TestSeasonPlotHasItAll(t *testing.T) {
	b := newBrowser(t, serve(t, options(newFake())))
	_, page := b.do("GET", "/zone/lane?view=season", nil)
	for what, mark := range map[string]string{
		"band of each day": `<path class="band"`, "dry-hour level": `<path class="line"`, "its name": "dry-hour level", "minimum": "minimum 2.5",
		"rain": `<rect class="rain"`, "gap": `<rect class="gap"`, "trim": `<line class="mark"`, "the trim's words": "Trimmed, Mon 20 Apr 15:00, Ines",
		"fan": `<path class="fan"`, "likely course": `<path class="likely"`, "the fan's words": "Growth pulls it under 2.5 kV about", "CSV": "/zone/lane.csv?from=",
	} {
		if !strings.Contains(page, mark) {
			t.Errorf("no %s: %s is not on the page", what, mark)
		}
	}
}

// bareLane is a farm on which lane has no sensor.
type bareLane struct{ *fakeFarm }

func (f bareLane) Overview(ctx context.Context) (Overview, error) {
	o, err := f.fakeFarm.Overview(ctx)
	i := slices.IndexFunc(o.Zones, func(z Zone) bool { return z.Name == "lane" })
	o.Zones[i].KV, o.Zones[i].HeardAt, o.Zones[i].Forecast.FromKV = nil, time.Time{}, 0
	return o, err
}

// TestForecastWithoutASensor holds that a zone without a sensor shows its date, and no course from a level that nobody knows.
func TestForecastWithoutASensor(t *testing.T) {
	f := newFake()
	f.start = f.now.Add(time.Hour) // nothing was read
	opts := options(f)
	opts.Overview = bareLane{f}
	b := newBrowser(t, serve(t, opts))
	_, page := b.do("GET", "/zone/lane?view=season", nil)
	if strings.Contains(page, `<path class="fan"`) {
		t.Error("the plot has a course from a level that nobody knows")
	}
	if !strings.Contains(page, "11 Jul") {
		t.Error("the date is not on the page")
	}
}

// TestTwoHoursAreAGapAtEveryZoom looks at the drawn picture: wherever the silence is in sight, so is a gap of some width.
func TestTwoHoursAreAGapAtEveryZoom(t *testing.T) {
	f := newFake()
	b := newBrowser(t, serve(t, options(f)))
	gone := f.down()[0]
	for _, length := range []time.Duration{6 * time.Hour, day, 3 * day, 12 * day, 13 * day, 40 * day, seasonLength, 2 * seasonLength, mostSpan} {
		t.Run(length.String(), func(t *testing.T) {
			from := gone.From.Add(-length / 3)
			_, page := b.do("GET", "/zone/lane?"+url.Values{"from": {unix(from)}, "to": {unix(from.Add(length))}}.Encode(), nil)
			at := float64(gone.From.Add(time.Hour).Sub(from)) / float64(length) * 100
			for _, m := range gapDrawn.FindAllStringSubmatch(page, -1) {
				x, err1 := strconv.ParseFloat(m[1], 64)
				width, err2 := strconv.ParseFloat(m[2], 64)
				if err1 != nil || err2 != nil {
					t.Fatalf("gap at %q", m[0])
				}
				if x <= at && at <= x+width && width >= .5 { // half a per cent is two pixels on a phone
					return
				}
			}
			t.Errorf("no gap is drawn at %.2f %%", at)
		})
	}
}

var gapDrawn = regexp.MustCompile(`<rect class="gap" x="([0-9.]+)%" width="([0-9.]+)%"`)

// TestSeasonBeginsWithItsReadings: the plot of a young sensor is not a hatch with a sliver of line at its end.
func TestSeasonBeginsWithItsReadings(t *testing.T) {
	now := newFake().now
	season := window{Span{now.Add(-seasonLength), now.Add(10 * day)}, "season"}
	for _, tt := range []struct {
		name  string
		w     window
		first time.Duration // ago; 0 for no readings
		want  time.Duration
	}{
		{"readings from the start", season, seasonLength, seasonLength},
		{"older readings", season, 2 * seasonLength, seasonLength},
		{"fifty days", season, 50 * day, 55 * day},
		{"since yesterday", season, day, 4 * day},
		{"none", season, 0, seasonLength},
		{"a stretch that was asked for", window{Span{now.Add(-seasonLength), now}, ""}, 20 * day, seasonLength},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var s Series
			if tt.first > 0 {
				s.Buckets = []Bucket{{Start: now.Add(-tt.first)}}
			}
			if got := now.Sub(begin(tt.w, s)); got != tt.want {
				t.Errorf("begins %v days ago, want %v", got.Hours()/24, tt.want.Hours()/24)
			}
		})
	}
}

// TestWeekListsWhatPeopleDid in the order of time over all zones, and alarms only among the alarms.
func TestWeekListsWhatPeopleDid(t *testing.T) {
	f := newFake()
	opts := options(f)
	opts.History = kept{marks: []Mark{{At: f.now.Add(-2 * time.Hour), Kind: MarkTrimmed, By: "Tom", Text: "second"}, {At: f.now.Add(-time.Hour), Kind: MarkAlarm, Text: "dead"},
		{At: f.now.Add(-3 * time.Hour), Kind: MarkNote, By: "Ines", Text: "first"}, {At: f.now.Add(-time.Hour), Kind: MarkDone, By: "Ines", Text: "walk the line"}}}
	_, page := newBrowser(t, serve(t, opts)).do("GET", "/week", nil)
	if first, second := strings.LastIndex(page, "first"), strings.Index(page, "second"); first < 0 || second < first {
		t.Errorf("the notes of all zones (last at %d) do not come before the trimming (first at %d)", first, second)
	}
	if strings.Contains(page, "Alarm: dead") {
		t.Error("an alarm is among what was done")
	}
	// These marks are the farm's too, and are not once more at each zone.
	for _, want := range []string{"alder-bank: Trimmed, Tom: second", "alder-bank: Upkeep, Ines: walk the line"} {
		if _, text, _ := strings.Cut(want, " "); strings.Count(page, want) != 1 || strings.Count(page, text) != 1 {
			t.Errorf("the sheet has %q %d times, %d of them at the farm; want once, there", text, strings.Count(page, text), strings.Count(page, want))
		}
	}
}

// TestNightTellsOfItsNight: what happened to an alarm on other days is on its own page.
func TestNightTellsOfItsNight(t *testing.T) {
	f := newFake().alarmed()
	f.alarms[1].Since = f.now.AddDate(0, 0, -3) // it was raised and told then, and taken by Tom last night
	f.alarms[1].AckedAt = f.now.Add(-7 * time.Hour)
	_, page := newBrowser(t, serve(t, options(f))).do("GET", "/night", nil)
	_, about, found := strings.Cut(page, "Top-field dips and comes back")
	about, _, _ = strings.Cut(about, "</article>")
	if !found || !strings.Contains(about, "acknowledged, Tom") || strings.Contains(about, "raised") || strings.Contains(about, "told") {
		t.Errorf("the night says of the old alarm: %s", about)
	}
}

// TestWhatCanWaitIsFolded: many alarms that are over or for the days to come leave the zones in sight.
func TestWhatCanWaitIsFolded(t *testing.T) {
	f := newFake().alarmed()
	f.alarms[1].State = UnackRTN
	f.alarms = append(f.alarms, Alarm{ID: "g", State: UnackActive, Since: f.now, Finding: alerts.Finding{Source: "zone/brook", Condition: alerts.Growth,
		Priority: alerts.LowPriority, Text: "Brook will go under its 2.5 kV."}})
	_, page := newBrowser(t, serve(t, options(f))).do("GET", "/", nil)
	before, folded, found := strings.Cut(page, `<details id="waiting"`)
	folded, _, _ = strings.Cut(folded, `<div class="cols">`)
	if !found || !strings.Contains(folded, "Two alarms can wait") || !strings.Contains(folded, "Brook will go under") || !strings.Contains(folded, "Top-field dips") {
		t.Errorf("folded is %.2000s", folded)
	}
	if !strings.Contains(before, "Lane is dead: the wire") {
		t.Error("what wants somebody now is not in sight")
	}
	for path, want := range map[string]bool{"/zone/brook": true, "/zone/top-field": true, "/zone/lane": false} {
		_, page := newBrowser(t, serve(t, options(f))).do("GET", path, nil)
		if got := strings.Contains(page, "One alarm can wait"); got != want || got == strings.Contains(page, `id="open-h"`) {
			t.Errorf("%s: folded is %t, want %t, and else open", path, got, want)
		}
	}
}
