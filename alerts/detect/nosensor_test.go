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
)

// bare is slowFarm with no sensor on some zones.
func bare(zones ...string) *farm.Farm {
	f := slowFarm()
	for i := range f.Zones {
		if slices.Contains(zones, f.Zones[i].Name) {
			f.Zones[i].Sensor = farm.Sensor{}
		}
	}
	return f
}

// bareGrower plays a season on f in which the leakage of lane and hazel grows by load, and keeps what one zone truly has.
func bareGrower(t *testing.T, f *farm.Farm, zone string, load func(d float64) float64) *grower {
	g := &grower{bench: newBench(t, f), load: load}
	node := 1 + slices.IndexFunc(f.Zones, func(z farm.Zone) bool { return z.Name == zone })
	volts := make([]float64, len(f.Zones)+1)
	g.while = func(now time.Time) {
		d := now.Sub(start).Hours() / 24
		for _, z := range []string{"hazel", "lane"} {
			g.zone(z).leak = 1.5e-5 * g.load(d)
		}
		g.wires["cartshed"].volts(volts)
		g.day = append(g.day, volts[node])
	}
	return g
}

// growthsOf returns the alarms of growth in a zone.
func (b *bench) growthsOf(zone string) []*told {
	return slices.DeleteFunc(b.alarms(), func(a *told) bool {
		return a.first().Condition != alerts.Growth || a.first().Source != farm.ZoneSource(zone)
	})
}

// A zone without a sensor is warned of by what the sensors next to it show, in time, with an interval that holds the day
// and without a voltage that nobody measured.
func TestGrowthWithoutASensor(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		bare  []string
		zone  string
		ahead float64 // days at least; by the zone before it alone it is told late
	}{
		{[]string{"hazel"}, "hazel", 3},
		{[]string{"lane"}, "lane", 1},
		{[]string{"hazel", "lane"}, "hazel", -5},
	} {
		t.Run(fmt.Sprint(tt.zone, " of ", tt.bare), func(t *testing.T) {
			g := bareGrower(t, bare(tt.bare...), tt.zone, func(d float64) float64 { return math.Exp(0.125 * d) })
			day := g.under(60)
			if day < 14 {
				t.Fatalf("%s went under on day %d: the test shows nothing", tt.zone, day)
			}
			g.run(15 * 24 * time.Hour)
			truth, a := start.AddDate(0, 0, day), g.growthsOf(tt.zone)
			if len(a) != 1 || truth.Sub(a[0].raised).Hours() < 24*tt.ahead {
				g.show()
				t.Fatalf("under on day %d, %d alarms of growth; want one %.0f days ahead", day, len(a), tt.ahead)
			}
			for _, e := range a[0].events {
				if e.Time.Before(truth) && (truth.Before(*e.BelowMinimumEarliest) || truth.After(*e.BelowMinimumLatest)) {
					t.Errorf("told at %s between %s and %s, truly %s", e.Time, e.BelowMinimumEarliest, e.BelowMinimumLatest, truth)
				}
				if e.KV != nil || !strings.Contains(e.Text, "no sensor") {
					t.Errorf("%v kV, though nobody measured it: %s", e.KV, e.Text)
				}
			}
			if text := a[0].last().Text; !strings.Contains(text, "growth has won") {
				t.Errorf("a fortnight after it went under it says: %s", text)
			}
		})
	}
}

// What a zone without a sensor is said to have at most is no less than what it has, wherever the growth is.
func TestMostWithoutASensor(t *testing.T) {
	t.Parallel()
	for _, where := range []string{"brook", "hazel", "lane", "orchard"} {
		t.Run(where, func(t *testing.T) {
			f := bare("hazel")
			g := bareGrower(t, f, "hazel", func(float64) float64 { return 1 })
			inner := g.while
			g.while = func(now time.Time) {
				g.zone(where).leak = 2e-5 * math.Exp(0.15*now.Sub(start).Hours()/24)
				inner(now)
			}
			if where == "hazel" || where == "lane" {
				g.load = func(d float64) float64 { return math.Exp(0.15 * d) }
			}
			said := 0
			for g.under(60); said < 5 && g.now.Before(at(90)); {
				g.day = g.day[:0]
				g.run(24 * time.Hour)
				for _, a := range g.growthsOf("hazel") {
					_, rest, ok := strings.Cut(a.last().Text, "no more than ")
					if !ok {
						continue
					}
					said++
					kv, has := 0.0, quantile(g.day, 0.75)/1000
					if _, err := fmt.Sscanf(rest, "%f", &kv); err != nil || kv < has-0.15 { // the sensors may be off by as much
						t.Errorf("%q, has %.2f kV", a.last().Text, has)
					}
				}
			}
			if said < 5 {
				t.Fatalf("told %d times what hazel has at most, want five: the test shows nothing", said)
			}
		})
	}
}

// A joint that goes bad elsewhere leaves it open what a zone without a sensor has, and so ends no alarm of its growth.
func TestJointEndsNoGrowthWithoutASensor(t *testing.T) {
	g := bareGrower(t, bare("hazel"), "hazel", func(d float64) float64 { return math.Exp(0.125 * d) })
	g.under(60)
	g.zone("orchard").inLine, g.zone("orchard").part = 25000, 0.5
	g.run(10 * 24 * time.Hour)
	if a := g.growthsOf("hazel"); len(a) != 1 || !a[0].over.IsZero() {
		g.show()
		t.Errorf("%d alarms of growth in hazel, want one that stands", len(a))
	}
	if !slices.ContainsFunc(g.alarms(), func(a *told) bool { return a.last().Cause == alerts.Joint }) {
		t.Error("no alarm of a bad joint: the test shows nothing")
	}
}

// Nobody is sent to a sensor that does not exist: what is told of lies between the sensors that do, or a fork of the
// wire.
func TestWalkBetweenSensorsThatAre(t *testing.T) {
	for _, tt := range []struct {
		bare  []string
		spoil func(b *bench)
		want  string
	}{
		{[]string{"hazel"}, func(b *bench) { b.zone("lane").parted = true }, "between brook's sensor and lane's sensor"},
		{[]string{"hazel"}, func(b *bench) { b.zone("lane").inLine = 8000 }, "between brook's sensor and lane's sensor, or that sensor"},
		{[]string{"hazel"}, func(b *bench) { b.devices[2].gain *= 0.65 }, "between brook's sensor and it"},
		{[]string{"brook", "hazel"}, func(b *bench) { b.zone("lane").parted = true }, "between brook's end and lane's sensor"},
		{[]string{"brook"}, func(b *bench) { b.zone("brook").parted = true }, "between cartshed and brook's end"},
		{[]string{"brook"}, func(b *bench) { b.zone("hazel").parted = true }, "between brook's end and hazel's sensor"},
		{nil, func(b *bench) { b.zone("lane").parted = true }, "between hazel's sensor and lane's sensor"},
	} {
		t.Run(fmt.Sprint(tt.want, " without ", tt.bare), func(t *testing.T) {
			b := newBench(t, bare(tt.bare...))
			b.draws(3e-4)
			b.run(100 * time.Hour)
			tt.spoil(b)
			b.run(2 * time.Hour)
			if text := b.only().last().Text; !strings.Contains(text, tt.want) {
				t.Errorf("%s: want %q", text, tt.want)
			}
		})
	}
}
