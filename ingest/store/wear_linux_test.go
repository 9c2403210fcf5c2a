package store

import (
	"math/rand/v2"
	"os"
	"regexp"
	"runtime"
	"strconv"
	"syscall"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

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

// BenchmarkHub has 100,000 zones report once a minute for ten minutes at a time, in batches of a tenth of a second, and
// packs them.
func BenchmarkHub(b *testing.B) {
	const sensors, minutes, perBatch = 100_000, 10, 167
	names := make([]pulse.SensorID, sensors)
	for i := range names {
		names[i] = pulse.SensorID("hub/zone/" + strconv.Itoa(i))
	}
	rng := rand.New(rand.NewPCG(1, 1))
	db := openTemp(b)
	before := heapBytes()
	var appending, packing time.Duration
	var fresh, packed uint64
	at := day0
	for b.Loop() {
		start := cpuTime(b)
		for range minutes {
			for i := 0; i < sensors; i += perBatch {
				batch := make([]pulse.Reading, min(perBatch, sensors-i))
				for k := range batch {
					batch[k] = volts(names[i+k], at.Add(time.Duration(i+k)*600*time.Microsecond).Truncate(time.Millisecond), float64(7000+10*rng.IntN(40)))
				}
				mustAppend(b, db, batch...)
			}
			at = at.Add(time.Minute)
		}
		appending += cpuTime(b) - start
		fresh = heapBytes() - before
		start = cpuTime(b)
		mustPack(b, db)
		packing += cpuTime(b) - start
		packed = heapBytes() - before
	}
	n := float64(b.N * sensors * minutes)
	b.ReportMetric(float64(appending.Nanoseconds())/n, "append-cpu-ns/reading")
	b.ReportMetric(float64(packing.Nanoseconds())/n, "pack-cpu-ns/reading")
	b.ReportMetric(float64(fresh)/sensors, "heap-B/sensor-fresh")
	b.ReportMetric(float64(packed)/sensors, "heap-B/sensor-packed")
	runtime.KeepAlive(names)
}

func heapBytes() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// cpuTime is what this process has used of the processor, which other programs do not change.
func cpuTime(tb testing.TB) time.Duration {
	tb.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
