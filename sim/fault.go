package sim

import (
	"fmt"
	"math"
	"time"

	"nightwire/ingest/farm"
)

// Kind says what goes wrong.
type Kind string

// The kinds of fault.
const (
	Short            Kind = "short"             // something between wire and earth: Ohms at AtM
	Break            Kind = "break"             // all strands parted at AtM, ends hanging clear
	FallenWire       Kind = "fallen-wire"       // parted at AtM, the live end on the ground through Ohms
	BadJoint         Kind = "bad-joint"         // Ohms in the line at AtM
	StrandBreak      Kind = "strand-break"      // one strand of several parted at AtM
	CrackedInsulator Kind = "cracked-insulator" // tracks to earth at AtM when wet, through Ohms at wettest
	Flapping         Kind = "flapping"          // touches earth through Ohms at AtM, on and off
	GateOpen         Kind = "gate-open"         // unhooked at the zone's start
	EnergizerOff     Kind = "energizer-off"     // plug out, mains away, dead
	EnergizerWeak    Kind = "energizer-weak"    // gives Level of its peak
	FlatBattery      Kind = "flat-battery"      // runs down over Over
	PoorEarth        Kind = "poor-earth"        // stakes rise to Ohms over Over
	SensorDead       Kind = "sensor-dead"       // says nothing more
	SensorStuck      Kind = "sensor-stuck"      // repeats its last reading
	SensorGain       Kind = "sensor-gain"       // reads Level times the truth
	SensorOffset     Kind = "sensor-offset"     // reads Level volts too much
	LinkLost         Kind = "link-lost"         // no sensor is heard; Late brings their stored reports in a burst
)

// Fault is one thing that goes wrong, and when.
type Fault struct {
	Kind   Kind
	On     farm.Source // zone/… or energizer/…; its sensor for the sensor kinds; ignored for link-lost
	AtM    float64     // metres from the zone's start
	Ohms   float64
	Strand int // which strand, from 0 for the lowest; for short, strand-break and flapping
	Level  float64
	From   time.Time
	To     time.Time     // zero: to the end of the season
	Over   time.Duration // how long it takes to come on fully
	Late   bool
}

func (f *Fault) active(at time.Time) bool {
	return !at.Before(f.From) && (f.To.IsZero() || at.Before(f.To))
}

// severity rises from 0 to 1 over f.Over.
func (f *Fault) severity(at time.Time) float64 {
	if f.Over <= 0 {
		return 1
	}
	return min(1, float64(at.Sub(f.From))/float64(f.Over))
}

// onWire reports whether the fault sits at a place along a zone.
func (k Kind) onWire() bool {
	switch k {
	case Short, Break, FallenWire, BadJoint, StrandBreak, CrackedInsulator, Flapping, GateOpen:
		return true
	}
	return false
}

func (k Kind) onEnergizer() bool {
	return k == EnergizerOff || k == EnergizerWeak || k == FlatBattery || k == PoorEarth
}

func (k Kind) onSensor() bool {
	return k == SensorDead || k == SensorStuck || k == SensorGain || k == SensorOffset
}

// Causes are the causes of the fixed set that a label of this kind accepts, the best first.
func (k Kind) Causes() []string {
	switch k {
	case Short:
		return []string{"short"}
	case Break, GateOpen:
		return []string{"open"}
	case FallenWire:
		return []string{"short", "open"}
	case BadJoint, StrandBreak:
		return []string{"bad-joint"}
	case CrackedInsulator:
		return []string{"short", "intermittent"}
	case Flapping:
		return []string{"intermittent"}
	case EnergizerOff:
		return []string{"energizer-off"}
	case EnergizerWeak:
		return []string{"energizer-weak"}
	case FlatBattery:
		return []string{"supply-low", "energizer-weak", "energizer-off"}
	case PoorEarth:
		return []string{"poor-earth"}
	case SensorDead:
		return []string{"sensor-silent"}
	case SensorStuck, SensorGain, SensorOffset:
		return []string{"sensor-faulty"}
	case LinkLost:
		return []string{"link-lost"}
	}
	return nil
}

// check reports what is wrong with the fault on farm fm.
func (f *Fault) check(fm *farm.Farm, strands func(string) int) error {
	zone, energizer := zoneOf(fm, f.On), energizerOf(fm, f.On)
	switch {
	case f.Kind.Causes() == nil:
		return fmt.Errorf("fault kind %q is not known; use one such as %q", f.Kind, Short)
	case f.Kind.onWire() && zone == nil:
		return fmt.Errorf("fault %s needs a zone, not %q", f.Kind, f.On)
	case f.Kind.onEnergizer() && energizer == nil:
		return fmt.Errorf("fault %s needs an energizer, not %q", f.Kind, f.On)
	case f.Kind.onSensor() && zone == nil && energizer == nil:
		return fmt.Errorf("fault %s needs a zone or an energizer, not %q", f.Kind, f.On)
	case math.IsNaN(f.AtM) || f.AtM < 0 || zone != nil && f.AtM > zone.LengthM:
		return fmt.Errorf("fault %s on %s is at %g m, outside the zone", f.Kind, f.On, f.AtM)
	case !(f.Ohms >= 0) || !(math.Abs(f.Level) <= 1e5):
		return fmt.Errorf("fault %s on %s has ohms %g and level %g; give plain figures", f.Kind, f.On, f.Ohms, f.Level)
	case f.From.IsZero() || !f.To.IsZero() && !f.To.After(f.From):
		return fmt.Errorf("fault %s on %s must start, and end after it starts", f.Kind, f.On)
	case zone != nil && f.Kind.onWire() && (f.Strand < 0 || f.Strand >= strands(zone.Name)):
		return fmt.Errorf("fault %s on %s is on strand %d; the zone has %d", f.Kind, f.On, f.Strand, strands(zone.Name))
	}
	return nil
}

func zoneOf(f *farm.Farm, s farm.Source) *farm.Zone {
	for i := range f.Zones {
		if f.Zones[i].Source() == s {
			return &f.Zones[i]
		}
	}
	return nil
}

func energizerOf(f *farm.Farm, s farm.Source) *farm.Energizer {
	for i := range f.Energizers {
		if farm.EnergizerSource(f.Energizers[i].Name) == s {
			return &f.Energizers[i]
		}
	}
	return nil
}

// ActKind says what the keeper does.
type ActKind string

// The keeper's acts.
const (
	Trim     ActKind = "trim"     // growth is cut to HeightMM
	Restring ActKind = "restring" // new wire: ohms times Level, growth cut to HeightMM
	TakeDown ActKind = "takedown" // the zone is down for a move from At to Until
)

// Act is one thing the keeper does to a zone.
type Act struct {
	Kind     ActKind
	Zone     string
	At       time.Time
	Until    time.Time // for takedown
	HeightMM float64   // what is left standing; default 50
	Level    float64   // for restring: new ohms against the farm's, default 1
}

func (a *Act) check(f *farm.Farm) error {
	switch {
	case f.Zone(a.Zone) == nil:
		return fmt.Errorf("%s of zone %q: there is no such zone", a.Kind, a.Zone)
	case a.At.IsZero():
		return fmt.Errorf("%s of zone %s has no time", a.Kind, a.Zone)
	case a.Kind == TakeDown && !a.Until.After(a.At):
		return fmt.Errorf("takedown of zone %s must end after it starts", a.Zone)
	case a.Kind != Trim && a.Kind != Restring && a.Kind != TakeDown:
		return fmt.Errorf("act %q is not known; use trim, restring or takedown", a.Kind)
	case !(a.Level >= 0) || !(a.HeightMM >= 0):
		return fmt.Errorf("%s of zone %s has a negative figure", a.Kind, a.Zone)
	}
	return nil
}
