package detect_test

import (
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// TestReturnTellsTheVoltageNow and not the last that the fault had.
func TestReturnTellsTheVoltageNow(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.zone("lane").parted, b.zone("lane").part = true, 0.4
	b.run(time.Hour)
	b.wires["cartshed"].mend()
	b.run(2 * time.Hour)
	a := b.only()
	last := a.events[len(a.events)-1]
	if last.Kind != alerts.Returned || last.KV == nil || *last.KV < 2 {
		b.show()
		t.Errorf("the last word is %s at %v kV, want returned at what lane has again", last.Kind, last.KV)
	}
	if len(a.first().Evidence) == 0 || len(last.Evidence) > 0 {
		b.show()
		t.Errorf("raised on %q and returned on %q, want what was seen of the fault with the first alone", a.first().Evidence, last.Evidence)
	}
}

// When the energizer is on again, a board that is slow to say so is not told as a dead zone: what it said while the energizer
// was off counts for nothing.
func TestSlowBoardAfterEnergizerIsOn(t *testing.T) {
	b := newBench(t, paddocks())
	b.run(30 * time.Hour)
	b.quiet()
	w := b.wires["cartshed"]
	open := w.open
	w.open = 0
	b.run(20 * time.Minute)
	w.open = open
	on := b.now
	b.alter = func(d *device, r *pulse.Reading) bool {
		if late := d.source == "zone/hazel" || d.source == "zone/lane"; late && b.now.Sub(on) < 180*time.Second {
			r.Set(pulse.Volts, 0)
		}
		return true
	}
	b.run(2 * time.Hour)
	if a := b.only(); a.over.IsZero() || a.first().Cause != alerts.EnergizerOff {
		b.show()
		t.Errorf("told %s, over at %s", a.first().Cause, a.over)
	}
}

// The alarm of a fault that only sensors have shown which were then taken off ends, and says why.
func TestFaultThatNobodySeesAnyMore(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(b *bench)
	}{{"parted", part("lane", 0.5)}, {"a bad joint", joint("lane", 4000)}} {
		t.Run(tt.name, func(t *testing.T) {
			f := slowFarm()
			b := newBench(t, f)
			b.zone("lane").leak = 1.5e-4
			b.run(36 * time.Hour)
			b.quiet()
			tt.spoil(b)
			b.run(4 * time.Hour)
			if a := b.only(); a.first().Source != "zone/lane" || len(a.last().Zones) > 0 || !a.over.IsZero() {
				b.show()
				t.Fatal("want a fault that lane's sensor alone shows")
			}
			b.takeOff(f, "lane")
			b.run(time.Hour)
			if a := b.only(); a.over.IsZero() || !strings.Contains(a.last().Text, "taken off") {
				b.show()
				t.Errorf("told last: %s, %s; want that the sensor was taken off", a.last().Kind, a.last().Text)
			}
		})
	}
}
