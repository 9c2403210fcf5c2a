package detect_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/sim"
)

// grownRing runs a ring of four zones of good wire on which more grows here than there, with one fault.
func grownRing(t *testing.T, seed uint64, leaks [4]float64, fault sim.Fault) []alerts.Event {
	t.Helper()
	f := paddocks()
	ground := map[string]sim.Ground{}
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM, f.Zones[i].MinimumVolts = 1200, 500
		ground[f.Zones[i].Name] = sim.Ground{Vigour: 1e-6, DewShare: 1e-6, Contact: 0.6, Patchy: -1, DrySiemen: leaks[i]}
	}
	return playRing(t, f, seed, ground, sim.Sensor{GainSpread: 0.05, White: 0.008, StepVolts: 10}, fault)
}

// grownHere is by how much more grows on one zone of the ring than on another, siemens a kilometre.
var grownHere = [][4]float64{{36e-4, 12e-4, 120e-4, 60e-4}, {120e-4, 36e-4, 12e-4, 240e-4}, {240e-4, 12e-4, 36e-4, 120e-4}}

// What leaks where on a ring is known within bars, and a joint has ohms to choose that make up for what is wrong with
// it. A wire that has parted is told as that all the same, and a bad joint as a bad joint.
func TestPartedOrJointInARing(t *testing.T) {
	for _, tt := range []struct {
		kind  sim.Kind
		atM   float64
		ohms  float64
		cause alerts.Cause
	}{{sim.Break, 10, 0, alerts.Open}, {sim.Break, 100, 0, alerts.Open}, {sim.BadJoint, 100, 700, alerts.Joint}} {
		t.Run(fmt.Sprintf("%s at %.0f m", tt.kind, tt.atM), func(t *testing.T) {
			for i, leaks := range grownHere {
				fault := sim.Fault{Kind: tt.kind, On: "zone/hazel", AtM: tt.atM, Ohms: tt.ohms, From: at(2.4), To: at(2.9)}
				found := false
				for _, e := range grownRing(t, uint64(i)+1, leaks, fault) {
					if e.Kind == alerts.Returned || e.Condition == alerts.Growth {
						continue
					}
					if found = true; e.Source != "zone/hazel" || e.Cause != tt.cause {
						t.Errorf("fence %d: told %s as %s: %s", i, e.Source, e.Cause, e.Text)
					}
				}
				if !found {
					t.Errorf("fence %d: nothing was told", i)
				}
			}
		})
	}
}

// A wire that parts within a ring and lies on the ground leaves what is behind it hot, fed the other way round, and what is
// before it low: no wire that is whole does that. Where it lies is told, and of two arms that begin at one place both.
func TestWireOnTheGroundInARing(t *testing.T) {
	for _, tt := range []struct {
		zone string
		atM  float64
	}{{"lane", 40}, {"lane", 90}, {"hazel", 60}, {"hazel", 180}} {
		t.Run(fmt.Sprintf("%s at %.0f m", tt.zone, tt.atM), func(t *testing.T) {
			f := paddocks()
			f.Zones[3].FedBy, f.Zones[3].JoinedTo = "brook", "lane" // orchard closes the ring brook, hazel, lane, orchard
			fault := sim.Fault{Kind: sim.FallenWire, On: farm.ZoneSource(tt.zone), AtM: tt.atM, Ohms: 300, From: at(2.4), To: at(2.6)}
			told := 0
			for _, e := range feed(t, newWatch(t, f), f, leaky(t, f, 3, 1e-4, fault)) {
				if e.Kind == alerts.Raised {
					told++
				}
				if e.Cause != alerts.Short || e.Kind != alerts.Returned && !strings.Contains(e.Text, "in "+tt.zone) && !strings.Contains(e.Text, "along "+tt.zone) {
					t.Errorf("%s %s as %s: %s %v", e.Kind, e.Source, e.Cause, e.Text, e.Evidence)
				}
			}
			if told != 1 {
				t.Errorf("%d alarms, want one", told)
			}
		})
	}
}

// A ring in which a wire has parted at night loses less by it as the dew dries, and what it loses hovers about what is well.
// That is one alarm of a parted wire until the wire is joined, and not something that comes and goes.
func TestPartedInARingThatDries(t *testing.T) {
	t.Parallel()
	parts := sim.Fault{Kind: sim.Break, On: "zone/hazel", AtM: 20, From: at(2.2), To: at(2.65)}
	for _, ground := range []sim.Ground{{StartMM: 330, Contact: 1}, {StartMM: 305, Contact: 2}} {
		for seed := range uint64(4) {
			raised, over := time.Time{}, time.Time{}
			for _, e := range dewyRing(t, seed, sim.Sensor{White: 0.015, StepVolts: 50}, ground, parts) {
				switch {
				case e.Condition == alerts.Growth:
				case e.Source != "zone/hazel" || e.Cause != alerts.Open || !over.IsZero():
					t.Errorf("contact %g, fence %d: %s %s %s as %s: %s", ground.Contact, seed, e.Time, e.Kind, e.Source, e.Cause, e.Text)
				case e.Kind == alerts.Raised:
					raised = e.Time
				case e.Kind == alerts.Returned:
					over = e.Time
				}
			}
			if raised.Before(parts.From) || raised.After(parts.From.Add(2*time.Hour)) || over.Before(parts.To) || over.After(parts.To.Add(3*time.Hour)) {
				t.Errorf("contact %g, fence %d: told from %s to %s, truly %s to %s", ground.Contact, seed, raised, over, parts.From, parts.To)
			}
		}
	}
}

// While no sensor is heard the dew dries, and what they show next is higher by hours of that: no wire was joined.
func TestPartedInARingUnheardAsItDries(t *testing.T) {
	parts := sim.Fault{Kind: sim.Break, On: "zone/hazel", AtM: 20, From: at(2.2), To: at(2.65)}
	for _, back := range []float64{2.29, 2.375} {
		lost := sim.Fault{Kind: sim.LinkLost, On: "site", From: at(2.25), To: at(back)}
		for _, seed := range []uint64{0, 4} {
			for _, e := range dewyRing(t, seed, sim.Sensor{White: 0.015, StepVolts: 50}, sim.Ground{StartMM: 330, Contact: 1}, parts, lost) {
				if e.Source == "zone/hazel" && e.Kind == alerts.Returned && e.Time.Before(parts.To) {
					t.Errorf("fence %d, heard again at %s: over at %s, truly at %s", seed, lost.To, e.Time, parts.To)
				}
			}
		}
	}
}

// One that parted at noon and is joined as dew falls is found to be whole some hours later, when the ring is wetter than at
// noon: that is no fault of the ring.
func TestJoinedInARingAsDewFalls(t *testing.T) {
	parts := sim.Fault{Kind: sim.Break, On: "zone/hazel", AtM: 100, From: at(2.5), To: at(2.85)}
	for seed := range uint64(4) {
		over := time.Time{}
		for _, e := range dewyRing(t, seed, sim.Sensor{White: 0.008, StepVolts: 10}, sim.Ground{StartMM: 330, Contact: 1}, parts) {
			switch {
			case e.Condition == alerts.Growth:
			case e.Source != "zone/hazel" || e.Cause != alerts.Open || !over.IsZero():
				t.Errorf("fence %d: %s %s %s as %s: %s", seed, e.Time, e.Kind, e.Source, e.Cause, e.Text)
			case e.Kind == alerts.Returned:
				over = e.Time
			}
		}
		if over.Before(parts.To) {
			t.Errorf("fence %d: over at %s, truly at %s", seed, over, parts.To)
		}
	}
}

// dewyRing runs a ring of four zones in grass that does not grow, through dewy nights without rain, with its faults.
func dewyRing(t *testing.T, seed uint64, sensor sim.Sensor, grass sim.Ground, faults ...sim.Fault) []alerts.Event {
	t.Helper()
	f := paddocks()
	grass.Vigour, grass.DewShare, grass.Patchy = 1e-6, 1.3, -1
	sensor.GainSpread = 0.03
	ground := map[string]sim.Ground{}
	for i := range f.Zones {
		f.Zones[i].MinimumVolts = 500
		ground[f.Zones[i].Name] = grass
	}
	return playRing(t, f, seed, ground, sensor, faults...)
}

// playRing runs f with its orchard joined to lane, which closes the ring brook, hazel, lane, orchard, for three days without rain.
func playRing(t *testing.T, f *farm.Farm, seed uint64, ground map[string]sim.Ground, sensor sim.Sensor, faults ...sim.Fault) []alerts.Event {
	t.Helper()
	f.Zones[3].FedBy, f.Zones[3].JoinedTo = "brook", "lane"
	sensor.Wander, sensor.FloorVolts, sensor.Jitter = 0.004, 150, time.Second
	s, err := sim.New(sim.Options{Farm: f, Start: start, Length: 3 * 24 * time.Hour, Seed: seed, Grounds: ground,
		Climate: sim.Climate{LatitudeDeg: 53, RainHours: 1e-9, Dry: []sim.Spell{{FromDay: 0, ToDay: 365}}},
		Sensors: map[farm.Source]sim.Sensor{"": sensor},
		Faults:  faults})
	if err != nil {
		t.Fatal(err)
	}
	return feed(t, newWatch(t, f), f, slices.Collect(s.Messages()))
}
