package app

import (
	"bytes"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// TestChartsAcrossTheSeams has a sensor that reports every ten seconds, of which a day is kept as hours, one as minutes
// and one whole. What was silent then is a gap now, and nothing else is, at every zoom.
func TestChartsAcrossTheSeams(t *testing.T) {
	const day = 24 * time.Hour
	first := start.Truncate(day)
	now := first.Add(3 * day)
	var rs []pulse.Reading
	silent := map[int]web.Span{}
	for d := range 3 {
		from := first.Add(time.Duration(d)*day + 5*time.Hour)
		silent[d] = web.Span{From: from, To: from.Add(2 * time.Hour)}
	}
	for at := first; at.Before(now); at = at.Add(10 * time.Second) {
		if s := silent[int(at.Sub(first)/day)]; !at.Before(s.From) && at.Before(s.To) {
			continue
		}
		r := pulse.Reading{Sensor: "test-bank/" + pulse.SensorID(hazel), At: at, Arrived: at}
		r.Set(pulse.Volts, 6000+float64(at.Second()))
		rs = append(rs, r)
	}
	n := storedNight(t, now, rs)
	if err := n.store.Retain(t.Context(), store.Retention{Readings: first.Add(2 * day), Minutes: first.Add(day)}); err != nil {
		t.Fatal(err)
	}
	for _, span := range []web.Span{
		{From: first.Add(3*time.Hour + 20*time.Minute), To: first.Add(8 * time.Hour)}, {From: first, To: first.Add(day)},
		{From: first.Add(20 * time.Hour), To: first.Add(28 * time.Hour)}, {From: first.Add(day), To: first.Add(2 * day)},
		{From: first.Add(40 * time.Hour), To: first.Add(60 * time.Hour)}, {From: first, To: now},
	} {
		s, err := n.Series(t.Context(), hazel, pulse.Volts, span, 360)
		if err != nil {
			t.Fatal(err)
		}
		gaps := 0
		for _, gone := range silent {
			if gone.From.Before(span.To) && span.From.Before(gone.To) {
				gaps++
			}
		}
		checkSeries(t, s, gaps)
	}
	count := map[string]int{}
	for l, err := range n.Lines(t.Context(), hazel, web.Span{From: first, To: now}) {
		if err != nil {
			t.Fatal(err)
		}
		count[l.What]++
	}
	if count["reading"] != 22*360 || count["lowest of a minute"] != 22*60 || count["highest of an hour"] != 22 || len(count) != 7 {
		t.Errorf("the table has %v", count)
	}
}

// checkSeries wants so many gaps of two hours, what the readings say in between, and nothing that is missing.
func checkSeries(t *testing.T, s web.Series, gaps int) {
	t.Helper()
	if len(s.Gaps) != gaps {
		t.Errorf("%v has gaps %v, want %d", s.Span, s.Gaps, gaps)
	}
	for _, g := range s.Gaps {
		if l := g.To.Sub(g.From); l < 2*time.Hour-time.Minute || l > 2*time.Hour+time.Minute {
			t.Errorf("%v has a gap of %v", s.Span, l)
		}
	}
	for i, b := range s.Buckets {
		if b.Min < 6000 || b.Max > 6050 || b.Mean < b.Min || b.Mean > b.Max {
			t.Errorf("%v: bucket %d is %+v", s.Span, i, b)
		}
		if i > 0 && b.Start.Sub(s.Buckets[i-1].Start) > s.Width && gaps == 0 {
			t.Errorf("%v: nothing between %v and %v", s.Span, s.Buckets[i-1].Start, b.Start)
		}
	}
}

// shortRow writes a row by its minute after noon, and whether it is a reading, a minute or an hour.
func shortRow(r *store.Row, err error, noon time.Time) string {
	if err != nil {
		return "err"
	}
	kind := "r"
	if r.Thin != nil {
		kind = map[time.Duration]string{time.Minute: "m", time.Hour: "h"}[r.Thin.Unit]
	}
	return fmt.Sprintf("%.0f%s", math.Floor(r.At.Sub(noon).Minutes()), kind)
}

// TestMirrorBeforeMinutes takes single readings from the mirror where it has them, and minutes and hours where not.
func TestMirrorBeforeMinutes(t *testing.T) {
	at := func(minute, second int) time.Time {
		return start.Truncate(time.Hour).Add(time.Duration(minute)*time.Minute + time.Duration(second)*time.Second)
	}
	reading := func(at time.Time) pulse.Reading { return pulse.Reading{At: at} }
	thin := func(at time.Time, unit time.Duration) store.Row {
		return store.Row{Reading: reading(at), Thin: &store.Thin{Unit: unit}}
	}
	rows := func(yield func(store.Row, error) bool) {
		for _, r := range []store.Row{
			thin(at(-60, 0), time.Hour), thin(at(0, 0), time.Minute), thin(at(1, 0), time.Minute), thin(at(2, 0), time.Minute),
			thin(at(5, 0), time.Minute), {Reading: reading(at(7, 0))}, {Reading: reading(at(8, 0))}, {Reading: reading(at(30, 0))},
		} {
			if !yield(r, nil) {
				return
			}
		}
	}
	for _, tt := range []struct {
		name   string
		mirror []time.Time
		fails  bool
		want   string
	}{
		{"nothing at the mirror", nil, false, "-60h 0m 1m 2m 5m 7r 8r 30r"},
		{"a mirror that fails", nil, true, "err -60h 0m 1m 2m 5m 7r 8r 30r"},
		{"an hour, two minutes, a reading", []time.Time{at(-50, 0), at(-10, 0), at(0, 10), at(0, 50), at(2, 0), at(3, 0), at(7, 0)}, false, "-50r -10r 0r 0r 1m 2r 3r 5m 7r 8r 30r"},
		{"fails half way", []time.Time{at(-50, 0), at(1, 59)}, true, "-50r 0m 1r err 2m 5m 7r 8r 30r"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			mirror := func(yield func(pulse.Reading, error) bool) {
				for _, at := range tt.mirror {
					if !yield(reading(at), nil) {
						return
					}
				}
				if tt.fails {
					yield(pulse.Reading{}, errMirror)
				}
			}
			var got []string
			for r, err := range preferring(mirror, rows) {
				got = append(got, shortRow(&r, err, at(0, 0)))
			}
			if text := strings.Join(got, " "); text != tt.want {
				t.Errorf("got %s, want %s", text, tt.want)
			}
			for range preferring(mirror, rows) { // may be left
				break
			}
		})
	}
}

func TestRetention(t *testing.T) {
	const day = 24 * time.Hour
	now := start
	for _, tt := range []struct {
		name string
		keep config.Store
		want store.Retention
	}{
		{"all", config.Store{}, store.Retention{}},
		{"readings and minutes", config.Store{Keep: 90 * day, KeepMinutes: 730 * day}, store.Retention{Readings: now.Add(-90 * day), Minutes: now.Add(-730 * day)}},
		{"hours too", config.Store{Keep: day, KeepMinutes: 2 * day, KeepHours: 3 * day},
			store.Retention{Readings: now.Add(-day), Minutes: now.Add(-2 * day), Hours: now.Add(-3 * day)}},
	} {
		if got := retention(tt.keep, now); got != tt.want {
			t.Errorf("%s: got %+v, want %+v", tt.name, got, tt.want)
		}
	}
}

// TestTidyLetsGoOnceADay keeps the looking through old days rare.
func TestTidyLetsGoOnceADay(t *testing.T) {
	now := start.AddDate(0, 0, 10)
	n := storedNight(t, now, minutes(start, now))
	n.cfg.Store = config.Store{Keep: 24 * time.Hour, KeepMinutes: 5 * 24 * time.Hour}
	clock := now
	n.now = func() time.Time { return clock }
	left := func() int {
		t.Helper()
		if err := n.tidy(t.Context()); err != nil {
			t.Fatal(err)
		}
		first, _, err := n.store.First(t.Context(), "test-bank/"+pulse.SensorID(hazel))
		if err != nil {
			t.Fatal(err)
		}
		return int(clock.Sub(first).Hours() / 24)
	}
	if days := left(); days != 5 {
		t.Errorf("single readings of %d days are left, want 5: they are one a minute", days)
	}
	day := n.retained
	clock = clock.Add(time.Minute)
	if left(); n.retained != day {
		t.Error("old days were looked through twice in a day")
	}
	clock = clock.AddDate(0, 0, 1)
	if days := left(); days != 5 || n.retained == day {
		t.Errorf("a day later %d days are left, want 5", days)
	}
}

// TestCopyingThePastIsToldOf says how long it still takes, now and then.
func TestCopyingThePastIsToldOf(t *testing.T) {
	now := start.AddDate(0, 0, 40)
	n := storedNight(t, now, minutes(start, now))
	synctest.Test(t, func(t *testing.T) {
		tail, err := n.store.Tail(t.Context(), "mirror")
		if err != nil {
			t.Fatal(err)
		}
		var log bytes.Buffer
		told := newTold(tail, slog.New(slog.NewTextHandler(&log, nil)))
		for {
			rs, err := told.Next(t.Context(), 1)
			if err != nil {
				t.Fatal(err)
			}
			if len(rs) == 0 {
				break
			}
			<-time.After(2 * time.Second)
			if err := told.Taken(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		for _, want := range []string{`mirror takes the past" progress="copying the past: 39 % of 965 hours, 12 hours a second, 48 s left"`, "mirror has all of the past"} {
			if !strings.Contains(log.String(), want) {
				t.Errorf("no %s in\n%s", want, log.String())
			}
		}
		if n := strings.Count(log.String(), "\n"); n != 3 {
			t.Errorf("%d lines about %d days, want 3:\n%s", n, 40, log.String())
		}
	})
}
