package detect_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// nights multiplies what every zone leaks by up to times, most at five in the morning, and cracks insulators that let
// through what by zone they do when it is that wet, siemens.
func (b *bench) nights(times float64, cracks map[string]float64) {
	b.t.Helper()
	w := b.wires["cartshed"]
	dry := make([]float64, len(w.spans))
	for i, s := range w.spans {
		dry[i] = s.leak
	}
	b.while = func(now time.Time) {
		wet := math.Max(0, math.Cos(2*math.Pi*(float64(now.Hour())+float64(now.Minute())/60-5)/24))
		for i := range w.spans {
			w.spans[i].leak = dry[i] * (1 + (times-1)*wet)
			w.spans[i].short = 0
		}
		for zone, siemens := range cracks {
			s := b.zone(zone)
			s.short, s.part = siemens*math.Pow(wet, 1.5), 0.4
		}
	}
}

// atNoon plays to the next noon, when the wires are dry.
func (b *bench) atNoon() {
	b.t.Helper()
	b.run(b.now.Truncate(24 * time.Hour).Add(36 * time.Hour).Sub(b.now))
}

// cracked are insulators that track when wet, some of which take zones under their minimum.
var cracked = []struct {
	name, zone string
	ohms       float64
	condition  alerts.Condition
}{
	{"on the way", "hazel", 450, alerts.Low},
	{"at the end of a branch", "orchard", 450, alerts.Low},
	{"over the minimum", "hazel", 1000, alerts.Dropping},
}

// What tracks when wet is one alarm of one zone over all its wet nights, though it is gone by day.
func TestCrackedInsulator(t *testing.T) {
	for _, tt := range cracked {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.nights(4, nil)
			b.run(6*24*time.Hour + 12*time.Hour)
			b.quiet()
			b.nights(4, map[string]float64{tt.zone: 1 / tt.ohms})
			for range 4 {
				b.atNoon()
			}
			a := b.only()
			e := a.last()
			if e.Kind == alerts.Returned || e.Source != farm.Source("zone/"+tt.zone) || e.Cause != alerts.Short || e.Condition != tt.condition {
				b.show()
				t.Fatalf("told at last: %s of %s, %s by %s", e.Kind, e.Source, e.Condition, e.Cause)
			}
			if !strings.Contains(e.Text, "cracked insulator") || !strings.Contains(e.Text, "wet") {
				t.Errorf("the text is %q", e.Text)
			}
		})
	}
}

// A sensor that shows a little less in the dry of the last day, as any does one day or another, is no sign that growth
// is why one zone leaks many times as much in the next wet.
func TestCrackedInsulatorAndChance(t *testing.T) {
	b := newBench(t, paddocks())
	cracks := map[string]float64{}
	b.nights(4, cracks)
	b.run(5 * 24 * time.Hour)
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, known := r.Get(pulse.Volts); known && d.source == "zone/brook" {
			r.Set(pulse.Volts, v*0.98)
		}
		return true
	}
	b.run(24*time.Hour + 12*time.Hour)
	b.quiet()
	cracks["brook"] = 1.0 / 1000
	b.atNoon()
	e := b.only().last()
	if e.Source != "zone/brook" || e.Cause != alerts.Short || !strings.Contains(e.Text, "cracked insulator") {
		b.show()
		t.Errorf("told as %s of %s: %s", e.Cause, e.Source, e.Text)
	}
}

// Where growth has a zone under its minimum in the wet of each night, and people know of that, the one alarm of the
// zone says from the first wet night on that an insulator has cracked there.
func TestCrackedInsulatorWhereGrowthHasWon(t *testing.T) {
	f := paddocks()
	hazel := &f.Zones[slices.IndexFunc(f.Zones, func(z farm.Zone) bool { return z.Name == "hazel" })]
	hazel.MinimumVolts = 6800
	b := newBench(t, f)
	cracks := map[string]float64{}
	b.nights(4, cracks)
	b.run(6*24*time.Hour + 12*time.Hour)
	grown := b.standing("zone/hazel", alerts.Low)
	if grown == nil || grown.last().Cause != alerts.Vegetation {
		b.show()
		t.Fatal("hazel is not told as low with growth")
	}
	cracks["hazel"] = 1.0 / 450
	b.atNoon()
	if e := b.known(grown.id).last(); e.Kind != alerts.Updated || e.Cause != alerts.Short || !strings.Contains(e.Text, "cracked insulator") {
		b.show()
		t.Errorf("of the zone that growth has under is told: %s by %s: %s", e.Kind, e.Cause, e.Text)
	}
}

// It is over when the fence has been wetter without it.
func TestCrackedInsulatorMended(t *testing.T) {
	b := newBench(t, paddocks())
	b.nights(4, nil)
	b.run(6*24*time.Hour + 12*time.Hour)
	b.nights(4, map[string]float64{"orchard": 1.0 / 450})
	b.atNoon()
	b.atNoon()
	b.nights(14, nil)
	b.atNoon()
	b.atNoon()
	if e := b.alarms()[0].last(); e.Kind != alerts.Returned || !strings.Contains(e.Text, "wet again") {
		b.show()
		t.Errorf("after two wetter nights without it: %s %q", e.Kind, e.Text)
	}
}

// Where no wet comes to show that it is over, it is let go of after some days.
func TestCrackedInsulatorInDrought(t *testing.T) {
	b := newBench(t, slowFarm())
	b.nights(4, nil)
	b.run(6*24*time.Hour + 12*time.Hour)
	b.nights(4, map[string]float64{"hazel": 1.0 / 700})
	b.atNoon()
	b.atNoon()
	b.nights(1, nil)
	b.run(4 * 24 * time.Hour)
	if e := b.only().last(); e.Kind == alerts.Returned {
		t.Errorf("returned after four dry days: %q", e.Text)
	}
	b.run(2 * 24 * time.Hour)
	e := b.only().last()
	if e.Kind != alerts.Returned {
		b.show()
		t.Errorf("six dry days and not yet over")
	}
	if !e.Withdrawn || strings.Contains(e.Text, "back") || !strings.Contains(e.Text, "no wet for days") || !strings.Contains(e.Text, "insulators before the next rain") {
		t.Errorf("dry days show nothing of an insulator, yet the text is %q", e.Text)
	}
}

// On a long fence of few ohms, where one zone looks much like the next, it is told of the zone or of its neighbour.
func TestCrackedInsulatorOnLongFence(t *testing.T) {
	f := paddocks()
	z := f.Zones[0]
	f.Zones = nil
	for i := range 12 {
		z.Name, z.FedBy = fmt.Sprintf("z%d", i), f.Energizers[0].Name
		if i%6 != 0 {
			z.FedBy = fmt.Sprintf("z%d", i-1)
		}
		z.OhmsPerKM, z.LengthM, z.Sensor.Topic = 60, 500, "a/"+z.Name
		f.Zones = append(f.Zones, z)
	}
	b := newBench(t, f)
	b.nights(4, nil)
	b.run(6*24*time.Hour + 12*time.Hour)
	b.quiet()
	b.nights(4, map[string]float64{"z9": 1.0 / 450})
	b.atNoon()
	e := b.only().last()
	near := slices.Contains([]farm.Source{"zone/z8", "zone/z9", "zone/z10"}, e.Source)
	if e.Kind == alerts.Returned || !near || !strings.Contains(e.Text, "cracked insulator") {
		b.show()
		t.Errorf("told at last: %s of %s: %s", e.Kind, e.Source, e.Text)
	}
}

// A sensor that is taken off after a day has closed is still in that day's figures, and nothing is held against it.
func TestCrackedInsulatorSensorTakenOff(t *testing.T) {
	f := paddocks()
	b := newBench(t, f)
	b.nights(4, nil)
	b.run(6*24*time.Hour + 12*time.Hour)
	b.nights(4, map[string]float64{"hazel": 1.0 / 450})
	b.run(12*time.Hour + 40*time.Minute)
	b.quiet()
	b.takeOff(f, "brook")
	b.run(24 * time.Hour)
	if e := b.only().last(); e.Kind == alerts.Returned || e.Source != "zone/hazel" || !strings.Contains(e.Text, "cracked insulator") {
		b.show()
		t.Errorf("told at last: %s of %s: %s", e.Kind, e.Source, e.Text)
	}
}

// Growth leaks more when wet and more from week to week, on one zone more than on the rest: nobody is sent to look for an
// insulator. The same of a downpour after nights of dew, and of a wet night on a zone that gets wetter than the others.
func TestWetGrowthIsNoCrack(t *testing.T) {
	for _, tt := range []struct {
		name string
		leak func(d float64) (lane, others float64) // in times their own on the first day
	}{
		{"one zone grows", func(d float64) (float64, float64) { return math.Exp(0.2 * d), 1 }},
		{"and fast", func(d float64) (float64, float64) { return math.Exp(0.28 * d), 1 }},
		{"a downpour", func(d float64) (float64, float64) {
			p := pours(d)
			return 1 + 20*p, 1 + 20*p
		}},
		{"a downpour that wets one zone most", func(d float64) (float64, float64) {
			p := pours(d)
			return 1 + 20*p, 1 + 10*p
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, slowFarm())
			b.nights(4, nil)
			dew := b.while
			b.while = func(now time.Time) {
				dew(now)
				lane, others := tt.leak(now.Sub(start).Hours() / 24)
				w := b.wires["cartshed"]
				for i := range w.spans {
					w.spans[i].leak *= others
				}
				b.zone("lane").leak *= lane / others
			}
			b.run(15 * 24 * time.Hour)
			all := b.alarms()
			if len(all) == 0 {
				t.Error("nothing was told")
			}
			for _, a := range all {
				if slices.ContainsFunc(a.events, func(e alerts.Event) bool { return strings.Contains(e.Text, "insulator") }) {
					b.show()
					t.Fatalf("told %s as a path to earth: %s", a.first().Source, a.last().Text)
				}
			}
		})
	}
}

// pours is how hard it has rained on the eighth day, from 0 to 1: it comes on within half an hour and dries over hours.
func pours(d float64) float64 {
	switch h := (d - 8) * 24; {
	case h < 0:
		return 0
	case h < 3:
		return 1 - math.Exp(-h*6)
	default:
		return math.Exp(-(h - 3) / 2)
	}
}

// A wire that falls while it is dry is no insulator: it is told as what it is, though nights of dew are known.
func TestDryShortIsNoCrack(t *testing.T) {
	b := newBench(t, paddocks())
	b.nights(4, nil)
	b.run(6*24*time.Hour + 12*time.Hour)
	b.while = nil
	b.zone("hazel").short, b.zone("hazel").part = 1.0/300, 0.5
	b.run(time.Hour)
	if e := b.only().last(); e.Cause != alerts.Short || strings.Contains(e.Text, "insulator") {
		b.show()
		t.Errorf("told as %s: %s", e.Cause, e.Text)
	}
}
