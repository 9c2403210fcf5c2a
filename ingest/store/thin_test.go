package store

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/ingest/pulse"
)

// fast makes readings of a sensor that reports every step, some of them late or lost, each with other fields.
func fast(rng *rand.Rand, sensor pulse.SensorID, start time.Time, length, step time.Duration) (rs []pulse.Reading) {
	for at := start; at.Before(start.Add(length)); at = at.Add(step) {
		if rng.IntN(50) == 0 {
			continue
		}
		r := volts(sensor, at.Add(time.Duration(rng.IntN(900))*time.Millisecond), 7000+float64(rng.IntN(900)))
		r.Arrived = r.At.Add(time.Duration(rng.IntN(300)) * time.Millisecond)
		if rng.IntN(3) == 0 {
			r.Set(pulse.BatteryVolts, 3.5+rng.Float64()/10)
		}
		if rng.IntN(7) == 0 {
			r.Set(pulse.RainMM, float64(rng.IntN(5))/10)
		}
		rs = append(rs, r)
	}
	return rs
}

// collectRows returns what is kept of a sensor.
func collectRows(t testing.TB, db *DB, sensor pulse.SensorID) (rows []Row) {
	t.Helper()
	for r, err := range db.Rows(t.Context(), sensor, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, r)
	}
	return rows
}

// thinned sums readings of a day up by minutes or hours the plain way.
func thinned(rs []pulse.Reading, unit time.Duration) (rows []Row) {
	for len(rs) > 0 {
		start := rs[0].At.Truncate(unit)
		n := 0
		for n < len(rs) && rs[n].At.Before(start.Add(unit)) {
			n++
		}
		empty := pulse.Reading{Sensor: rs[0].Sensor, At: start, Arrived: start}
		if len(rows) == 0 {
			empty.At, empty.Arrived = rs[0].At, rs[0].At // a day's block begins with its first reading
		}
		row := Row{empty, &Thin{Unit: unit, Low: empty, High: empty}}
		for f := range pulse.NumFields {
			if b := bucketOf(rs[:n], f, start, start.Add(unit)); b.N > 0 {
				row.Set(f, b.Mean)
				row.Thin.Low.Set(f, b.Min)
				row.Thin.High.Set(f, b.Max)
				row.Thin.N[f] = b.N
			}
		}
		rows, rs = append(rows, row), rs[n:]
	}
	return rows
}

// diffRows compares rows, means but for their rounding.
func diffRows(want, got []Row) string { return cmp.Diff(want, got, sameReading, nearly) }

// seam is a store with three days of a fast sensor and of a slow one, the first two thinned.
type seam struct {
	path       string
	db         *DB
	fast, slow []pulse.Reading
	cut        int // where the third day of the fast one begins
}

func newSeam(t *testing.T) *seam {
	t.Helper()
	rng := rand.New(rand.NewPCG(4, 2))
	s := &seam{path: filepath.Join(t.TempDir(), "night.db")}
	s.db = openAt(t, s.path)
	s.fast = fast(rng, "fast", day0, 3*wholeDay, 5*time.Second)
	s.slow = series(rng, "slow", day0.Add(500*time.Millisecond), 3*1440, 400*time.Millisecond)
	mustAppend(t, s.db, s.fast...)
	mustAppend(t, s.db, s.slow...)
	mustPack(t, s.db)
	s.cut = from(s.fast, day0.AddDate(0, 0, 2))
	return s
}

func (s *seam) retain(t *testing.T, readings, minutes int) {
	t.Helper()
	r := Retention{Readings: day0.AddDate(0, 0, readings)}
	if minutes > 0 {
		r.Minutes = day0.AddDate(0, 0, minutes)
	}
	if err := s.db.Retain(t.Context(), r); err != nil {
		t.Fatal(err)
	}
}

// sums fails unless the store says of these fields what the readings say, in each step of time.
func (s *seam) sums(t *testing.T, when string, steps ...time.Duration) {
	t.Helper()
	to := day0.AddDate(0, 0, 3)
	for _, step := range steps {
		for _, rs := range [][]pulse.Reading{s.fast, s.slow} {
			for _, f := range []pulse.Field{pulse.Volts, pulse.BatteryVolts} {
				got, err := s.db.Buckets(t.Context(), rs[0].Sensor, f, day0, to, step)
				if err != nil {
					t.Fatal(err)
				}
				var want []Bucket
				for at, k := day0, 0; at.Before(to); at = at.Add(step) {
					first := k
					for k < len(rs) && rs[k].At.Before(at.Add(step)) {
						k++
					}
					if b := bucketOf(rs[first:k], f, at, at.Add(step)); b.N > 0 {
						want = append(want, b)
					}
				}
				if diff := cmp.Diff(want, got, nearly); diff != "" {
					t.Fatalf("%s: %v of %s in steps of %v (-want +got):\n%.1500s", when, f, rs[0].Sensor, step, diff)
				}
			}
		}
	}
}

// TestMinutesStandForManyReadings: days of a sensor that reports often become minutes, which say of every field what
// the readings said; of one that reports once a minute every reading stays. A later step leaves hours.
func TestMinutesStandForManyReadings(t *testing.T) {
	s := newSeam(t)
	s.sums(t, "whole", time.Minute, time.Hour)
	for range 2 { // again changes nothing
		s.retain(t, 2, 0)
	}
	for range 2 {
		s.sums(t, "thinned", time.Minute, 6*time.Minute, time.Hour, 24*time.Hour)
		if diff := diffReadings(s.slow, collect(t, s.db, "slow", time.Time{}, time.Time{})); diff != "" {
			t.Errorf("the slow one (-want +got):\n%.1500s", diff)
		}
		if diff := diffReadings(s.fast[s.cut:], collect(t, s.db, "fast", time.Time{}, time.Time{})); diff != "" {
			t.Errorf("single readings of the fast one (-want +got):\n%.1500s", diff)
		}
		second := from(s.fast, day0.AddDate(0, 0, 1))
		want := slices.Concat(thinned(s.fast[:second], time.Minute), thinned(s.fast[second:s.cut], time.Minute))
		for _, r := range s.fast[s.cut:] {
			want = append(want, Row{Reading: r})
		}
		if diff := diffRows(want, collectRows(t, s.db, "fast")); diff != "" {
			t.Fatalf("rows of the fast one (-want +got):\n%.2000s", diff)
		}
		checkBlocks(t, s.db)
		if err := s.db.Close(); err != nil {
			t.Fatal(err)
		}
		s.db = openAt(t, s.path) // and all of it once more
	}
	s.retain(t, 2, 1)
	s.sums(t, "hours", time.Hour, 24*time.Hour)
	if rows := collectRows(t, s.db, "fast"); rows[23].Thin == nil || rows[23].Thin.Unit != time.Hour || rows[24].Thin == nil || rows[24].Thin.Unit != time.Minute {
		t.Errorf("rows 23 and 24 are %+v and %+v, want the last hour and the first minute", rows[23], rows[24])
	}
	if n := len(collect(t, s.db, "slow", time.Time{}, time.Time{})); n != 2*1440 {
		t.Errorf("%d readings of the slow one are left, want those of two days", n)
	}
}

// from returns which is the first reading from a time on.
func from(rs []pulse.Reading, at time.Time) int {
	return slices.IndexFunc(rs, func(r pulse.Reading) bool { return !r.At.Before(at) })
}

// TestLateReadingsOfThinnedDays: of a day whose single readings went none are taken, of one that kept them they are.
func TestLateReadingsOfThinnedDays(t *testing.T) {
	s := newSeam(t)
	waiting := volts("fast", day0.Add(time.Hour+time.Millisecond), 1) // fresh when its day is thinned
	mustAppend(t, s.db, waiting)
	s.retain(t, 2, 0)
	at := day0.Add(90*time.Second + 3*time.Millisecond)
	late := []pulse.Reading{volts("fast", at, 1), s.fast[0], volts("slow", at, 2), s.slow[0]}
	if diff := diffReadings(late[2:3], mustAppend(t, s.db, late...)); diff != "" {
		t.Errorf("new ones (-want +got):\n%s", diff)
	}
	mustPack(t, s.db)
	s.slow = once(append(s.slow, late[2]))
	s.sums(t, "after late ones", time.Minute, time.Hour)
	if first, hours, err := s.db.First(t.Context(), "fast"); err != nil || !first.Equal(s.fast[s.cut].At) || !hours.Equal(s.fast[0].At) {
		t.Errorf("single readings from %v, hours from %v, %v", first, hours, err)
	}
	if r, ok, err := s.db.Latest(t.Context(), "fast"); err != nil || !ok || !r.At.Equal(s.fast[len(s.fast)-1].At) {
		t.Errorf("the latest is %v, %v, %v", r, ok, err)
	}
}

// TestFirstIsAfterTheLastGap: single readings before a day that was thinned are not all of them.
func TestFirstIsAfterTheLastGap(t *testing.T) {
	db := openTemp(t)
	rng := rand.New(rand.NewPCG(1, 1))
	mustAppend(t, db, series(rng, "a", day0.Add(time.Second), 1440, 0)...)
	mustAppend(t, db, fast(rng, "a", day0.AddDate(0, 0, 1), wholeDay, 5*time.Second)...)
	mustAppend(t, db, series(rng, "a", day0.AddDate(0, 0, 2).Add(time.Second), 1440, 0)...)
	mustPack(t, db)
	if err := db.Retain(t.Context(), Retention{Readings: day0.AddDate(0, 0, 3)}); err != nil {
		t.Fatal(err)
	}
	first, hours, err := db.First(t.Context(), "a")
	if want := day0.AddDate(0, 0, 2).Add(time.Second); err != nil || !first.Equal(want) || !hours.Equal(day0.Add(time.Second)) {
		t.Errorf("single readings from %v, hours from %v, %v; want %v", first, hours, err, want)
	}
}

// TestRetainFailsAnywhere makes each statement of letting go fail in turn: what is kept says the same afterwards, and
// the next call does the rest.
func TestRetainFailsAnywhere(t *testing.T) {
	for _, tt := range []struct{ name, trigger string }{
		{"noting that days may be let go", `BEFORE INSERT ON store_state WHEN new.key = 'reduced'`},
		{"taking a day's blocks away", `BEFORE DELETE ON store_block`},
		{"the minutes of the first day", `BEFORE INSERT ON store_block WHEN new.kept = 1`},
		{"the minutes of the second day", fmt.Sprintf(`BEFORE INSERT ON store_block WHEN new.kept = 1 AND new.from_ms >= %d`, day0.AddDate(0, 0, 1).UnixMilli())},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := newSeam(t)
			if _, err := s.db.w.db.ExecContext(t.Context(), `CREATE TRIGGER spoil `+tt.trigger+` BEGIN SELECT raise(ABORT, 'spoilt'); END`); err != nil {
				t.Fatal(err)
			}
			r := Retention{Readings: day0.AddDate(0, 0, 2)}
			if err := s.db.Retain(t.Context(), r); err == nil || !strings.Contains(err.Error(), "spoilt") {
				t.Fatalf("got %v", err)
			}
			s.sums(t, "after the failure", time.Minute)
			if err := s.db.Close(); err != nil {
				t.Fatal(err)
			}
			s.db = openAt(t, s.path)
			s.sums(t, "opened again", time.Minute)
			if _, err := s.db.w.db.ExecContext(t.Context(), `DROP TRIGGER spoil`); err != nil {
				t.Fatal(err)
			}
			s.retain(t, 2, 0)
			s.sums(t, "thinned at last", time.Minute)
			if n := len(collect(t, s.db, "fast", time.Time{}, time.Time{})); n != len(s.fast)-s.cut {
				t.Errorf("%d single readings are left, want %d", n, len(s.fast)-s.cut)
			}
		})
	}
}

// TestHoursFailAndComeLater is TestRetainFailsAnywhere for the step from minutes to hours.
func TestHoursFailAndComeLater(t *testing.T) {
	s := newSeam(t)
	s.retain(t, 2, 0)
	if _, err := s.db.w.db.ExecContext(t.Context(), `CREATE TRIGGER spoil BEFORE UPDATE ON store_block BEGIN SELECT raise(ABORT, 'spoilt'); END`); err != nil {
		t.Fatal(err)
	}
	if err := s.db.Retain(t.Context(), Retention{Minutes: day0.AddDate(0, 0, 1)}); err == nil || !strings.Contains(err.Error(), "spoilt") {
		t.Fatalf("got %v", err)
	}
	s.sums(t, "after the failure", time.Minute)
	if _, err := s.db.w.db.ExecContext(t.Context(), `DROP TRIGGER spoil`); err != nil {
		t.Fatal(err)
	}
	s.retain(t, 2, 1)
	s.sums(t, "hours at last", time.Hour)
}

// TestDamagedBlockIsPutAside thins a day of which one block cannot be read: the others' minutes stay.
func TestDamagedBlockIsPutAside(t *testing.T) {
	s := newSeam(t)
	spoilBlob(t, s.db, "store_block", "sensor = 1 AND from_ms = (SELECT min(from_ms) FROM store_block WHERE sensor = 1)")
	s.retain(t, 2, 0)
	rows := collectRows(t, s.db, "fast")
	if n := len(rows); n < 2*1440-maxBlock/12-60+len(s.fast)-s.cut || n >= 2*1440+len(s.fast)-s.cut {
		t.Errorf("%d rows are left of %d readings and two days of minutes", n, len(s.fast)-s.cut)
	}
	var aside int
	if err := s.db.read.QueryRowContext(t.Context(), `SELECT count(*) FROM store_damaged`).Scan(&aside); err != nil || aside != 1 {
		t.Errorf("%d blocks were put aside, %v; want 1", aside, err)
	}
}

// TestExportSaysWhatItsLinesAre exports hours, minutes and single readings, and takes the last in again.
func TestExportSaysWhatItsLinesAre(t *testing.T) {
	s := newSeam(t)
	s.retain(t, 2, 1)
	var b bytes.Buffer
	var done, total int64
	out, err := s.db.ExportCSV(t.Context(), &b, Export{Sensors: []pulse.SensorID{"fast"}, Location: time.UTC,
		Report: func(d, of int64) { done, total = d, of }})
	if err != nil || out.Readings != len(s.fast)-s.cut || out.Summed != 24+1440 {
		t.Fatalf("%v, %v", out, err)
	}
	if rows := int64(out.Readings + out.Summed); done != rows-rows%reportRows || total != rows {
		t.Errorf("at the end %d of %d were reported, there were %d", done, total, rows)
	}
	lines, err := csv.NewReader(bytes.NewReader(b.Bytes())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	count, last := map[string]int{}, ""
	for _, l := range lines[1:] {
		if l[1] < last {
			t.Fatalf("%s comes after %s", l[1], last)
		}
		last = l[1]
		count[l[len(l)-1]]++
	}
	want := map[string]int{"reading": out.Readings}
	for _, of := range []string{"lowest", "mean", "highest"} {
		want[of+" of an hour"], want[of+" of a minute"] = 24, 1440
	}
	if diff := cmp.Diff(want, count); diff != "" {
		t.Errorf("lines (-want +got):\n%s", diff)
	}
	if rs, errs := readAll(b.String()); len(rs) != out.Readings || len(errs) > 0 {
		t.Errorf("%d readings would be imported, want %d; %.300q", len(rs), out.Readings, errs)
	}
	if got := out.String(); !strings.Contains(got, "1464 minutes or hours") {
		t.Error(got)
	}
}

// TestTailIsOwedSingleReadings thins nothing that a follower has still to read of the past.
func TestTailIsOwedSingleReadings(t *testing.T) {
	s := newSeam(t)
	tail := mustTail(t, s.db, "mirror")
	s.retain(t, 3, 0)
	if seen := takeAll(t, tail, 5000); len(seen) != len(s.fast)+len(s.slow) {
		t.Errorf("the follower got %d readings, want %d", len(seen), len(s.fast)+len(s.slow))
	}
	settleTail(t, tail)
	s.retain(t, 3, 0)
	if n := len(collect(t, s.db, "fast", time.Time{}, time.Time{})); n != 0 {
		t.Errorf("%d readings stay although the follower has them", n)
	}
	if taken, all := tail.Past(); taken != all || all < 3*wholeDay-time.Minute {
		t.Errorf("%v of %v of the past are taken, want all", taken, all)
	}
}

// TestKilledWhileThinning kills a process that lets go of days, again and again, until all is let go.
func TestKilledWhileThinning(t *testing.T) {
	s := newSeam(t)
	if err := s.db.Close(); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(2, 2))
	kills := 0
	wait := 2 * time.Millisecond
	for ended := false; !ended; kills++ {
		ended = runThinner(t, s.path, time.Duration(rng.Int64N(int64(wait))))
		wait = wait * 3 / 2 // on a slow machine a day takes long, and must come to its end some time
		s.db = openAt(t, s.path)
		s.sums(t, fmt.Sprint("after kill ", kills), time.Minute)
		checkBlocks(t, s.db)
		if err := s.db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	s.db = openAt(t, s.path)
	if n := len(collect(t, s.db, "fast", time.Time{}, time.Time{})); n != len(s.fast)-s.cut {
		t.Errorf("%d single readings are left, want %d", n, len(s.fast)-s.cut)
	}
	t.Logf("killed %d times", kills-1)
}

// BenchmarkThin tells how much room a day takes as readings, as minutes and as hours, and how long it takes to thin.
func BenchmarkThin(b *testing.B) {
	for _, every := range []time.Duration{time.Minute, 30 * time.Second, 20 * time.Second, 15 * time.Second, 10 * time.Second, 1300 * time.Millisecond} {
		b.Run(every.String(), func(b *testing.B) {
			n := int(wholeDay / every)
			rs := series(rand.New(rand.NewPCG(7, 7)), "a", day0, n, 0)
			for i := range rs {
				rs[i].At = day0.Add(time.Duration(i) * every)
				rs[i].Arrived = rs[i].At
			}
			var p packer
			size := 0
			for b.Loop() {
				minutes, union := summarize(rs, minuteMS)
				size = len(p.summary(minutes, union))
			}
			whole := 0
			for i := 0; i < n; i += maxBlock {
				_, data := p.block(rs[i:min(i+maxBlock, n)])
				whole += len(data)
			}
			hours, union := summarize(rs, hourMS)
			b.ReportMetric(float64(len(p.summary(hours, union))), "B/day-of-hours")
			b.ReportMetric(float64(whole), "B/day-of-readings")
			b.ReportMetric(float64(size), "B/day-of-minutes")
		})
	}
}
