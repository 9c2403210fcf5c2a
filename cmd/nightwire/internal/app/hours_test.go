package app

import (
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

const hazel = farm.Source("zone/hazel")

// storedNight returns a watch at now that does not run, on a store of its own with hazel's readings in it.
func storedNight(t testing.TB, now time.Time, rs []pulse.Reading) *night {
	t.Helper()
	cfg := parse(t, smallFarm+"timezone: Europe/Dublin\n")
	log := slog.New(slog.DiscardHandler)
	n := newNight(Options{Log: log, Now: func() time.Time { return now }, Speed: 1}, cfg)
	var err error
	if n.store, err = store.Open(t.Context(), store.Options{Path: filepath.Join(t.TempDir(), storeFile), Log: log}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := n.store.Close(); err != nil {
			t.Error(err)
		}
	})
	n.archive.store = n.store
	packed := len(rs) * 9 / 10 // as in a live run: the newest are not packed yet
	for part := range slices.Chunk(rs[:packed], 10_000) {
		if _, err := n.store.Append(t.Context(), part); err != nil {
			t.Fatal(err)
		}
	}
	if err := n.store.Pack(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if _, err := n.store.Append(t.Context(), rs[packed:]); err != nil {
		t.Fatal(err)
	}
	return n
}

// minutes returns a reading of hazel a minute: lower at night, with noise, one in ten lost, none in the silences.
func minutes(from, to time.Time, silences ...web.Span) (rs []pulse.Reading) {
	rng := rand.New(rand.NewPCG(5, 6))
	for at := from; at.Before(to); at = at.Add(time.Minute) {
		v := 6000 + 500*math.Sin(float64(at.Unix())*2*math.Pi/86400) + 40*rng.NormFloat64()
		if rng.IntN(10) == 0 || slices.ContainsFunc(silences, func(s web.Span) bool { return !at.Before(s.From) && at.Before(s.To) }) {
			continue
		}
		r := pulse.Reading{Sensor: "test-bank/" + pulse.SensorID(hazel), At: at, Arrived: at}
		r.Set(pulse.Volts, math.Round(v))
		rs = append(rs, r)
	}
	return rs
}

// A dropout of two hours, wherever in the hour it begins, is an exact gap at every zoom, packed or not.
func TestTwoHoursOutAreAGapAtEveryZoom(t *testing.T) {
	first, now := start, start.AddDate(0, 0, 120)
	var out []web.Span
	for i, minute := range []int{0, 1, 29, 30, 31, 59} {
		at := first.AddDate(0, 0, 10+20*i).Add(5*time.Hour + time.Duration(minute)*time.Minute)
		if i == 5 {
			at = now.Add(-26*time.Hour + time.Duration(minute)*time.Minute) // among those not packed
		}
		out = append(out, web.Span{From: at, To: at.Add(2 * time.Hour)})
	}
	n := storedNight(t, now, minutes(first, now, out...))
	for _, days := range []int{1, 3, 7, 15, 16, 40, 120, 365} {
		for i, gone := range out {
			t.Run(fmt.Sprintf("%d days, silence %d", days, i), func(t *testing.T) {
				from := gone.From.Add(-time.Duration(days) * 11 * time.Hour)
				span := web.Span{From: from, To: from.AddDate(0, 0, days)}
				s, err := n.Series(t.Context(), hazel, pulse.Volts, span, 360)
				if err != nil {
					t.Fatal(err)
				}
				if !slices.ContainsFunc(s.Gaps, func(g web.Span) bool { // one in ten is lost at its edges too
					return !g.From.After(gone.From) && !g.To.Before(gone.To) && g.To.Sub(g.From) < 2*time.Hour+12*time.Minute
				}) {
					t.Errorf("no gap at %v among %v", gone, s.Gaps)
				}
			})
		}
	}
}

// Long series say what the readings say: as many, the same extremes and mean, and no gap that is not one.
func TestSeriesOfHoursAgreesWithReadings(t *testing.T) {
	first, now := start.Add(17*time.Minute), start.AddDate(0, 0, 60)
	n := storedNight(t, now, minutes(first, now))
	span := web.Span{From: first.Add(-30 * time.Minute), To: now.Add(10 * 24 * time.Hour)}
	s, err := n.Series(t.Context(), hazel, pulse.Volts, span, 360)
	if err != nil {
		t.Fatal(err)
	}
	want, err := n.fold(n.rows(t.Context(), hazel, span), hazel, pulse.Volts, span, 1)
	if err != nil {
		t.Fatal(err)
	}
	whole := web.Bucket{Min: math.Inf(1), Max: math.Inf(-1)}
	for i, b := range s.Buckets {
		if i > 0 && b.Start.Sub(s.Buckets[i-1].Start) != s.Width {
			t.Fatalf("bucket %d begins at %v, the one before at %v; they are %v wide", i, b.Start, s.Buckets[i-1].Start, s.Width)
		}
		whole.N += b.N
		whole.Min, whole.Max = min(whole.Min, b.Min), max(whole.Max, b.Max)
		whole.Mean += (b.Mean - whole.Mean) * float64(b.N) / float64(whole.N)
	}
	w := want.Buckets[0]
	if whole.N != w.N || whole.Min != w.Min || whole.Max != w.Max || math.Abs(whole.Mean-w.Mean) > 1e-3 {
		t.Errorf("hours say %+v, readings %+v", whole, w)
	}
	if diff := cmp.Diff([]web.Span{{From: span.From, To: s.Gaps[0].To}}, s.Gaps); diff != "" || s.Gaps[0].To.Sub(first) > 5*time.Minute {
		t.Errorf("gaps other than the time before the first reading (-want +got):\n%s", diff)
	}
}

// A day's band is exact, across the change of clocks; its level lies where three quarters of its readings are under it.
func TestDays(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	first, now := time.Date(2026, 3, 20, 0, 0, 0, 0, loc), time.Date(2026, 4, 5, 15, 20, 0, 0, loc)
	rs := minutes(first, now)
	n := storedNight(t, now, rs)
	days, err := n.Days(t.Context(), hazel, web.Span{From: first.AddDate(0, 0, 2).Add(9 * time.Hour), To: now})
	if err != nil || len(days) != 15 {
		t.Fatalf("%d days, %v; want 15", len(days), err)
	}
	for i, d := range days {
		from := first.AddDate(0, 0, 2+i)
		var volts []float64
		for _, r := range rs {
			if v, _ := r.Get(pulse.Volts); !r.At.Before(from) && r.At.Before(first.AddDate(0, 0, 3+i)) {
				volts = append(volts, v)
			}
		}
		slices.Sort(volts)
		want := web.Day{Start: from.UTC(), N: len(volts), Min: volts[0], Max: volts[len(volts)-1], Level: d.Level}
		if diff := cmp.Diff(want, d); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
		if exact := volts[len(volts)*3/4]; math.Abs(d.Level-exact) > 0.015*exact {
			t.Errorf("%s: level %.0f V, three quarters of the readings are under %.0f V", from.Format(time.DateOnly), d.Level, exact)
		}
	}
}

// BenchmarkSeason reads what a season's plot shows. The bar for the whole plot is 100 ms with a million readings.
func BenchmarkSeason(b *testing.B) {
	now := start.AddDate(0, 0, 120)
	n := storedNight(b, now, minutes(start, now))
	span := web.Span{From: start, To: now}
	for b.Loop() {
		if _, err := n.Series(b.Context(), hazel, pulse.Volts, span, 360); err != nil {
			b.Fatal(err)
		}
		if _, err := n.Days(b.Context(), hazel, span); err != nil {
			b.Fatal(err)
		}
	}
}

// TestLastDaysAreReadTogether gives each sensor what it gets when it is read alone, packed or not, and one that was
// never heard a single gap; then it keeps them.
func TestLastDaysAreReadTogether(t *testing.T) {
	now := start.AddDate(0, 0, 3)
	n := storedNight(t, now, minutes(start, now, web.Span{From: now.Add(-5 * time.Hour), To: now.Add(-3 * time.Hour)}))
	var err error
	if n.sensors, err = newSensors(&n.cfg.Farm); err != nil {
		t.Fatal(err)
	}
	got := n.days(t.Context())
	long := func(g web.Span) bool { return g.To.Sub(g.From) >= 2*time.Hour }
	if len(got) != len(n.sensors) || len(got[hazel].Buckets) != sparkCount-8 || !slices.ContainsFunc(got[hazel].Gaps, long) {
		t.Fatalf("got %d of %d days, hazel's with %d parts and gaps %v", len(got), len(n.sensors), len(got[hazel].Buckets), got[hazel].Gaps)
	}
	span := web.Span{From: now.Add(-sparkSpan), To: now}
	for src, series := range got {
		want, err := n.Series(t.Context(), src, pulse.Volts, span, sparkCount)
		if err != nil {
			t.Fatal(err)
		}
		for i := range want.Buckets {
			b := &want.Buckets[i]
			b.Min, b.Mean, b.Max = b.Min/1000, b.Mean/1000, b.Max/1000
		}
		if diff := cmp.Diff(want, series); diff != "" {
			t.Errorf("%s (-want +got):\n%s", src, diff)
		}
	}
	n.archive.store = nil // what is kept needs none
	if diff := cmp.Diff(got, n.days(t.Context())); diff != "" {
		t.Errorf("asked again (-want +got):\n%s", diff)
	}
}
