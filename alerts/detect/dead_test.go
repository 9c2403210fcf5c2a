package detect_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// A wire that hangs behind a break picks up a little of what is pulsed beside it, now and then. It is dead all the same,
// and dead once.
func TestDeadWireThatFlickersIsOneBreak(t *testing.T) {
	f := paddocks()
	for i := range f.Zones {
		if f.Zones[i].Name != "lane" {
			f.Zones[i].Sensor.Every = 10 * time.Minute
		}
	}
	b := newBench(t, f)
	b.run(30 * time.Hour)
	b.quiet()
	b.zone("lane").parted, b.zone("lane").part = true, 0.3
	b.alter = func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); v == 0 {
			r.Set(pulse.Volts, 100*math.Round(b.rng.Float64()))
		}
		return true
	}
	b.run(12 * time.Hour)
	a := b.only()
	if e := a.last(); e.Cause != alerts.Open || e.Source != "zone/lane" || e.Condition != alerts.Dead {
		b.show()
		t.Errorf("told last %s of %s as %s", e.Condition, e.Source, e.Cause)
	}
}

// When only the quick sensor at the far end has spoken, what lies before it is unknown; once those zones are heard hot, they
// are no part of the break.
func TestBreakDropsZonesHeardHot(t *testing.T) {
	f := paddocks()
	for i := range f.Zones {
		if f.Zones[i].Name != "lane" {
			f.Zones[i].Sensor.Every = 10 * time.Minute
		}
	}
	b := newBench(t, f)
	b.run(30*time.Hour + 3*time.Minute) // orchard is the next of the others to speak, in three minutes
	b.zone("lane").parted, b.zone("lane").part = true, 0.3
	b.run(time.Hour)
	a := b.only()
	if e := a.first(); e.Source != "zone/lane" {
		t.Errorf("told first of %s, though nobody had seen another zone dead", e.Source)
	}
	if e := a.last(); slices.Contains(e.Zones, "hazel") || slices.Contains(e.Zones, "brook") {
		t.Errorf("%v are told to be down with lane, and are hot", e.Zones)
	}
}
