package detect_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// touching are contacts that come and go, whose zone the depth of the touches tells by sensor: surely on polywire, and
// on good wire with the zones named beside which would show the same.
var touching = []struct {
	name   string
	change func(f *farm.Farm)
	zone   string
	part   float64
	ohms   float64
	rain   bool   // comes and goes too, so that not every dip is a touch, nor every touch one of the same fence
	also   string // what must be named beside; empty for nothing at all
}{
	{"in the midst of polywire", strung(4000), "hazel", 0.5, 400, false, ""},
	{"past the midst of polywire, in showers", strung(4000), "lane", 0.6, 150, true, ""},
	{"on polywire, one sensor being slow, in showers", slowHazel, "lane", 0.5, 150, true, ""},
	{"on polywire, where it hardly reaches the energizer", longBrook, "lane", 0.25, 60, false, ""},
	{"on steel behind polywire", ofSteel("hazel"), "hazel", 0.3, 700, false, ""},
	{"on one of two steel zones that part", ofSteel("hazel", "orchard"), "orchard", 0.3, 250, false, "hazel"},
	{"on steel all over", strung(20), "hazel", 0.5, 700, false, "or another beside them"},
}

// strung strings all zones with so many ohms a kilometre.
func strung(ohms float64) func(f *farm.Farm) {
	return func(f *farm.Farm) {
		for i := range f.Zones {
			f.Zones[i].OhmsPerKM = ohms
		}
	}
}

// ofSteel strings the zones so named with steel.
func ofSteel(names ...string) func(f *farm.Farm) {
	return func(f *farm.Farm) {
		for i := range f.Zones {
			for _, n := range names {
				if f.Zones[i].Name == n {
					f.Zones[i].OhmsPerKM = 30
				}
			}
		}
	}
}

// longBrook has so much wire before hazel that what touches past it hardly reaches the energizer.
func longBrook(f *farm.Farm) { f.Zones[0].LengthM = 1000 }

// slowHazel has a sensor in hazel that misses most touches.
func slowHazel(f *farm.Farm) { f.Zones[1].Sensor.Every = 5 * time.Minute }

// A contact that comes and goes is told in its zone, whatever else dips beside it, and where the wire does not tell one
// zone from the next both are named.
func TestZoneOfWhatComesAndGoes(t *testing.T) {
	t.Parallel()
	for _, tt := range touching {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			tt.change(f)
			b := newBench(t, f)
			b.noise = 0.012
			b.run(30 * time.Hour)
			b.quiet()
			b.touch(tt.zone, tt.ohms, 100*time.Second, 8*time.Minute)
			b.zone(tt.zone).part = tt.part
			if tt.rain {
				b.showers()
			}
			b.run(8 * time.Hour)
			e := b.lastOf(alerts.CauseIntermittent)
			named := strings.Contains(e.Text, tt.zone+" ") || strings.Contains(e.Text, tt.zone+",")
			if tt.also == "" && (e.Source != farm.ZoneSource(tt.zone) || strings.Contains(e.Text, ", or in ")) || !named || !strings.Contains(e.Text, tt.also) {
				b.show()
				t.Errorf("told of %s: %q, truly %s", e.Source, e.Text, tt.zone)
			}
		})
	}
}

// showers has all wires leak several times as much within minutes, every two hours, beside what else the bench does.
func (b *bench) showers() {
	w, from, before := b.wires["cartshed"], b.now, b.while
	dry := make([]float64, len(w.spans))
	for i := range w.spans {
		dry[i] = w.spans[i].leak
	}
	b.while = func(now time.Time) {
		before(now)
		for i := range w.spans {
			w.spans[i].leak = dry[i] * (1 + 4*min(1, math.Max(0, 6*math.Sin(3*now.Sub(from).Hours()))))
		}
	}
}

// lastOf returns the newest event of cause c.
func (b *bench) lastOf(c alerts.Cause) alerts.Event {
	b.t.Helper()
	for i := len(b.events) - 1; i >= 0; i-- {
		if b.events[i].Cause == c && b.events[i].Kind != alerts.Returned {
			return b.events[i]
		}
	}
	b.show()
	b.t.Fatalf("nothing told as %s", c)
	return alerts.Event{}
}

// A touch lets go before all slow sensors have spoken: what half of them show of it and half do not is no fault of another
// zone, and nobody is sent there.
func TestTouchThatLetGoMovesNowhere(t *testing.T) {
	told := 0
	for off := range 10 {
		for _, zone := range []string{"brook", "hazel", "orchard"} {
			f := paddocks()
			strung(400)(f)
			reportEvery(f, 5*time.Minute)
			b := newBench(t, f)
			b.run(30*time.Hour + time.Duration(off)*30*time.Second)
			b.quiet()
			short(zone, 60, 0.8)(b)
			b.run(2*time.Minute + 20*time.Second)
			b.zone(zone).short = 0
			b.run(8 * time.Minute)
			for _, a := range b.alarms() {
				told++
				if a.last().Source != a.first().Source {
					b.show()
					t.Errorf("touched in %s, told of %s and then of %s", zone, a.first().Source, a.last().Source)
				}
			}
		}
	}
	if told == 0 {
		t.Error("nothing was told")
	}
}
