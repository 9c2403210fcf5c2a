package store

import (
	"math/rand/v2"
	"os"
	"regexp"
	"strconv"
	"syscall"
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

// packedDB returns a store with n packed readings of one zone, and the size of its blocks.
func packedDB(tb testing.TB, n int, change func([]pulse.Reading)) (db *DB, bytes int64) {
	tb.Helper()
	db = openTemp(tb)
	rs := series(rand.New(rand.NewPCG(7, 7)), "alder-bank/zone/brook", day0, n, 500*time.Millisecond)
	if change != nil {
		change(rs)
	}
	for len(rs) > 0 {
		k := min(len(rs), 50_000)
		mustAppend(tb, db, rs[:k]...)
		rs = rs[k:]
	}
	mustPack(tb, db)
	err := db.read.QueryRowContext(tb.Context(), `SELECT sum(length(head) + length(data)) FROM store_block`).Scan(&bytes)
	if err != nil {
		tb.Fatal(err)
	}
	return db, bytes
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
	db, _ := packedDB(b, 120*1440, nil)
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
	db, _ := packedDB(b, n, nil)
	end := day0.Add(n * time.Minute)
	b.Run("range", func(b *testing.B) {
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
			for b.Loop() {
				got, err := db.Buckets(b.Context(), "alder-bank/zone/brook", pulse.Volts, day0, end, step)
				if err != nil || len(got) < 1000 {
					b.Fatal(len(got), err)
				}
			}
		})
	}
}

// writtenBytes returns what this process has caused to be written to disk, from /proc/self/io.
func writtenBytes(tb testing.TB) int64 {
	tb.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		tb.Skip("skipped: no /proc/self/io:", err)
	}
	m := regexp.MustCompile(`(?m)^write_bytes: (\d+)$`).FindSubmatch(text)
	n, err := strconv.ParseInt(string(m[1]), 10, 64)
	if err != nil {
		tb.Fatal(err)
	}
	return n
}

func skipUnlessOnDisk(tb testing.TB, dir string) {
	tb.Helper()
	const tmpfs = 0x01021994
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil {
		tb.Fatal(err)
	}
	if fs.Type == tmpfs {
		tb.Skip("skipped: the folder for temporary files is not on a disk")
	}
}

// commits stores n batches of 20 sensors, ten seconds apart, and returns the bytes written for each.
func commits(tb testing.TB, db *DB, start time.Time, n int) float64 {
	tb.Helper()
	rng := rand.New(rand.NewPCG(5, 5))
	before := writtenBytes(tb)
	for i := range n {
		at := start.Add(time.Duration(i) * 10 * time.Second)
		batch := make([]pulse.Reading, 20)
		for k := range batch {
			batch[k] = volts(pulse.SensorID("alder-bank/zone/"+strconv.Itoa(k)), at, float64(7000+10*rng.IntN(40)))
		}
		full(rng, batch)
		mustAppend(tb, db, batch...)
	}
	return float64(writtenBytes(tb)-before) / float64(n)
}

// BenchmarkCommit20 makes 20 sensors' readings durable.
func BenchmarkCommit20(b *testing.B) {
	db := openTemp(b)
	skipUnlessOnDisk(b, db.path)
	at, sum := day0, 0.0
	for b.Loop() {
		sum += commits(b, db, at, 1)
		at = at.Add(10 * time.Second)
	}
	b.ReportMetric(sum/float64(b.N), "written-B/op")
}

// TestCommitWritesLittle holds the wear of memory cards down: 16 kB for each commit of 20 sensors, with what moving
// the log into the file costs.
func TestCommitWritesLittle(t *testing.T) {
	db := openTemp(t)
	skipUnlessOnDisk(t, db.path)
	commits(t, db, day0, 1)
	per := commits(t, db, day0.Add(time.Hour), 2500) // the log is moved every thousand pages
	t.Logf("%.0f bytes written for each commit of 20 sensors", per)
	if per > 16*1024 {
		t.Errorf("%.0f bytes written for each commit of 20 sensors, want at most 16384", per)
	}
}
