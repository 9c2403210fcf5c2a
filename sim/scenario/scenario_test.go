package scenario_test

import (
	"bytes"
	"encoding/json"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/sim"
	"nightwire/sim/scenario"
)

func TestSeasonsOpen(t *testing.T) {
	for _, name := range scenario.Names() {
		t.Run(name, func(t *testing.T) {
			s, err := scenario.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			if s.Name != name {
				t.Errorf("season in %s.yaml is called %q", name, s.Name)
			}
		})
	}
}

func TestSameSeedSameCapture(t *testing.T) {
	s, err := scenario.Open("demo")
	if err != nil {
		t.Fatal(err)
	}
	s.Options.Length = 3 * 24 * time.Hour
	var a, b bytes.Buffer
	for _, w := range []io.Writer{&a, &b} {
		if err := s.Capture(w); err != nil {
			t.Fatal(err)
		}
	}
	if a.Len() == 0 || !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("two captures of one season differ: %d and %d bytes", a.Len(), b.Len())
	}
}

func TestCaptureLinesAreJSON(t *testing.T) {
	s, err := scenario.Open("demo")
	if err != nil {
		t.Fatal(err)
	}
	s.Options.Length = 2 * time.Hour
	var out bytes.Buffer
	if err := s.Capture(&out); err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(out.Bytes()) {
		var got struct {
			TST        string
			Topic      string
			PayloadLen int
			Payload    json.RawMessage
		}
		if err := json.Unmarshal(line, &got); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if _, err := time.Parse("2006-01-02T15:04:05.000000Z+0000", got.TST); err != nil {
			t.Errorf("time of %s: %v", line, err)
		}
		if got.PayloadLen != len(got.Payload) || s.Farm().Zones == nil || got.Topic == "" {
			t.Errorf("line %s has a payload of %d bytes", line, len(got.Payload))
		}
	}
}

func TestTruths(t *testing.T) {
	all := truths(t)
	t.Run("seasons teach something", func(t *testing.T) { seasonsTeach(t, all) })
	t.Run("seasons are what they say", func(t *testing.T) { seasonsAreWhatTheySay(t, all) })
}

// truths returns what was truly wrong in every season.
func truths(t *testing.T) map[string]*sim.Truth {
	t.Helper()
	out := map[string]*sim.Truth{}
	for _, name := range scenario.Names() {
		s, err := scenario.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		if out[name], err = s.Truth(); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// Every scripted fault must be one that a sensor could notice, and the seasons together must hold every kind.
func seasonsTeach(t *testing.T, all map[string]*sim.Truth) {
	t.Helper()
	kinds := map[sim.Kind]int{}
	growing := 0
	for name, truth := range all {
		for _, l := range truth.Labels {
			kinds[l.Kind]++
			if l.Shows.IsZero() {
				t.Errorf("%s: %s never shows in any sensor", name, l)
			}
			if l.Kind == sim.Growth && !l.HoldsFrom.IsZero() {
				growing++
			}
		}
	}
	for _, k := range []sim.Kind{
		sim.Short, sim.Break, sim.FallenWire, sim.BadJoint, sim.StrandBreak, sim.CrackedInsulator, sim.Flapping, sim.GateOpen,
		sim.EnergizerOff, sim.EnergizerWeak, sim.FlatBattery, sim.PoorEarth, sim.SensorDead, sim.SensorStuck, sim.SensorGain,
		sim.SensorOffset, sim.LinkLost, sim.TakenDown, sim.Growth,
	} {
		if kinds[k] == 0 {
			t.Errorf("no season has a %s", k)
		}
	}
	if growing < 10 {
		t.Errorf("growth takes %d zones under for good, want at least 10", growing)
	}
	t.Logf("%d seasons, labels by kind: %v", len(scenario.Names()), kinds)
}

func seasonsAreWhatTheySay(t *testing.T, all map[string]*sim.Truth) {
	t.Helper()
	if n := len(all["quiet"].Labels); n > 0 {
		t.Errorf("quiet has %d labels: %v", n, all["quiet"].Labels)
	}
	for _, l := range all["moves"].Labels {
		if !l.Planned {
			t.Errorf("in moves something goes wrong: %s", l)
		}
	}
	under := 0
	for _, l := range all["untrimmed"].Labels {
		if l.Kind != sim.Growth {
			t.Errorf("in untrimmed more than growth goes wrong: %s", l)
		}
		under++
	}
	if under < 3 {
		t.Errorf("growth takes %d zones under in untrimmed", under)
	}
	want := map[sim.Kind]bool{sim.Break: true, sim.SensorDead: true, sim.Growth: true}
	for _, l := range all["demo"].Labels {
		if day := l.From.Sub(time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC)).Hours() / 24; day > 11 {
			t.Errorf("in the demo %s comes on day %.1f, too late to watch", l, day)
		}
		delete(want, l.Kind)
	}
	if len(want) > 0 {
		t.Errorf("the demo lacks %v", want)
	}
}

// The season to write one's own after names every kind of fault.
func TestDemoNamesEveryKind(t *testing.T) {
	s, err := scenario.Open("demo")
	if err != nil {
		t.Fatal(err)
	}
	_, list, _ := strings.Cut(string(s.File()), "# Kinds: ")
	list, _, _ = strings.Cut(list, ".\n")
	named := strings.FieldsFunc(list, func(r rune) bool { return r != '-' && (r < 'a' || r > 'z') })
	if len(named) != 17 {
		t.Errorf("%d kinds named: %q", len(named), named)
	}
	for kind := range faultKinds(t) {
		if !slices.Contains(named, string(kind)) {
			t.Errorf("no word of %s", kind)
		}
	}
}

// faultKinds are the kinds of fault in all seasons, which together hold every one.
func faultKinds(t *testing.T) map[sim.Kind]bool {
	t.Helper()
	kinds := map[sim.Kind]bool{}
	for _, name := range scenario.Names() {
		s, err := scenario.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range s.Options.Faults {
			kinds[f.Kind] = true
		}
	}
	return kinds
}

// BenchmarkSeasons runs every season to its end, as a scorer does.
func BenchmarkSeasons(b *testing.B) {
	messages := 0
	for b.Loop() {
		messages = 0
		for _, name := range scenario.Names() {
			s, err := scenario.Open(name)
			if err != nil {
				b.Fatal(err)
			}
			season, err := s.Sim()
			if err != nil {
				b.Fatal(err)
			}
			for range season.Messages() {
				messages++
			}
		}
	}
	b.ReportMetric(float64(messages), "messages")
}
