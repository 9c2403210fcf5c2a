package store

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

func location(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// TestDailyAcrossClockChanges has one reading a minute: a day's count is its length. Dates of clock changes are from
// the tz database that comes with Go.
func TestDailyAcrossClockChanges(t *testing.T) {
	tests := []struct {
		zone  string
		day   string
		hours float64
	}{
		{"Europe/Dublin", "2026-03-28", 24},
		{"Europe/Dublin", "2026-03-29", 23},
		{"Europe/Dublin", "2026-10-25", 25},
		{"UTC", "2026-03-29", 24},
		{"America/Havana", "2026-03-08", 23},        // midnight is skipped
		{"America/Havana", "2026-11-01", 25},        // midnight comes twice
		{"Asia/Beirut", "2026-03-29", 23},           // midnight is skipped
		{"Australia/Lord_Howe", "2026-04-05", 24.5}, // half an hour
		{"Australia/Lord_Howe", "2026-10-04", 23.5},
		{"Asia/Kathmandu", "2026-06-01", 24}, // 5 h 45 min from UTC: no hour of ours fits
		{"America/St_Johns", "2026-03-08", 23},
		{"Pacific/Apia", "2011-12-29", 24}, // the 30th was left out
		{"Pacific/Apia", "2011-12-31", 24},
	}
	for _, tt := range tests {
		t.Run(tt.zone+" "+tt.day, func(t *testing.T) {
			loc := location(t, tt.zone)
			noon, err := time.ParseInLocation("2006-01-02 15", tt.day+" 12", loc)
			if err != nil {
				t.Fatal(err)
			}
			db := openTemp(t)
			start := noon.Add(-3 * 24 * time.Hour).UTC().Truncate(time.Hour)
			rs := make([]pulse.Reading, 6*1440)
			for i := range rs {
				rs[i] = volts("a", start.Add(time.Duration(i)*time.Minute), float64(i))
			}
			mustAppend(t, db, rs[:5000]...)
			mustPack(t, db)
			mustAppend(t, db, rs[5000:]...)
			days, err := db.Daily(t.Context(), "a", pulse.Volts, noon, noon.Add(time.Minute), loc)
			if err != nil || len(days) != 1 {
				t.Fatalf("got %v, %v; want one day", days, err)
			}
			d := days[0]
			if got := d.To.Sub(d.From).Hours(); got != tt.hours || d.N != int(tt.hours*60) {
				t.Errorf("the day from %v to %v has %v hours and %d readings, want %v hours", d.From, d.To, got, d.N, tt.hours)
			}
			want := bucketOf(rs[d.From.Sub(start)/time.Minute:d.To.Sub(start)/time.Minute], pulse.Volts, d.From, d.To)
			if diff := cmp.Diff(want, d, nearly); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestDailyIsWholeDays(t *testing.T) {
	loc := location(t, "Europe/Dublin")
	db := openTemp(t)
	rs := series(rand.New(rand.NewPCG(1, 1)), "a", day0, 10*1440, 0)
	mustAppend(t, db, rs...)
	mustPack(t, db)
	days, err := db.Daily(t.Context(), "a", pulse.Volts, day0.Add(50*time.Hour), day0.Add(75*time.Hour), loc)
	if err != nil {
		t.Fatal(err)
	}
	var want []Bucket
	for d := 2; d < 4; d++ {
		from := day0.AddDate(0, 0, d)
		want = append(want, bucketOf(rs[d*1440:(d+1)*1440], pulse.Volts, from, from.AddDate(0, 0, 1)))
	}
	if diff := cmp.Diff(want, days, nearly); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// TestHeadsAreEnough makes the data of all blocks unreadable: days of whole hours must not need it.
func TestHeadsAreEnough(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, series(rand.New(rand.NewPCG(1, 1)), "a", day0, 10*1440, 0)...)
	mustPack(t, db)
	query := func(step time.Duration) []Bucket {
		got, err := db.Buckets(t.Context(), "a", pulse.Volts, day0, day0.AddDate(0, 0, 10), step)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	days, hours := query(24*time.Hour), query(time.Hour)
	if _, err := db.w.db.ExecContext(t.Context(), `UPDATE store_block SET data = x'00'`); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(days, query(24*time.Hour)); diff != "" || len(days) != 10 {
		t.Errorf("days (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(hours, query(time.Hour)); diff != "" || len(hours) != 240 {
		t.Errorf("hours (-want +got):\n%s", diff)
	}
	if got := query(7 * time.Minute); len(got) != 0 {
		t.Errorf("steps of 7 minutes came from nowhere: %v", got[0])
	}
}

func TestBucketsRefuse(t *testing.T) {
	db := openTemp(t)
	for name, step := range map[string]time.Duration{"zero": 0, "negative": -time.Hour, "far too many": time.Millisecond} {
		if _, err := db.Buckets(t.Context(), "a", pulse.Volts, day0, day0.AddDate(1, 0, 0), step); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if got, err := db.Buckets(t.Context(), "a", pulse.Volts, day0, day0, time.Hour); got != nil || err != nil {
		t.Errorf("an empty stretch gave %v, %v", got, err)
	}
	if got, err := db.Daily(t.Context(), "nobody", pulse.Volts, day0, day0.AddDate(1, 0, 0), time.UTC); got != nil || err != nil {
		t.Errorf("nobody has %v, %v", got, err)
	}
}

// TestRetain keeps the hours of old days and then lets them go too.
func TestRetain(t *testing.T) {
	ctx := t.Context()
	db := openTemp(t)
	rs := series(rand.New(rand.NewPCG(1, 1)), "a", day0, 10*1440, 0)
	mustAppend(t, db, rs...)
	mustPack(t, db)
	daily := func() []Bucket {
		days, err := db.Daily(ctx, "a", pulse.Volts, day0, day0.AddDate(0, 0, 10), time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		return days
	}
	before := daily()
	noon := day0.AddDate(0, 0, 4).Add(12 * time.Hour) // in the middle of a day: that day stays whole
	if err := db.Retain(ctx, Retention{Minutes: noon}); err != nil {
		t.Fatal(err)
	}
	if diff := diffReadings(rs[4*1440:], collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("readings (-want +got):\n%.2000s", diff)
	}
	if diff := cmp.Diff(before, daily()); diff != "" {
		t.Errorf("days (-want +got):\n%s", diff)
	}

	late := []pulse.Reading{rs[0], volts("a", rs[5].At.Add(time.Second), 1), volts("b", day0, 2), volts("a", rs[4*1440].At.Add(time.Second), 3)}
	fresh := mustAppend(t, db, late...)
	if diff := diffReadings(late[2:], fresh); diff != "" {
		t.Errorf("late ones (-want +got):\n%s", diff)
	}
	mustPack(t, db)
	checkBlocks(t, db)

	if err := db.Retain(ctx, Retention{Minutes: noon, Hours: day0.AddDate(0, 0, 2)}); err != nil {
		t.Fatal(err)
	}
	got := daily()
	if len(got) != 8 || !got[0].From.Equal(day0.AddDate(0, 0, 2)) {
		t.Errorf("%d days are left, want 8: %v", len(got), got)
	}
	if rs := collect(t, db, "b", time.Time{}, time.Time{}); rs != nil {
		t.Errorf("older than all and still there: %v", rs)
	}
}

// TestRetainWhileFresh lets a day go while readings of it wait to be packed.
func TestRetainWhileFresh(t *testing.T) {
	db := openTemp(t)
	mustAppend(t, db, volts("a", day0, 1), volts("a", day0.AddDate(0, 0, 5), 2))
	mustPack(t, db)
	mustAppend(t, db, volts("a", day0.Add(time.Hour), 3))
	if err := db.Retain(t.Context(), Retention{Minutes: day0.AddDate(0, 0, 3)}); err != nil {
		t.Fatal(err)
	}
	mustPack(t, db)
	want := []pulse.Reading{volts("a", day0.AddDate(0, 0, 5), 2)}
	if diff := diffReadings(want, collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	checkBlocks(t, db)
}

// TestDailyAgainstPlainCount compares days of many places, in years of odd clock changes, with a count by calendar.
func TestDailyAgainstPlainCount(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	zones := []string{
		"Europe/Dublin", "Pacific/Apia", "America/Sao_Paulo", "Asia/Kolkata", "Africa/Casablanca", "Asia/Pyongyang",
		"America/Caracas", "Antarctica/Troll", "Asia/Gaza", "Europe/Istanbul",
	}
	for _, zone := range zones {
		t.Run(zone, func(t *testing.T) {
			loc := location(t, zone)
			db := openTemp(t)
			start := time.Date(2008+rng.IntN(12), time.Month(1+rng.IntN(12)), 1, 0, 0, 0, 0, time.UTC)
			var rs []pulse.Reading
			for at := start; at.Before(start.AddDate(0, 8, 0)); at = at.Add(time.Duration(1+rng.IntN(180)) * time.Minute) {
				r := pulse.Reading{Sensor: "a", At: at, Arrived: at}
				if rng.IntN(5) > 0 {
					r.Set(pulse.EarthVolts, float64(rng.IntN(900)))
				}
				rs = append(rs, r)
			}
			cut := rng.IntN(len(rs))
			mustAppend(t, db, rs[:cut]...)
			mustPack(t, db)
			mustAppend(t, db, rs[cut:]...)
			got, err := db.Daily(t.Context(), "a", pulse.EarthVolts, rs[0].At, rs[len(rs)-1].At.Add(1), loc)
			if err != nil {
				t.Fatal(err)
			}
			byDate := make(map[string][]pulse.Reading)
			for _, r := range rs {
				date := r.At.In(loc).Format(time.DateOnly)
				byDate[date] = append(byDate[date], r)
			}
			for _, b := range got {
				date := b.From.In(loc).Format(time.DateOnly)
				if diff := cmp.Diff(bucketOf(byDate[date], pulse.EarthVolts, b.From, b.To), b, nearly); diff != "" {
					t.Errorf("%s (-want +got):\n%s", date, diff)
				}
				delete(byDate, date)
			}
			for date, rest := range byDate {
				if n := bucketOf(rest, pulse.EarthVolts, time.Time{}, time.Time{}).N; n > 0 {
					t.Errorf("%s with %d readings is missing", date, n)
				}
			}
		})
	}
}
