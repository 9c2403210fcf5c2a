// Package farm defines the fence as it is laid out and the people who keep it: energizers, the zones they feed, and
// who is told. It does no input or output; the farm file is read elsewhere.
package farm

import (
	"math"
	"slices"
	"strings"
	"time"
)

// Farm is one keeper's whole layout.
type Farm struct {
	Name       string
	Location   *time.Location // the farm's own time, for the edge only; all times inside are UTC
	Energizers []Energizer
	Zones      []Zone // in the order of the file
	People     []Person
	Weather    Sensor // the weather station; without a topic where there is none
}

// Energizer feeds the fence with pulses.
type Energizer struct {
	Name          string
	Supply        Supply
	OpenVolts     float64 // peak with the fence unhooked
	SourceOhms    float64 // its own resistance as the fence sees it
	SourceAssumed bool    // SourceOhms was not given and is our default
	EarthOhms     float64 // of its earth stakes; 0 when not given
	PulseEvery    time.Duration
	Sensor        Sensor
}

// Supply is what an energizer runs on.
type Supply string

// The supplies.
const (
	Battery Supply = "battery"
	Mains   Supply = "mains"
)

// DefaultSourceOhms stands in until a reading under a known load gives the energizer's own.
const DefaultSourceOhms = 350

// Zone is a run of fence with one sensor at its far end.
type Zone struct {
	Name         string
	FedBy        string // an energizer, or the zone before it
	LengthM      float64
	OhmsPerKM    float64   // of all strands together
	Conductor    Conductor // what OhmsPerKM was computed from; nil when it was given
	Stock        string
	MinimumVolts float64
	MinimumGiven bool // false when MinimumVolts is our default for the stock
	Training     bool // animals learn here what a fence is, and must never meet a weak wire
	Marks        []Mark
	JoinedTo     string // closes a loop with that zone's far end; empty when open
	Sensor       Sensor
}

// Ohms returns the zone's resistance from end to end, as strung.
func (z *Zone) Ohms() float64 { return z.OhmsPerKM * z.LengthM / 1000 }

// Mark is a place along a zone that a person knows, measured from the zone's start.
type Mark struct {
	AtM  float64
	Name string
}

// NearMark returns the mark nearest to a place, metres from the zone's start, as "the old oak"; empty where none is so
// near that it would send nobody the wrong way.
func (z *Zone) NearMark(atM float64) string {
	nearest, off := "", math.Inf(1)
	for _, m := range z.Marks {
		if d := math.Abs(m.AtM - atM); d < off {
			nearest, off = m.Name, d
		}
	}
	if nearest == "" || off > max(40, z.LengthM/4) {
		return ""
	}
	return "the " + strings.TrimPrefix(nearest, "the ")
}

// Sensor says where readings come from and how often.
type Sensor struct {
	Topic  string // empty when the thing has no sensor
	Every  time.Duration
	Format Format
}

// Format says how a sensor's payload is to be read.
type Format struct {
	Kind     string            // "" or "auto" for the default forms, "senml", "pointer"
	Pointers map[string]string // for "pointer": our field key (kv, v, t, …) to the JSON Pointer (RFC 6901) of its value
	Name     string            // for "senml": the record name that carries the peak; empty takes the first in volts
}

// Person is someone who keeps the fence.
type Person struct {
	Name   string
	Order  int // 1 is told first
	Routes []Route
	Quiet  Hours // when only high priority may wake them

	Letters []string // which of LetterKinds they get
}

// LetterKinds returns the letters that people may get.
func LetterKinds() []string { return []string{"evening", "morning", "weekly"} }

// Route is one way to reach a person: a channel and an address on it.
type Route struct {
	Channel string // "mail", "push", "webhook"
	Address string
}

// Hours is a span of the day in the farm's own time, minutes after midnight; it may run past midnight.
// From equal to To means never.
type Hours struct{ From, To int }

// Contains reports whether the local time t falls within the hours.
func (h Hours) Contains(t time.Time) bool {
	m := t.Hour()*60 + t.Minute()
	if h.From <= h.To {
		return m >= h.From && m < h.To
	}
	return m >= h.From || m < h.To
}

// Source names a thing that readings or an alarm can be about: "zone/<name>", "energizer/<name>", "site" or "weather".
type Source string

// Site is the source for what concerns the whole farm.
const Site Source = "site"

// WeatherSource is the weather station.
const WeatherSource Source = "weather"

// ZoneSource returns the source of the zone called name.
func ZoneSource(name string) Source { return Source("zone/" + name) }

// EnergizerSource returns the source of the energizer called name.
func EnergizerSource(name string) Source { return Source("energizer/" + name) }

// Name returns the zone's or energizer's name within the source; none for the farm as a whole and the weather station.
func (s Source) Name() string {
	_, name, _ := strings.Cut(string(s), "/")
	return name
}

// Called returns what people call it: a zone by its name, an energizer as one.
func (s Source) Called() string {
	if name := s.Name(); s == EnergizerSource(name) {
		return "energizer " + name
	}
	return s.Name()
}

// Source returns the zone's source.
func (z *Zone) Source() Source { return ZoneSource(z.Name) }

// Source returns the energizer's source.
func (e *Energizer) Source() Source { return EnergizerSource(e.Name) }

// Zone returns the zone called name, or nil.
func (f *Farm) Zone(name string) *Zone {
	i := slices.IndexFunc(f.Zones, func(z Zone) bool { return z.Name == name })
	if i < 0 {
		return nil
	}
	return &f.Zones[i]
}

// Energizer returns the energizer called name, or nil.
func (f *Farm) Energizer(name string) *Energizer {
	i := slices.IndexFunc(f.Energizers, func(e Energizer) bool { return e.Name == name })
	if i < 0 {
		return nil
	}
	return &f.Energizers[i]
}

// Feeding returns the zones that the energizer called name feeds, directly or through other zones, each after the
// zone that feeds it and otherwise in the order of the file.
func (f *Farm) Feeding(name string) []*Zone {
	var out []*Zone
	fed := map[string]bool{name: true}
	for range f.Zones {
		grew := false
		for i := range f.Zones {
			z := &f.Zones[i]
			if fed[z.FedBy] && !fed[z.Name] {
				fed[z.Name] = true
				out = append(out, z)
				grew = true
			}
		}
		if !grew {
			break
		}
	}
	return out
}
