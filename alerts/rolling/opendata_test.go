package rolling

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// reference returns the place of a file of open data, which is read where it lies, or skips the test.
func reference(t *testing.T, name string) string {
	t.Helper()
	dir := os.Getenv("NIGHTWIRE_REFERENCE")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "reference", "data")
	}
	file := filepath.Join(dir, filepath.FromSlash(name))
	if _, err := os.Stat(file); err != nil {
		t.Skipf("skipped: %s not there; set NIGHTWIRE_REFERENCE to the folder of reference data", name)
	}
	return file
}

// nabFiles are the series of the benchmark, with the raw standard-profile scores that its repository publishes for
// other detectors (results/<detector>/<detector>_standard_scores.csv). Their thresholds were tuned on all 58 series.
var nabFiles = []struct {
	name      string
	published [len(nabDetectors)]float64
}{
	{"realKnownCause/ambient_temperature_system_failure.csv", [...]float64{-2, -2, 1.76216857, -1.39979253, 1.65773265}},
	{"realKnownCause/machine_temperature_system_failure.csv", [...]float64{-4, -2.87990404, -2.11856898, -0.91610149, 2.55633019}},
	{"artificialWithAnomaly/art_daily_jumpsdown.csv", [...]float64{-1, -0.29153156, -1, 0.60168665, 0.99345305}},
	{"artificialWithAnomaly/art_daily_flatmiddle.csv", [...]float64{-1, -0.04133121, -1, 0.88599685, 0.80397398}},
	{"artificialNoAnomaly/art_flatline.csv", [...]float64{0, 0, 0, 0, 0}},
	{"artificialNoAnomaly/art_noisy.csv", [...]float64{0, 0, 0, -0.22, 0}},
}

// nabDetectors are the published generic detectors; overall is their standard score over all 58 series.
var nabDetectors = [...]struct {
	name    string
	overall float64
}{
	{"windowed Gaussian", 39.6}, {"Bayesian change point", 17.7}, {"random cut forest", 51.7},
	{"relative entropy", 54.6}, {"ARTime, the best listed", 74.9},
}

// labelled is a series with its labels.
type labelled struct {
	values  []float64
	times   []time.Time
	windows []span
	starts  []int // row of each true start
}

func readNAB(t *testing.T, name string) (s labelled) {
	t.Helper()
	const layout = "2006-01-02 15:04:05" // also reads the fractions that window limits carry
	at := func(stamp string) time.Time {
		v, err := time.Parse(layout, stamp)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return v
	}
	file := reference(t, path.Join("nab", path.Base(name)))
	s.values = column(t, file, "value")
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows[1:] {
		s.times = append(s.times, at(r[0]))
	}
	row := func(stamp string) int {
		i := slices.IndexFunc(s.times, at(stamp).Equal)
		if i < 0 {
			t.Fatalf("%s has no row for its label %s", name, stamp)
		}
		return i
	}
	var labels map[string]struct {
		Labels  []string
		Windows [][2]string
	}
	b, err := os.ReadFile(reference(t, "nab/labels_subset.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &labels); err != nil {
		t.Fatal(err)
	}
	for i, w := range labels[name].Windows {
		s.windows = append(s.windows, span{row(w[0]), row(w[1])})
		s.starts = append(s.starts, row(labels[name].Labels[i]))
	}
	return s
}

// tally counts what alarms were worth.
type tally struct {
	standard, lowFP, lowFN float64 // raw scores
	windows, found         int
	alarms, falseAlarms    int
	months                 float64   // scored sensor-months of 30 days
	delays                 []float64 // hours from true start to first alarm in the window, +Inf for a miss
}

func (c *tally) count(s labelled, alarms []int) (score float64) {
	rows, probation := len(s.values), nabProbation(len(s.values))
	alarms = slices.DeleteFunc(slices.Clone(alarms), func(row int) bool { return row < probation })
	score = nabScore(rows, s.windows, alarms, nabStandard)
	c.standard += score
	c.lowFP += nabScore(rows, s.windows, alarms, nabLowFP)
	c.lowFN += nabScore(rows, s.windows, alarms, nabLowFN)
	c.windows += len(s.windows)
	c.alarms += len(alarms)
	c.months += s.times[rows-1].Sub(s.times[probation]).Hours() / 24 / 30
	inside := 0
	for i, w := range s.windows {
		delay := math.Inf(1)
		for _, row := range alarms {
			if !w.holds(row) {
				continue
			}
			inside++
			delay = min(delay, s.times[row].Sub(s.times[s.starts[i]]).Hours())
		}
		if !math.IsInf(delay, 1) {
			c.found++
		}
		c.delays = append(c.delays, delay)
	}
	c.falseAlarms += len(alarms) - inside
	return score
}

func (c *tally) scores() [3]float64 {
	return [...]float64{nabNormalised(c.standard, c.windows, nabStandard),
		nabNormalised(c.lowFP, c.windows, nabLowFP), nabNormalised(c.lowFN, c.windows, nabLowFN)}
}

// atMost returns the rate at which events happen with 95 % confidence at most, if n were counted in a time: for none,
// 3.0 in that time.
func atMost(n int, time float64) float64 {
	return bisect(0, float64(n)+10*math.Sqrt(float64(n)+1), func(mean float64) bool {
		p, term := 0.0, math.Exp(-mean)
		for i := range n + 1 {
			p += term
			term *= mean / float64(i+1)
		}
		return p <= 0.05
	}) / time
}

func TestOpenDataNAB(t *testing.T) {
	fixed := general
	fixed.margin = 0 // the limit from run-length theory alone
	for _, tc := range []struct {
		name      string
		setting   changeSetting
		standard  float64 // no worse than this
		falseMost int
	}{
		{"limit measured", general, 17.4, 12},
		{"limit from theory", fixed, 16.0, 33},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var all tally
			for _, file := range nabFiles {
				s := readNAB(t, file.name)
				alarms := tc.setting.alarms(s.values)
				score := all.count(s, alarms)
				t.Logf("%-55s score %6.2f, windows %v, alarms at %v", file.name, score, s.windows, alarms)
			}
			got := all.scores()
			slices.Sort(all.delays)
			t.Logf("setting %+v on these six series: standard %.1f, low FP %.1f, low FN %.1f", tc.setting, got[0], got[1], got[2])
			t.Logf("windows found %d of %d; alarms inside windows %d of %d", all.found, all.windows, all.alarms-all.falseAlarms, all.alarms)
			t.Logf("false alarms %d in %.1f sensor-months: %.2f a month, 95 %% upper bound %.2f",
				all.falseAlarms, all.months, float64(all.falseAlarms)/all.months, atMost(all.falseAlarms, all.months))
			t.Logf("hours to detect, from the label, before it if negative: %.1f", all.delays)
			if got[0] < tc.standard || all.falseAlarms > tc.falseMost {
				t.Errorf("standard score %.1f with %d false alarms; it was %.1f with %d", got[0], all.falseAlarms, tc.standard, tc.falseMost)
			}
		})
	}
	for i, d := range nabDetectors {
		sum, windows := 0.0, 0
		for _, file := range nabFiles {
			sum += file.published[i]
			windows += len(readNAB(t, file.name).windows)
		}
		t.Logf("published, %-24s same six series, standard %5.1f; all 58 series %5.1f", d.name+":",
			nabNormalised(sum, windows, nabStandard), d.overall)
	}
}

func TestOpenDataStepChanges(t *testing.T) {
	// Turing Change Point Dataset, quality_control_1 to 5: row of the true change. Some have a trend or a season too.
	late, found := []string{}, 0
	for i, change := range []int{146, 97, 179, 341, -1} {
		name := fmt.Sprintf("tcpd_quality_control_%d.csv", i+1)
		xs := column(t, reference(t, name), "y")
		alarms := general.alarms(xs)
		t.Logf("%s: change at %d of %d rows, alarms at %v", name, change, len(xs), alarms)
		for _, row := range alarms {
			if change < 0 || row < change {
				t.Errorf("%s: false alarm at %d", name, row)
			}
		}
		if change >= 0 && len(alarms) > 0 {
			found++
			late = append(late, fmt.Sprint(alarms[0]-change))
		}
	}
	t.Logf("found %d of 4 steps, %v rows after the change", found, late)
	if found < 3 {
		t.Errorf("found %d steps; it was 3", found)
	}
}

func TestOpenDataPlainCUSUM(t *testing.T) {
	// Taking the values for standard normal ones, k .5 and h 5.
	c := NewCUSUM(0.5, 5, 0)
	first := -1
	for i, y := range column(t, reference(t, "tcpd_quality_control_2.csv"), "y") {
		if c.Add(y) != Steady {
			first = i
			break
		}
	}
	if first != 99 {
		t.Errorf("first alarm at %d, want 99; the true change is at 97", first)
	}
	within(t, "upper sum", c.Sum(Up), 5.7579, 5e-5)

	c.Reset()
	for i, y := range column(t, reference(t, "tcpd_quality_control_5.csv"), "y") {
		if c.Add(y) != Steady {
			t.Errorf("false alarm at %d of a series without a change", i)
		}
	}
}

func TestAtMost(t *testing.T) {
	within(t, "none in one", atMost(0, 1), 2.9957, 5e-5)   // the rule of three
	within(t, "three in two", atMost(3, 2), 7.754/2, 5e-4) // exact Poisson limits, as in tables of χ²/2
}
