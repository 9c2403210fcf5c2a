package web

import (
	"fmt"
	"iter"
	"net/http"
	"net/http/httptest"
	"regexp"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/cmd/nightwire/internal/web/chart"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// tenZones makes a farm of ten zones whose overview is worked out beforehand, as the real one keeps it at hand.
func tenZones(tb testing.TB) *Server {
	tb.Helper()
	f := newFake().alarmed()
	f.zones = append(f.zones, f.zones...)
	for i := range f.zones[5:] {
		z := &f.zones[5+i]
		z.name = fmt.Sprintf("%s-%d", z.name, 2)
		if z.fedBy != "cartshed" {
			z.fedBy += "-2"
		}
	}
	o, err := f.Overview(tb.Context())
	if err != nil {
		tb.Fatal(err)
	}
	opts := options(f)
	opts.Overview = still(o)
	s, err := New(opts)
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

var linked = regexp.MustCompile(`(?:href|src)="(/(?:static/[^"]+|manifest\.webmanifest))"`)

// TestFirstLoadIsSmall adds up the first page of ten zones and everything it asks for, without zipping.
func TestFirstLoadIsSmall(t *testing.T) {
	const bar = 60_000
	s := tenZones(t)
	fetch := func(path string) []byte {
		rec := httptest.NewRecorder()
		s.Handler().ServeHTTP(rec, localRequest(path))
		if rec.Code != http.StatusOK {
			t.Fatalf("%s got %d", path, rec.Code)
		}
		return rec.Body.Bytes()
	}
	page := fetch("/")
	total := len(page)
	t.Logf("page %d bytes", len(page))
	for _, m := range linked.FindAllSubmatch(page, -1) {
		n := len(fetch(string(m[1])))
		t.Logf("%s %d bytes", m[1], n)
		total += n
	}
	total += len(fetch("/worker.js"))
	t.Logf("together %d bytes; the page zipped %d", total, len(zip(page)))
	if total >= bar {
		t.Errorf("first load is %d bytes, want under %d", total, bar)
	}
}

func localRequest(path string) *http.Request {
	r := httptest.NewRequest("GET", path, nil)
	r.Host = "localhost"
	r.Header.Set("Accept", "text/html")
	return r
}

// cpu reports the processor time of each round, which other work on the machine does not stretch as it does the clock.
// It counts from its call to the end of the benchmark.
func cpu(b *testing.B) func() {
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	start := used()
	return func() { b.ReportMetric((used()-start).Seconds()*1000/float64(b.N), "cpu-ms/op") }
}

// BenchmarkFirstView renders the first page of ten zones, cookies, headers and all. The bar is 5 ms.
func BenchmarkFirstView(b *testing.B) {
	h := tenZones(b).Handler()
	report := cpu(b)
	for b.Loop() {
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, localRequest("/"))
		if rec.Code != http.StatusOK {
			b.Fatal(rec.Code)
		}
	}
	report()
}

// million yields a million readings over the season that ends at to.
func million(to time.Time) func(func(time.Time, Known) bool) {
	from := to.Add(-seasonLength)
	step := seasonLength / 1_000_000
	return func(yield func(time.Time, Known) bool) {
		for i := range 1_000_000 {
			if !yield(from.Add(time.Duration(i)*step), Reading(5000+float64(i%977))) {
				return
			}
		}
	}
}

// BenchmarkSeasonPlot sums a million readings up and draws the season from them. The bar is 100 ms; reading them from
// the store is the store's to measure.
func BenchmarkSeasonPlot(b *testing.B) {
	s := tenZones(b)
	now := newFake().now
	for _, bc := range []struct {
		name string
		view string
	}{{"season", "season"}, {"closer", "week"}} {
		b.Run(bc.name, func(b *testing.B) {
			report := cpu(b)
			for b.Loop() {
				series := Fold(million(now), Span{now.Add(-seasonLength), now}, plotBuckets, time.Hour)
				f := s.stranger(localRequest("/"), "zone.title")
				f.Overview, f.Location, f.Now = &Overview{}, dublin, now
				c := chart.Time{Span: chart.Span(series.Span), Unit: "kV", Location: dublin, Tick: f.tick, Lows: []chart.Level{{V: 2.5}}}
				seriesInto(&c, series, .001)
				if len(c.SVG()) < 1000 || len(series.Buckets) != plotBuckets {
					b.Fatal("nothing was drawn")
				}
			}
			report()
		})
	}
}

// BenchmarkZonePage renders the season page of a zone whose days the store keeps summed up.
func BenchmarkZonePage(b *testing.B) {
	f := newFake()
	ctx := b.Context()
	o, err := f.Overview(ctx)
	if err != nil {
		b.Fatal(err)
	}
	span := Span{f.now.Add(-seasonLength), f.now.AddDate(0, 0, 36)}
	src := farm.ZoneSource("lane")
	series, _ := f.Series(ctx, src, pulse.Volts, span, plotBuckets)
	days, _ := f.Days(ctx, src, span)
	marks, _ := f.Marks(ctx, src, span)
	opts := options(f)
	opts.Overview, opts.History = still(o), kept{series, days, marks}
	s, err := New(opts)
	if err != nil {
		b.Fatal(err)
	}
	h := s.Handler()
	for b.Loop() {
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, localRequest("/zone/lane?view=season"))
		if rec.Code != http.StatusOK {
			b.Fatal(rec.Code)
		}
	}
}

func TestFoldFindsBucketsAndGaps(t *testing.T) {
	noon := time.Date(2026, 6, 18, 12, 0, 0, 0, time.UTC)
	at := func(minutes ...int) func(func(time.Time, Known) bool) {
		return func(yield func(time.Time, Known) bool) {
			for _, m := range minutes {
				if !yield(noon.Add(time.Duration(m)*time.Minute), Reading(float64(m))) {
					return
				}
			}
		}
	}
	s := Fold(at(-5, 0, 1, 2, 9, 10, 19, 20, 25), Span{noon, noon.Add(20 * time.Minute)}, 4, 3*time.Minute)
	want := Series{Span: Span{noon, noon.Add(20 * time.Minute)}, Width: 5 * time.Minute,
		Buckets: []Bucket{{noon, 3, 0, 1, 2}, {noon.Add(5 * time.Minute), 1, 9, 9, 9}, {noon.Add(10 * time.Minute), 1, 10, 10, 10}, {noon.Add(15 * time.Minute), 1, 19, 19, 19}},
		Gaps:    []Span{{noon.Add(2 * time.Minute), noon.Add(9 * time.Minute)}, {noon.Add(10 * time.Minute), noon.Add(19 * time.Minute)}}}
	if diff := cmp.Diff(want, s); diff != "" {
		t.Errorf("series differs (-want +got):\n%s", diff)
	}
	empty := Fold(at(), Span{noon, noon.Add(time.Hour)}, 4, 3*time.Minute)
	if len(empty.Buckets) != 0 || len(empty.Gaps) != 1 || empty.Gaps[0] != empty.Span {
		t.Errorf("no points give %+v, want one gap over all", empty)
	}
}

// known makes single readings of points.
func known(points iter.Seq2[time.Time, float64]) iter.Seq2[time.Time, Known] {
	return func(yield func(time.Time, Known) bool) {
		for at, v := range points {
			if !yield(at, Reading(v)) {
				return
			}
		}
	}
}

// TestFoldSpreadsWhatIsKnownOfStretches has a minute, and hours that reach over several buckets and past the ends.
func TestFoldSpreadsWhatIsKnownOfStretches(t *testing.T) {
	noon := time.Date(2026, 6, 18, 12, 0, 0, 0, time.UTC)
	points := func(yield func(time.Time, Known) bool) {
		_ = yield(noon.Add(-time.Hour), Known{Until: noon, N: 60, Min: 1, Mean: 1, Max: 1}) && // before
			yield(noon, Known{Until: noon.Add(time.Hour), N: 300, Min: 4000, Mean: 7000, Max: 8000}) &&
			yield(noon.Add(time.Hour), Known{Until: noon.Add(61 * time.Minute), N: 6, Min: 6000, Mean: 6500, Max: 7000}) &&
			yield(noon.Add(61*time.Minute), Reading(9000)) &&
			yield(noon.Add(80*time.Minute), Known{Until: noon.Add(3 * time.Hour), N: 10, Min: 5000, Mean: 5000, Max: 5000})
	}
	from := noon.Add(30 * time.Minute)
	s := Fold(points, Span{from, from.Add(time.Hour)}, 4, 5*time.Minute)
	at := func(i int) time.Time { return from.Add(time.Duration(i) * 15 * time.Minute) }
	want := Series{Span: Span{from, from.Add(time.Hour)}, Width: 15 * time.Minute,
		Buckets: []Bucket{{at(0), 300, 4000, 7000, 8000}, {at(1), 300, 4000, 7000, 8000}, {at(2), 7, 6000, (6*6500 + 9000.0) / 7, 9000}, {at(3), 10, 5000, 5000, 5000}},
		Gaps:    []Span{{noon.Add(61 * time.Minute), noon.Add(80 * time.Minute)}}}
	if diff := cmp.Diff(want, s); diff != "" {
		t.Errorf("series differs (-want +got):\n%s", diff)
	}
}
