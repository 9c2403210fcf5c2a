package detect_test

import (
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
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
			if a := b.only(); a.over.IsZero() || !a.last().Withdrawn || !strings.Contains(a.last().Text, "taken off") {
				b.show()
				t.Errorf("told last: %s, %s; want that the sensor was taken off", a.last().Kind, a.last().Text)
			}
		})
	}
}

// What was dead when the watch began, as after a power cut at two in the morning, is one alarm, and is told to be over
// as soon as if it had died under the watch's eyes. What is wrong beside it is told then.
func TestDeadWhenTheWatchBegan(t *testing.T) {
	off := func(b *bench) { b.wires["cartshed"].open = 0 }
	badlyJoined := func(b *bench) { b.zone("lane").leak, b.zone("lane").inLine = 3e-4, 8000 }
	for _, tt := range []struct {
		name         string
		lay          func(f *farm.Farm)
		spoil, still func(b *bench)
		source, next farm.Source
		cause        alerts.Cause
		then         alerts.Condition
		last         string
	}{
		{name: "parted", spoil: part("lane", 0.5), source: "zone/lane", cause: alerts.Open, last: "Lane is back at"},
		{name: "parted, and low once joined", spoil: part("lane", 0.5), still: badlyJoined, source: "zone/lane", cause: alerts.Open,
			next: "zone/lane", then: alerts.Low, last: "and still low"},
		{name: "energizer off", spoil: off, source: "energizer/cartshed", cause: alerts.EnergizerOff, last: "Cartshed is on and the fence is hot"},
		{name: "energizer off, and a wire parted", spoil: off, still: part("lane", 0.5), source: "energizer/cartshed", cause: alerts.EnergizerOff,
			next: "zone/lane", then: alerts.Dead, last: "Cartshed is on, but still dead when last heard: lane"},
		{name: "energizer off that has no sensor", lay: func(f *farm.Farm) { f.Energizers[0].Sensor = farm.Sensor{} }, spoil: off,
			source: "zone/brook", cause: alerts.Unknown, last: "Brook is back at"},
		{name: "off, first zone without a sensor", lay: func(f *farm.Farm) { f.Zones[0].Sensor = farm.Sensor{} }, spoil: off,
			source: "energizer/cartshed", cause: alerts.EnergizerOff, last: "Cartshed is on and the fence is hot"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			if tt.lay != nil {
				tt.lay(f)
			}
			b := newBench(t, f)
			open := b.wires["cartshed"].open
			tt.spoil(b)
			b.run(30 * time.Minute)
			if a := b.only(); a.last().Source != tt.source || a.last().Cause != tt.cause || a.last().Priority != alerts.High {
				b.show()
				t.Errorf("told of %s, cause %s, %s", a.last().Source, a.last().Cause, a.last().Priority)
			}
			b.wires["cartshed"].mend()
			b.wires["cartshed"].open = open
			if tt.still != nil {
				tt.still(b)
			}
			b.run(6 * time.Minute)
			all := b.alarms()
			if all[0].over.IsZero() || !strings.Contains(all[0].last().Text, tt.last) {
				b.show()
				t.Errorf("six minutes after it was mended, told %q, want that it is over: %q", all[0].last().Text, tt.last)
			}
			b.run(time.Hour)
			switch all = b.alarms(); {
			case len(all) == 1 && tt.next == "":
			case len(all) == 2 && all[1].first().Source == tt.next && all[1].first().Condition == tt.then:
			default:
				b.show()
				t.Errorf("%d alarms; want one after the first only of %q", len(all), tt.next)
			}
		})
	}
}
