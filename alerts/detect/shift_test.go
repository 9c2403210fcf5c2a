package detect_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim"
	"nightwire/sim/scenario"
)

// dewy lets the leakages of a bench's wires rise by night and fall by day, and creep rises with the hours since from.
func dewy(b *bench, leak float64, creep func(hours float64)) {
	from := b.now
	b.while = func(now time.Time) {
		hour := float64(now.Hour()) + float64(now.Minute())/60
		night := math.Pow(math.Max(0, math.Cos((hour-4)*math.Pi/12)), 2)
		for i := range b.wires["cartshed"].spans {
			s := &b.wires["cartshed"].spans[i]
			s.leak = leak * (1 + 1.2*night)
		}
		creep(now.Sub(from).Hours())
	}
}

// creeping are changes that come on over hours, too slowly for any two readings to show.
var creeping = []struct {
	name   string
	change func(b *bench) func(hours float64)
	source farm.Source // of the only alarm, empty for none
	cause  alerts.Cause
}{
	{"dew alone", func(*bench) func(float64) { return func(float64) {} }, "", ""},
	{"a joint", func(b *bench) func(float64) {
		b.zone("hazel").part = 0.4
		return func(h float64) { b.zone("hazel").inLine = 2500 * min(1, h/20) }
	}, "zone/hazel", alerts.Joint},
	{"a joint that is better when wet", func(b *bench) func(float64) {
		b.zone("brook").part = 0.7
		return func(h float64) {
			b.zone("brook").inLine = 1500 * min(1, h/20) * (1 - 0.5*math.Max(0, math.Cos((float64(b.now.Hour())-4)*math.Pi/12)))
		}
	}, "zone/brook", alerts.Joint},
	{"an energizer that tires", func(b *bench) func(float64) {
		return func(h float64) { b.wires["cartshed"].open = 8200 * (1 - 0.3*min(1, h/30)) }
	}, "energizer/cartshed", alerts.EnergizerWeak},
	{"an insulator that tracks by night", func(b *bench) func(float64) {
		return func(float64) {
			if s := b.zone("hazel"); s.leak > 1.5e-4 {
				s.leak *= 1.8
			}
		}
	}, "", ""},
}

// What creeps on over hours is told as what it is, while dew comes and goes; dew alone is not told.
func TestCreeping(t *testing.T) {
	for _, tt := range creeping {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, slowFarm())
			dewy(b, 1e-4, func(float64) {})
			b.run(72 * time.Hour)
			dewy(b, 1e-4, tt.change(b))
			b.run(60 * time.Hour)
			if tt.source == "" {
				b.quiet()
				return
			}
			if a := b.only(); a.last().Source != tt.source || a.last().Cause != tt.cause || a.last().Kind == alerts.Returned {
				b.show()
				t.Errorf("told as %s of %s, want %s of %s", a.last().Cause, a.last().Source, tt.cause, tt.source)
			}
		})
	}
}

// A bad joint takes little in dry hours. It is one alarm all the same, which ends once it is mended.
func TestJointStandsWhileDry(t *testing.T) {
	b := newBench(t, slowFarm())
	dewy(b, 1.2e-4, func(float64) {})
	b.run(84 * time.Hour)
	dewy(b, 1.2e-4, func(float64) { b.zone("hazel").inLine = 2500 })
	b.run(96 * time.Hour)
	if a := b.only(); a.last().Kind == alerts.Returned || a.last().Source != "zone/hazel" || a.last().Cause != alerts.Joint {
		b.show()
		t.Fatalf("the alarm has %s as %s of %s while the joint is bad", a.last().Kind, a.last().Cause, a.last().Source)
	}
	if text := b.only().first().Text; !strings.HasPrefix(text, "Hazel has dropped to ") {
		t.Errorf("told %q, want to what hazel has dropped", text)
	}
	b.zone("hazel").inLine = 0
	dewy(b, 1.2e-4, func(float64) {})
	b.run(24 * time.Hour)
	if a := b.only(); a.last().Kind != alerts.Returned {
		b.show()
		t.Error("the alarm stands a day after the joint was mended")
	}
}

// A bad joint that came on over hours and is mended only after weeks ends its alarm within a day.
func TestJointMendedAfterWeeks(t *testing.T) {
	t.Parallel()
	for _, days := range []int{20, 40} {
		b := newBench(t, slowFarm())
		dewy(b, 1.2e-4, func(float64) {})
		b.run(84 * time.Hour)
		dewy(b, 1.2e-4, func(h float64) { b.zone("hazel").inLine = 2500 * min(1, h/20) })
		b.run(time.Duration(days) * 24 * time.Hour)
		b.zone("hazel").inLine = 0
		dewy(b, 1.2e-4, func(float64) {})
		if a := b.only(); a.last().Kind == alerts.Returned || a.last().Cause != alerts.Joint {
			b.show()
			t.Fatalf("the alarm has %s as %s while the joint is bad", a.last().Kind, a.last().Cause)
		}
		b.run(24 * time.Hour)
		if a := b.only(); a.last().Kind != alerts.Returned {
			b.show()
			t.Errorf("the alarm stands a day after the joint, bad for %d days, was mended", days)
		}
	}
}

// That another energizer's fence was strung anew takes nothing from what is known of this one, on which a joint goes bad.
func TestOtherFenceStrungAnew(t *testing.T) {
	f := slowFarm()
	f.Energizers = append(f.Energizers, farm.Energizer{Name: "barn", Supply: farm.Mains, OpenVolts: 8000, SourceOhms: 350})
	z := f.Zones[0]
	z.Name, z.FedBy, z.Sensor.Topic = "far", "barn", "alder-bank/far/kv"
	f.Zones = append(f.Zones, z)
	b := newBench(t, f)
	dewy(b, 1e-4, func(float64) {})
	b.run(72 * time.Hour)
	dewy(b, 1e-4, func(h float64) { b.zone("hazel").inLine = 2500 * min(1, h/20) })
	for range 72 {
		b.run(30 * time.Minute)
		act(alerts.Restrung, "zone/far")(b)
	}
	if a := b.only(); a.last().Source != "zone/hazel" || a.last().Cause != alerts.Joint {
		b.show()
		t.Errorf("told as %s of %s, want a bad joint of hazel", a.last().Cause, a.last().Source)
	}
}

// An energizer that tires on a battery which was told of as low is one alarm, of the battery.
func TestBatteryAndThenOutput(t *testing.T) {
	b := newBench(t, slowFarm())
	dewy(b, 1e-4, func(float64) {})
	supply := 12.6
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.node == 0 {
			r.Set(pulse.SupplyVolts, supply)
		}
		return true
	}
	b.run(72 * time.Hour)
	b.quiet()
	supply = 11.5
	dewy(b, 1e-4, func(h float64) { b.wires["cartshed"].open = 8200 * (1 - 0.3*min(1, h/30)) })
	b.run(60 * time.Hour)
	if a := b.only(); a.first().Condition != alerts.Weak || a.last().Cause != alerts.SupplyLow {
		b.show()
		t.Errorf("told as %s, then as %s, want a low supply", a.first().Condition, a.last().Cause)
	}
}

// ring is a fence of four zones in a ring, in grass and dew, whose wire parts at an hour of the fifth day.
func ring(hour int) *scenario.Scenario {
	o := sim.Options{Start: start, Length: 7 * 24 * time.Hour, Seed: 5,
		Farm: &farm.Farm{Name: "ring", Location: time.UTC, Energizers: []farm.Energizer{{
			Name: "e", Supply: farm.Mains, OpenVolts: 8400, SourceOhms: 320, EarthOhms: 50, PulseEvery: 1300 * time.Millisecond,
			Sensor: farm.Sensor{Topic: "ring/e", Every: time.Minute}}}},
		Climate: sim.Climate{LatitudeDeg: 53, RainHours: 1e-9}, Grounds: map[string]sim.Ground{},
		Sensors: map[farm.Source]sim.Sensor{"": {GainSpread: 0.02, White: 0.004, Wander: 0.004, StepVolts: 10, FloorVolts: 150, Jitter: time.Second}},
	}
	for i, by := range []string{"e", "z0", "e", "z2"} {
		z := farm.Zone{Name: fmt.Sprint("z", i), FedBy: by, LengthM: 210 + 20*float64(i), OhmsPerKM: 2400, MinimumVolts: 2500, MinimumGiven: true,
			Sensor: farm.Sensor{Topic: fmt.Sprint("ring/z", i), Every: time.Minute}}
		if i == 3 {
			z.JoinedTo = "z1"
		}
		o.Farm.Zones = append(o.Farm.Zones, z)
		o.Grounds[z.Name] = sim.Ground{WireMM: []float64{250, 550}, StartMM: 235, Contact: 1.5}
	}
	at := start.Truncate(24 * time.Hour).Add(5*24*time.Hour + time.Duration(hour)*time.Hour)
	o.Faults = []sim.Fault{{Kind: sim.Break, On: "zone/z1", AtM: 110, From: at}}
	return &scenario.Scenario{Name: "ring", Options: o}
}

// A wire that parts within a loop leaves everything hot. It is told within three hours, also while dew forms or dries.
func TestRingPartsAtAnyHour(t *testing.T) {
	t.Parallel()
	for _, hour := range []int{0, 6, 9, 20} {
		t.Run(fmt.Sprint(hour), func(t *testing.T) {
			s := ring(hour)
			events, _ := watchSeason(t, s, detect.DefaultLimits(), lows{}, newGeneralRule(s.Farm()))
			events = slices.DeleteFunc(events, func(e alerts.Event) bool { return e.Condition == alerts.Growth })
			if len(events) == 0 {
				t.Fatal("nothing was told")
			}
			first, at := events[0], s.Options.Faults[0].From
			if late := first.Time.Sub(at); first.Source != "zone/z1" || first.Cause != alerts.Open || late < 0 || late > 3*time.Hour {
				t.Errorf("told first: %s of %s, %v after the break", first.Cause, first.Source, late)
			}
		})
	}
}

// While an energizer gives too little the fence is looked at as ever: a joint that goes bad meanwhile is told too.
func TestJointGoesBadOnAWeakEnergizer(t *testing.T) {
	for _, tt := range []struct{ ohms, hours float64 }{
		{2500, 20},
		{6000, 30}, // and what was behind it is taken for worse than it was
	} {
		t.Run(fmt.Sprintf("%.0f ohms in %.0f hours", tt.ohms, tt.hours), func(t *testing.T) {
			b := newBench(t, slowFarm())
			dewy(b, 1e-4, func(float64) {})
			b.run(72 * time.Hour)
			dewy(b, 1e-4, func(h float64) { b.wires["cartshed"].open = 8200 * (1 - 0.35*min(1, h/8)) })
			b.run(60 * time.Hour)
			if a := b.only(); a.last().Cause != alerts.EnergizerWeak {
				t.Fatalf("told as %s before the joint was bad", a.last().Cause)
			}
			dewy(b, 1e-4, func(h float64) { b.zone("hazel").inLine = tt.ohms * min(1, h/tt.hours) })
			b.run(36 * time.Hour)
			all := b.alarms()
			if len(all) != 2 || !all[0].over.IsZero() || all[1].last().Cause != alerts.Joint || all[1].last().Source != "zone/hazel" {
				b.show()
				t.Errorf("%d alarms, want the weak energizer's, which stands, and a bad joint of hazel", len(all))
			}
		})
	}
}

// noJoints fails the test when ohms in the wire were told.
func (b *bench) noJoints() {
	b.t.Helper()
	for _, a := range b.alarms() {
		for _, e := range a.events {
			if e.Cause == alerts.Joint {
				b.show()
				b.t.Fatalf("told at %s of %s: %s", e.Time.Format("01-02 15:04"), e.Source, e.Text)
			}
		}
	}
}

// A sensor that loses a few readings while rain takes a steel fence down shows the fence of some minutes ago, and no joint.
func TestRainWhileASensorIsUnheard(t *testing.T) {
	for _, unheard := range []farm.Source{"zone/lane", "zone/orchard"} {
		t.Run(string(unheard), func(t *testing.T) {
			f := paddocks()
			steel(f)
			reportEvery(f, 2*time.Minute)
			b := newBench(t, f)
			dewy(b, 1e-4, func(float64) {})
			b.run(36 * time.Hour)
			twice := map[string]float64{"brook": 1, "hazel": 1, "lane": 1, "orchard": 1}
			for i := range 24 {
				b.run(time.Duration(2*i) * time.Minute) // looks are half an hour apart
				began := b.now
				b.alter = func(d *device, _ *pulse.Reading) bool {
					since := b.now.Sub(began)
					return d.source != unheard || since < 4*time.Minute || since > 18*time.Minute
				}
				b.wetten(twice, 5*time.Hour, func(h float64) float64 { return min(1, 2*h, max(0, 5-h)) })
				b.alter = nil
				b.run(3 * time.Hour)
			}
			b.noJoints()
		})
	}
}

// Growth on a wire that was clean multiplies a leakage of which next to nothing was known, and in another zone it is cut
// meanwhile. That is no joint.
func TestGrowthOnACleanWire(t *testing.T) {
	t.Parallel()
	for _, grown := range []float64{6e-4, 8e-4, 1e-3} {
		t.Run(fmt.Sprint(grown), func(t *testing.T) {
			f := paddocks()
			reportEvery(f, 5*time.Minute)
			b := newBench(t, f)
			brook, lane := b.zone("brook"), b.zone("lane")
			for d := range 12 {
				day := d % 4
				brook.leak, lane.leak = 2e-5, 2e-5*float64(1+2*day)
				if day < 2 { // then it is trimmed
					brook.leak = grown
				}
				b.run(24 * time.Hour)
			}
			b.noJoints()
		})
	}
}
