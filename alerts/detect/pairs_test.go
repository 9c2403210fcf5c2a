package detect_test

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// step is something that happens on a bench, and for how long it then plays on.
type step struct {
	do  func(b *bench)
	run time.Duration
}

func part(zone string, at float64) func(*bench) {
	return func(b *bench) { s := b.zone(zone); s.parted, s.part = true, at }
}

func short(zone string, ohms, at float64) func(*bench) {
	return func(b *bench) { s := b.zone(zone); s.short, s.part = 1/ohms, at }
}

func joint(zone string, ohms float64) func(*bench) {
	return func(b *bench) { s := b.zone(zone); s.inLine, s.part = ohms, 0.5 }
}

func mend(zones ...string) func(*bench) {
	return func(b *bench) {
		for _, z := range zones {
			b.zone(z).mend()
		}
	}
}

func power(ratio float64) func(*bench) {
	return func(b *bench) { b.wires["cartshed"].open = 8200 * ratio }
}

func mute(s farm.Source) func(*bench) {
	return func(b *bench) { b.alter = func(d *device, _ *pulse.Reading) bool { return d.source != s } }
}

func unmute(b *bench) { b.alter = nil }

// expected is what must be found among the alarms: where, and why (any of), in the order of being raised.
type expected struct {
	source farm.Source
	causes []alerts.Cause
	over   bool
}

// sequels are two faults, at once or one after the other.
var sequels = []struct {
	name  string
	steps []step
	want  []expected
}{
	{"two zones apart part, an hour between",
		[]step{{part("lane", 0.5), time.Hour}, {part("orchard", 0.5), time.Hour}, {mend("lane", "orchard"), 3 * time.Hour}},
		[]expected{{"zone/lane", []alerts.Cause{alerts.Open}, true}, {"zone/orchard", []alerts.Cause{alerts.Open}, true}}},
	{"the near one mended first",
		[]step{{part("orchard", 0.5), time.Hour}, {part("lane", 0.5), time.Hour}, {mend("orchard"), 3 * time.Hour}},
		[]expected{{"zone/orchard", []alerts.Cause{alerts.Open}, true}, {"zone/lane", []alerts.Cause{alerts.Open}, false}}},
	{"mended, and parted elsewhere ten minutes on",
		[]step{{part("lane", 0.5), time.Hour}, {mend("lane"), 10 * time.Minute}, {part("orchard", 0.5), time.Hour}},
		[]expected{{"zone/lane", []alerts.Cause{alerts.Open}, true}, {"zone/orchard", []alerts.Cause{alerts.Open}, false}}},
	{"mended, and the same wire parts again an hour on",
		[]step{{part("lane", 0.5), time.Hour}, {mend("lane"), time.Hour}, {part("lane", 0.5), time.Hour}},
		[]expected{{"zone/lane", []alerts.Cause{alerts.Open}, true}, {"zone/lane", []alerts.Cause{alerts.Open}, false}}},
	{"a short, and the energizer goes off",
		[]step{{short("hazel", 150, 0.6), time.Hour}, {power(0), time.Hour}},
		[]expected{{"zone/hazel", []alerts.Cause{alerts.Short}, false}, {"energizer/cartshed", []alerts.Cause{alerts.EnergizerOff}, false}}},
	{"the energizer goes off, and a wire parts before it is back",
		[]step{{power(0), time.Hour}, {part("lane", 0.5), time.Hour}, {power(1), 2 * time.Hour}},
		[]expected{{"energizer/cartshed", []alerts.Cause{alerts.EnergizerOff}, true}, {"zone/lane", []alerts.Cause{alerts.Open}, false}}},
	{"a sensor dies, and a wire parts elsewhere",
		[]step{{mute("zone/orchard"), time.Hour}, {part("lane", 0.5), time.Hour}, {mend("lane"), 2 * time.Hour}, {unmute, 30 * time.Minute}},
		[]expected{{"zone/orchard", []alerts.Cause{alerts.SensorSilent}, true}, {"zone/lane", []alerts.Cause{alerts.Open}, true}}},
	{"a wire parts, and the dead zone's sensor dies too",
		[]step{{part("lane", 0.5), time.Hour}, {mute("zone/lane"), time.Hour}},
		[]expected{{"zone/lane", []alerts.Cause{alerts.Open}, false}, {"zone/lane", []alerts.Cause{alerts.SensorSilent}, false}}},
	{"a break behind, then within the hour one before it",
		[]step{{part("lane", 0.5), 30 * time.Minute}, {part("hazel", 0.5), time.Hour}, {mend("hazel", "lane"), 3 * time.Hour}},
		[]expected{{"zone/hazel", []alerts.Cause{alerts.Open}, true}}},
	{"two zones apart part, twenty minutes between",
		[]step{{part("orchard", 0.5), 20 * time.Minute}, {part("lane", 0.5), time.Hour}, {mend("orchard"), time.Hour}},
		[]expected{{"zone/orchard", []alerts.Cause{alerts.Open}, true}, {"zone/lane", []alerts.Cause{alerts.Open}, false}}},
	{"a joint that goes bad, then parts",
		[]step{{joint("lane", 20_000), 2 * time.Hour}, {part("lane", 0.5), time.Hour}},
		[]expected{{"zone/lane", []alerts.Cause{alerts.Joint, alerts.Open, alerts.Short}, false}}},
	{"a weak energizer, then off",
		[]step{{power(0.6), 2 * time.Hour}, {power(0), time.Hour}, {power(1), 2 * time.Hour}},
		[]expected{{"energizer/cartshed", []alerts.Cause{alerts.EnergizerWeak, alerts.EnergizerOff}, true}}},
}

// Two faults are two alarms, each with its own cause and end; one that gets worse stays one.
func TestOneFaultAfterAnother(t *testing.T) {
	for _, tt := range sequels {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.run(30 * time.Hour)
			b.quiet()
			for _, s := range tt.steps {
				s.do(b)
				b.run(s.run)
			}
			all := b.alarms()
			if len(all) != len(tt.want) {
				b.show()
				t.Fatalf("%d alarms, want %d", len(all), len(tt.want))
			}
			for i, w := range tt.want {
				a := all[i]
				if !a.saidOf(w.source, w.causes) {
					b.show()
					t.Errorf("alarm %d is of %s, cause %s; want %s, %v", i, a.first().Source, a.first().Cause, w.source, w.causes)
				}
				if a.over.IsZero() == w.over {
					b.show()
					t.Errorf("alarm %d, %s: over %t, want %t", i, a.id, !a.over.IsZero(), w.over)
				}
			}
		})
	}
}

// saidOf reports whether some event of the alarm names the source with one of the causes.
func (a *told) saidOf(s farm.Source, causes []alerts.Cause) bool {
	for _, e := range a.events {
		for _, c := range causes {
			if e.Source == s && e.Cause == c {
				return true
			}
		}
	}
	return false
}

// simultaneous are two faults within the same minute. One alarm or two will do, but each zone that is down must be
// named, high, within three minutes.
var simultaneous = []struct {
	name string
	do   []func(*bench)
	down []string
}{
	{"two wires part", []func(*bench){part("lane", 0.5), part("orchard", 0.3)}, []string{"lane", "orchard"}},
	{"a wire parts and another touches earth", []func(*bench){part("orchard", 0.3), short("hazel", 100, 0.5)}, []string{"hazel", "lane", "orchard"}},
	{"two shorts", []func(*bench){short("lane", 100, 0.5), short("orchard", 100, 0.5)}, []string{"lane", "orchard"}},
}

func TestTwoFaultsAtOnce(t *testing.T) {
	for _, tt := range simultaneous {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.run(30 * time.Hour)
			b.quiet()
			for _, do := range tt.do {
				do(b)
			}
			from := b.now
			b.run(10 * time.Minute)
			named := map[string]bool{}
			for _, a := range b.alarms() {
				for _, e := range a.events {
					if e.Priority != alerts.High || e.Time.Sub(from) > 6*time.Minute {
						continue
					}
					named[zoneName(e.Source)] = true
					for _, z := range e.Zones {
						named[z] = true
					}
				}
			}
			for _, z := range tt.down {
				if !named[z] {
					b.show()
					t.Errorf("%s is down and nobody says so", z)
				}
			}
			if n := len(b.alarms()); n > 2 {
				b.show()
				t.Errorf("%d alarms for two faults", n)
			}
		})
	}
}
