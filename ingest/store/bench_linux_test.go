package store

import (
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// BenchmarkAppend stores batches of one zone's readings, each batch durable.
func BenchmarkAppend(b *testing.B) {
	for _, size := range []int{1000, 10_000} {
		b.Run(strconv.Itoa(size), func(b *testing.B) {
			db := openTemp(b)
			rs := series(rand.New(rand.NewPCG(1, 1)), "alder-bank/zone/brook", day0, size, time.Second)
			defer reportCPU(b)()
			for b.Loop() {
				mustAppend(b, db, rs...)
				for i := range rs {
					rs[i].At = rs[i].At.Add(time.Duration(size) * time.Minute)
					rs[i].Arrived = rs[i].At
				}
			}
			b.ReportMetric(float64(b.N*size)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

// packedDB returns a store with n packed readings of one zone.
func packedDB(tb testing.TB, n int) *DB {
	tb.Helper()
	db := openTemp(tb)
	rs := series(rand.New(rand.NewPCG(7, 7)), "alder-bank/zone/brook", day0, n, 500*time.Millisecond)
	for part := range slices.Chunk(rs, 50_000) {
		mustAppend(tb, db, part...)
	}
	mustPack(tb, db)
	return db
}

// reportCPU measures until the returned function is called: the processor's time tells more than the clock where
// others use the machine too.
func reportCPU(b *testing.B) func() {
	start := cpuTime(b)
	return func() { b.ReportMetric(float64((cpuTime(b)-start).Nanoseconds())/1e6/float64(b.N), "cpu-ms/op") }
}

// BenchmarkPack also tells how small readings become. 'file' is with SQLite's pages around the blocks.
func BenchmarkPack(b *testing.B) {
	rng := rand.New(rand.NewPCG(3, 3))
	for name, change := range map[string]func([]pulse.Reading){
		"volts": nil,
		"volts-sensor-clock": func(rs []pulse.Reading) {
			for i := range rs {
				rs[i].Arrived = rs[i].At.Add(time.Duration(40+rng.IntN(400)) * time.Millisecond)
			}
		},
		"volts-whole-seconds": func(rs []pulse.Reading) {
			for i := range rs {
				rs[i].At = rs[i].At.Truncate(time.Second)
				rs[i].Arrived = rs[i].At
			}
		},
		"everything": func(rs []pulse.Reading) { full(rng, rs) },
	} {
		b.Run(name, func(b *testing.B) {
			const n = 120 * 1440
			var bytes, file int64
			for b.Loop() {
				b.StopTimer()
				rs := series(rand.New(rand.NewPCG(7, 7)), "alder-bank/zone/brook", day0, n, 500*time.Millisecond)
				if change != nil {
					change(rs)
				}
				db := openTemp(b)
				mustAppend(b, db, rs...)
				b.StartTimer()
				mustPack(b, db)
				b.StopTimer()
				err := db.read.QueryRowContext(b.Context(), `SELECT sum(length(head) + length(data)) FROM store_block`).Scan(&bytes)
				if err != nil {
					b.Fatal(err)
				}
				path := b.TempDir() + "/copy.db"
				if err := db.Backup(b.Context(), path); err != nil {
					b.Fatal(err)
				}
				info, err := os.Stat(path)
				if err != nil {
					b.Fatal(err)
				}
				file = info.Size()
				b.StartTimer()
			}
			b.ReportMetric(float64(bytes)/n, "B/reading")
			b.ReportMetric(float64(file)/n, "file-B/reading")
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

// BenchmarkDaily asks for the daily extremes of 120 days of a zone.
func BenchmarkDaily(b *testing.B) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		b.Fatal(err)
	}
	db := packedDB(b, 120*1440)
	defer reportCPU(b)()
	for b.Loop() {
		days, err := db.Daily(b.Context(), "alder-bank/zone/brook", pulse.Volts, day0, day0.AddDate(0, 0, 120), dublin)
		if err != nil || len(days) < 120 {
			b.Fatal(len(days), err)
		}
	}
}

// BenchmarkSeason reads a million readings of a zone: as readings, as 1000 points that no hour fits, and as days.
func BenchmarkSeason(b *testing.B) {
	const n = 1_000_000
	db := packedDB(b, n)
	end := day0.Add(n * time.Minute)
	b.Run("range", func(b *testing.B) {
		defer reportCPU(b)()
		for b.Loop() {
			count := 0
			for _, err := range db.Range(b.Context(), "alder-bank/zone/brook", time.Time{}, time.Time{}) {
				if err != nil {
					b.Fatal(err)
				}
				count++
			}
			if count != n {
				b.Fatal(count)
			}
		}
	})
	for name, step := range map[string]time.Duration{"buckets": end.Sub(day0) / 1000, "buckets-of-12h": 12 * time.Hour} {
		b.Run(name, func(b *testing.B) {
			defer reportCPU(b)()
			for b.Loop() {
				got, err := db.Buckets(b.Context(), "alder-bank/zone/brook", pulse.Volts, day0, end, step)
				if err != nil || len(got) < 1000 {
					b.Fatal(len(got), err)
				}
			}
		})
	}
}
