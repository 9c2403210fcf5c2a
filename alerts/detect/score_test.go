package detect_test

import (
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim/scenario"
)

var update = flag.Bool("update", false, "write the figures of this run as the ones to beat")

// figuresFile holds the figures that may only improve.
const figuresFile = "testdata/score.txt"

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return s[len(s)/2]
}

func worst(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	return slices.Max(v)
}

func absolute(v []float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.Abs(x)
	}
	return out
}

func of(a, b int) string {
	if b == 0 {
		return "-"
	}
	return fmt.Sprintf("%d/%d", a, b)
}

const header = "season        found  hard   delay  hard worst  cause  at once zone   place  off  twice false /zm    growth off d alarms"

func (s score) row(name string) string {
	return fmt.Sprintf("%-13s %-6s %-6s %5.1f %5.1f %5.0f  %-6s %-7s %-6s %-5s %3.0f%% %5d %5d %.3f  %-6s %5.1f %6d",
		name, of(s.found, s.faults), of(len(s.hard), s.hardFaults), median(s.delays), median(s.hard), worst(s.hard), of(s.cause, s.found), of(s.firstCause, s.found),
		of(s.zone, s.found), of(s.placed, s.placeable), 100*median(s.distance), s.extra, s.false_, float64(s.false_)/s.zoneMonths,
		of(s.warned, s.growths), median(absolute(s.weekAhead)), s.raised)
}

// figures are the ones held against the file, each so that less is better.
func (s score) figures() map[string]float64 {
	part := func(a, b int) float64 { return math.Round(1e4*(1-float64(a)/float64(b))) / 1e4 }
	return map[string]float64{
		"faults_missed_share":                   part(s.found, s.faults),
		"hard_faults_missed_share":              part(len(s.hard), s.hardFaults),
		"hard_delay_median_periods":             math.Round(100*median(s.hard)) / 100,
		"cause_wrong_share":                     part(s.cause, s.found),
		"cause_wrong_at_once_share":             part(s.firstCause, s.found),
		"zone_wrong_share":                      part(s.zone, s.found),
		"distance_error_median_share":           math.Round(1e4*median(s.distance)) / 1e4,
		"false_alarms_per_zone_month":           math.Round(1e4*float64(s.false_)/s.zoneMonths) / 1e4,
		"growth_unwarned_share":                 part(s.warned, s.growths),
		"forecast_error_week_ahead_days":        math.Round(100*median(absolute(s.weekAhead))) / 100,
		"forecast_interval_missed_over_a_tenth": max(0, part(s.spanned, s.dated)-0.1), // nine in ten is what it promises, and wider is no better
		"alarms_beyond_one_a_fault":             float64(s.extra),
	}
}

// generalRule is what a user would write in a general alerting system: under the minimum for five minutes, or no
// reading for ten.
type generalRule struct {
	zones  map[pulse.SensorID]*ruleState
	events []alerts.Event
	tick   time.Time
}

type ruleState struct {
	source      farm.Source
	minimum     float64
	quiet       time.Duration // without a reading that counts as silence
	under, last time.Time
	low, silent string // the alarm's ID while raised
}

const (
	ruleUnder  = 5 * time.Minute
	ruleSilent = 10 * time.Minute
)

func newGeneralRule(f *farm.Farm) *generalRule {
	g := &generalRule{zones: map[pulse.SensorID]*ruleState{}}
	for i := range f.Energizers {
		s := f.Energizers[i].Source()
		g.zones[detect.SensorID(f, s)] = &ruleState{source: s, quiet: quietFor(f.Energizers[i].Sensor)}
	}
	for i := range f.Zones {
		s := f.Zones[i].Source()
		g.zones[detect.SensorID(f, s)] = &ruleState{source: s, minimum: f.Zones[i].MinimumVolts, quiet: quietFor(f.Zones[i].Sensor)}
	}
	return g
}

// quietFor is ten minutes, or for a slow sensor two periods and a half: nobody would keep a rule that cries at each.
func quietFor(s farm.Sensor) time.Duration { return max(ruleSilent, s.Every*5/2) }

func (g *generalRule) say(kind alerts.EventKind, id *string, s *ruleState, c alerts.Condition, at time.Time) {
	if kind == alerts.Raised {
		*id = alerts.AlarmID(at, s.source, c)
	}
	g.events = append(g.events, alerts.Event{ID: *id, Time: at, Kind: kind, Finding: alerts.Finding{Source: s.source, Condition: c, Cause: alerts.Unknown, Priority: alerts.High}})
	if kind == alerts.Returned {
		*id = ""
	}
}

func (g *generalRule) observe(r *pulse.Reading) {
	if r.Arrived.Sub(g.tick) >= time.Minute {
		g.tick = r.Arrived
		for _, s := range g.zones {
			if !s.last.IsZero() && s.silent == "" && r.Arrived.Sub(s.last) >= s.quiet {
				g.say(alerts.Raised, &s.silent, s, alerts.Silent, r.Arrived)
			}
		}
	}
	s := g.zones[r.Sensor]
	s.last = r.Arrived
	if s.silent != "" {
		g.say(alerts.Returned, &s.silent, s, alerts.Silent, r.Arrived)
	}
	v, ok := r.Get(pulse.Volts)
	switch {
	case !ok:
	case v >= s.minimum:
		s.under = time.Time{}
		if s.low != "" {
			g.say(alerts.Returned, &s.low, s, alerts.Low, r.Arrived)
		}
	case s.under.IsZero():
		s.under = r.Arrived
	case s.low == "" && r.Arrived.Sub(s.under) >= ruleUnder:
		g.say(alerts.Raised, &s.low, s, alerts.Low, r.Arrived)
	}
}

// runScore plays a season that comes with the program and scores the detectors and the general rule on it.
func runScore(t testing.TB, name string, limits detect.Limits) (ours, rule score) {
	t.Helper()
	s, err := scenario.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	return scoreSeason(t, s, limits)
}

func scoreSeason(t testing.TB, s *scenario.Scenario, limits detect.Limits) (ours, rule score) {
	t.Helper()
	truth, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	low, naive := lows{}, newGeneralRule(s.Farm())
	events, _ := watchSeason(t, s, limits, low, naive)
	ours = judge(s.Farm(), slices.Clone(truth.Labels), events, low, s.Options)
	rule = judge(s.Farm(), slices.Clone(truth.Labels), naive.events, low, s.Options)
	return ours, rule
}

// TestScore plays every season through the detectors and holds the figures against those to beat. SEASONS names some
// of them, for a closer look.
func TestScore(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: the scored seasons take a minute; run without -short")
	}
	names, some := scenario.Names(), os.Getenv("SEASONS")
	if some != "" {
		names = strings.Split(some, ",")
	}
	ours, rules := make([]score, len(names)), make([]score, len(names))
	t.Run("seasons", func(t *testing.T) {
		for i, name := range names {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				ours[i], rules[i] = runScore(t, name, detect.DefaultLimits())
			})
		}
	})
	var total, rule score
	t.Log(header)
	for i, name := range names {
		t.Log(ours[i].row(name))
		total.add(ours[i])
		rule.add(rules[i])
		if some != "" {
			for _, m := range ours[i].misses {
				t.Log("    ", m)
			}
		}
	}
	t.Log(total.row("all"))
	t.Log(rule.row("general rule"))
	if some != "" {
		return
	}
	for i, name := range names {
		if name == "untrimmed" && ours[i].raised > 12 {
			t.Errorf("a whole untrimmed season raised %d alarms, want at most 12", ours[i].raised)
		}
	}
	holdFigures(t, total.figures())
	if row := limitsRow("none", total); !strings.Contains(guide(t), row) {
		t.Errorf("%s has no row %q; LIMITS=1 go test -timeout 1h -run Limits ./alerts/detect -update writes the table", guideFile, row)
	}
}

// figuresIn returns the figures of a file, by name.
func figuresIn(text string) map[string]float64 {
	out := map[string]float64{}
	for line := range strings.Lines(text) {
		var key string
		var v float64
		if _, err := fmt.Sscanf(line, "%s %g", &key, &v); err == nil { // else a comment
			out[key] = v
		}
	}
	return out
}

// worsened says which figures got worse than those to beat, which are missing there, and which are no longer measured.
func worsened(got, toBeat map[string]float64) (out []string) {
	for _, k := range slices.Sorted(maps.Keys(toBeat)) {
		if v, ok := got[k]; !ok || !(v <= toBeat[k]) { // NaN is worse than any figure
			out = append(out, fmt.Sprintf("%s is %g, was %g: it may only get better", k, v, toBeat[k]))
		}
	}
	for _, k := range slices.Sorted(maps.Keys(got)) {
		if _, ok := toBeat[k]; !ok {
			out = append(out, k+" has no figure to beat")
		}
	}
	return out
}

// holdFigures fails the test for each figure that got worse than the file's. With -update it writes the file, where none
// did.
func holdFigures(t *testing.T, got map[string]float64) {
	t.Helper()
	text, err := os.ReadFile(figuresFile)
	if err != nil {
		t.Fatal(err)
	}
	toBeat := figuresIn(string(text))
	if *update {
		for k, v := range got {
			if _, ok := toBeat[k]; !ok {
				toBeat[k] = v
			}
		}
	}
	worse := worsened(got, toBeat)
	for _, w := range worse {
		t.Error(w)
	}
	if !*update || len(worse) > 0 {
		return
	}
	var b strings.Builder
	b.WriteString("# Figures of the scored seasons; less is better. A change may only lower them: go test ./alerts/detect -run Score -update\n")
	for _, k := range slices.Sorted(maps.Keys(got)) {
		fmt.Fprintf(&b, "%s %g\n", k, got[k])
	}
	if err := os.WriteFile(figuresFile, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

// What is told of figures against those to beat.
func TestFiguresMayOnlyGetBetter(t *testing.T) {
	for _, tt := range []struct {
		name, got string
		want      []string
	}{
		{"the same", "a 0.5\nb 2\n", nil},
		{"better", "a 0.4\nb 0\n", nil},
		{"worse", "a 0.6\nb 2\n", []string{"a is 0.6, was 0.5: it may only get better"}},
		{"no figure", "a NaN\nb 2\n", []string{"a is NaN, was 0.5: it may only get better"}},
		{"not measured", "a 0.5\n", []string{"b is 0, was 2: it may only get better"}},
		{"new", "a 0.5\nb 2\nc 1\n", []string{"c has no figure to beat"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, worsened(figuresIn(tt.got), figuresIn("# figures\na 0.5\nb 2\n"))); diff != "" {
				t.Errorf("told (-want +got):\n%s", diff)
			}
		})
	}
}
