package turnout_test

import (
	"os"
	"slices"
	"testing"
	"time"

	"nightwire/alerts/turnout"
	"nightwire/ingest/decode"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim"
	"nightwire/sim/scenario"
)

// asked counts the answers of one season. Only readings count here: no alarm is on, and people are reachable.
type asked struct {
	fresh, freshYes int                  // zone-hours of the first days, nothing wrong
	wrong, wrongYes int                  // zone-hours under a fault that takes the zone under its minimum, or its sensor away
	refusedFor      map[turnout.What]int // of fresh hours, what spoke against it
	lastWrong       string
}

// leastYes is the share of the hours of a sound fence in which the answer is yes; in the rest an animal pushed against
// the wire, growth was wet, or reports were lost.
const leastYes = 0.95

// freshDays is how long a fence counts as just strung.
const freshDays = 3

// askSeason asks for every zone at every full hour of a season of the simulator, which shares no code with the check.
func askSeason(t *testing.T, name string, days int) asked {
	t.Helper()
	s, err := scenario.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	s.Options.Length = min(s.Options.Length, time.Duration(days)*24*time.Hour)
	truth, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	run, err := s.Sim()
	if err != nil {
		t.Fatal(err)
	}
	d, err := decode.New(decode.Format{})
	if err != nil {
		t.Fatal(err)
	}
	f := s.Farm()
	sources := map[string]farm.Source{}
	for i := range f.Energizers {
		sources[f.Energizers[i].Sensor.Topic] = f.Energizers[i].Source()
	}
	for i := range f.Zones {
		sources[f.Zones[i].Sensor.Topic] = f.Zones[i].Source()
	}
	f.People = []farm.Person{{Name: "Aoife", Routes: []farm.Route{{Channel: "push"}}}}
	out := asked{refusedFor: map[turnout.What]int{}}
	samples := map[farm.Source][]turnout.Sample{}
	next := s.Options.Start.Add(time.Hour)
	for m := range run.Messages() {
		for ; !m.At.Before(next); next = next.Add(time.Hour) {
			out.ask(t, f, samples, truth.Labels, s.Options.Start, next)
		}
		rs, err := d.Decode("x", m.Payload, m.At, false)
		if err != nil {
			t.Fatalf("payload %q: %v", m.Payload, err)
		}
		if v, ok := rs[0].Get(pulse.Volts); ok {
			src := sources[m.Topic]
			samples[src] = append(samples[src], turnout.Sample{At: rs[0].At, Volts: v})
		}
	}
	return out
}

// ask asks at one moment, zone by zone, and counts.
func (a *asked) ask(t *testing.T, f *farm.Farm, samples map[farm.Source][]turnout.Sample, labels []sim.Label, start, now time.Time) {
	t.Helper()
	in := turnout.Input{Farm: f, Now: now, Watching: true, Tested: turnout.Test{At: now}, Samples: map[farm.Source][]turnout.Sample{}}
	for src, all := range samples {
		for len(all) > 0 && now.Sub(all[0].At) > time.Hour {
			all = all[1:]
		}
		samples[src] = all
	}
	window := func(src farm.Source, s farm.Sensor) {
		for _, one := range samples[src] {
			if now.Sub(one.At) <= turnout.Window(s) {
				in.Samples[src] = append(in.Samples[src], one)
			}
		}
	}
	for i := range f.Energizers {
		window(f.Energizers[i].Source(), f.Energizers[i].Sensor)
	}
	for i := range f.Zones {
		window(f.Zones[i].Source(), f.Zones[i].Sensor)
	}
	for i := range f.Zones {
		z := &f.Zones[i]
		in.Zones = []string{z.Name}
		v, err := turnout.Decide(in)
		if err != nil {
			t.Fatal(err)
		}
		a.count(&v, z, labels, start, now)
	}
}

// count puts one answer where it belongs by the labels. Where a fault is about that does not take the zone down, either
// answer may be right.
func (a *asked) count(v *turnout.Verdict, z *farm.Zone, labels []sim.Label, start, now time.Time) {
	for _, l := range labels {
		if l.Kind == sim.Growth || now.Before(l.From) || !now.Before(l.To.Add(time.Hour)) {
			continue
		}
		hard := slices.Contains([]sim.Kind{sim.Short, sim.Break, sim.FallenWire, sim.GateOpen, sim.EnergizerOff, sim.SensorDead}, l.Kind)
		takes := slices.Contains(l.Under, z.Name) || l.Kind == sim.SensorDead && l.Source == z.Source()
		if hard && takes && now.After(l.Shows.Add(20*time.Minute)) && now.Before(l.To) {
			a.wrong++
			if v.Yes {
				a.wrongYes++
				a.lastWrong = z.Name + " " + string(l.Kind) + now.Format(" 01-02 15:04")
			}
		}
		return
	}
	if now.Sub(start) > freshDays*24*time.Hour {
		return
	}
	a.fresh++
	if v.Yes {
		a.freshYes++
		return
	}
	for _, c := range v.Checks {
		if c.State == turnout.Failed {
			a.refusedFor[c.What]++
		}
	}
}

// TestSeasons asks through seasons of the simulator: behind a fault that takes a zone down the answer is never yes, and
// of a fence just strung it is yes nearly always, dew and rain included.
func TestSeasons(t *testing.T) {
	long := os.Getenv("NIGHTWIRE_LONG") != ""
	for _, tt := range []struct {
		season string
		days   int // of it that are played
	}{{"clean", 17}, {"steel", 3}, {"rainy", 3}, {"sparse", 3}, {"lossy", 3}, {"coarse", 3}, {"solar", 3}, {"ring", 3}} {
		t.Run(tt.season, func(t *testing.T) {
			days := tt.days
			switch {
			case long:
				days = 365
			case testing.Short() && tt.season != "steel":
				t.Skip("skipped: short")
			}
			a := askSeason(t, tt.season, days)
			t.Logf("just strung: yes in %d of %d zone-hours, refused for %v; behind a fault: yes in %d of %d %s", a.freshYes, a.fresh, a.refusedFor,
				a.wrongYes, a.wrong, a.lastWrong)
			if a.wrongYes > 0 {
				t.Errorf("yes behind a fault in %d of %d zone-hours, the last %s", a.wrongYes, a.wrong, a.lastWrong)
			}
			if tt.days > 10 && a.wrong < 10 {
				t.Errorf("only %d zone-hours behind a fault: this proves nothing", a.wrong)
			}
			if share := float64(a.freshYes) / float64(a.fresh); a.fresh < 100 || share < leastYes {
				t.Errorf("yes in %.2f of %d zone-hours just strung, want %.2f; refused for %v", share, a.fresh, leastYes, a.refusedFor)
			}
		})
	}
}
