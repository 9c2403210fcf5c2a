package detect_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// layouts are fences that lack something, with a fault each and what must come of it.
var layouts = []struct {
	name   string
	lay    func(f *farm.Farm)
	harm   func(b *bench)
	source []farm.Source // any of these; nil for nothing said
	cause  []alerts.Cause
	within time.Duration
	placed bool
}{
	{name: "no energizer sensor, wire parted",
		lay:    func(f *farm.Farm) { f.Energizers[0].Sensor = farm.Sensor{} },
		harm:   func(b *bench) { b.zone("lane").parted, b.zone("lane").part = true, 0.4 },
		source: []farm.Source{"zone/lane"}, cause: []alerts.Cause{alerts.Open}, within: 3 * time.Minute},
	{name: "no energizer sensor, energizer off",
		lay:    func(f *farm.Farm) { f.Energizers[0].Sensor = farm.Sensor{} },
		harm:   func(b *bench) { b.wires["cartshed"].open = 0 },
		source: []farm.Source{"energizer/cartshed"}, cause: []alerts.Cause{alerts.EnergizerOff}, within: 3 * time.Minute},
	{name: "no energizer sensor, short",
		lay:    func(f *farm.Farm) { f.Energizers[0].Sensor = farm.Sensor{} },
		harm:   func(b *bench) { b.zone("hazel").short, b.zone("hazel").part = 1.0/150, 0.6 },
		source: []farm.Source{"zone/hazel"}, cause: []alerts.Cause{alerts.Short}, within: 3 * time.Minute},
	{name: "a zone without a sensor, parted",
		lay:    func(f *farm.Farm) { f.Zones[1].Sensor = farm.Sensor{} },
		harm:   func(b *bench) { b.zone("hazel").parted, b.zone("hazel").part = true, 0.4 },
		source: []farm.Source{"zone/hazel", "zone/lane"}, cause: []alerts.Cause{alerts.Open}, within: 3 * time.Minute},
	{name: "a zone without a sensor, short",
		lay:    func(f *farm.Farm) { f.Zones[1].Sensor = farm.Sensor{} },
		harm:   func(b *bench) { b.zone("hazel").short, b.zone("hazel").part = 1.0/150, 0.6 },
		source: []farm.Source{"zone/hazel", "zone/lane"}, cause: []alerts.Cause{alerts.Short}, within: 3 * time.Minute},
	{name: "one zone alone, parted",
		lay:    func(f *farm.Farm) { f.Zones = f.Zones[:1] },
		harm:   func(b *bench) { b.zone("brook").parted, b.zone("brook").part = true, 0.4 },
		source: []farm.Source{"zone/brook"}, cause: []alerts.Cause{alerts.Open}, within: 3 * time.Minute},
	{name: "one zone alone, short",
		lay:    func(f *farm.Farm) { f.Zones = f.Zones[:1] },
		harm:   func(b *bench) { b.zone("brook").short, b.zone("brook").part = 1.0/200, 0.8 },
		source: []farm.Source{"zone/brook"}, cause: []alerts.Cause{alerts.Short}, within: 3 * time.Minute},
	{name: "one zone alone, energizer off",
		lay:    func(f *farm.Farm) { f.Zones = f.Zones[:1] },
		harm:   func(b *bench) { b.wires["cartshed"].open = 0 },
		source: []farm.Source{"energizer/cartshed"}, cause: []alerts.Cause{alerts.EnergizerOff}, within: 3 * time.Minute},
	{name: "one sensor in all, dead",
		lay:    func(f *farm.Farm) { f.Zones = f.Zones[:1]; f.Energizers[0].Sensor = farm.Sensor{} },
		harm:   func(b *bench) { b.wires["cartshed"].open = 0 },
		source: []farm.Source{"zone/brook", "energizer/cartshed"}, cause: []alerts.Cause{alerts.Open, alerts.EnergizerOff, alerts.Unknown}, within: 4 * time.Minute},
	{name: "fifteen minutes, parted",
		lay:    func(f *farm.Farm) { reportEvery(f, 15*time.Minute) },
		harm:   func(b *bench) { b.zone("lane").parted, b.zone("lane").part = true, 0.4 },
		source: []farm.Source{"zone/lane"}, cause: []alerts.Cause{alerts.Open}, within: 33 * time.Minute},
	{name: "fifteen minutes, short",
		lay:    func(f *farm.Farm) { reportEvery(f, 15*time.Minute) },
		harm:   func(b *bench) { b.zone("hazel").short, b.zone("hazel").part = 1.0/150, 0.6 },
		source: []farm.Source{"zone/hazel"}, cause: []alerts.Cause{alerts.Short}, within: 33 * time.Minute},
	{name: "every sensor at its own pace, parted",
		lay:    func(f *farm.Farm) { ownPaces(f) },
		harm:   func(b *bench) { b.zone("hazel").parted, b.zone("hazel").part = true, 0.4 },
		source: []farm.Source{"zone/hazel"}, cause: []alerts.Cause{alerts.Open}, within: 11 * time.Minute},
	{name: "every sensor at its own pace, energizer off",
		lay:    func(f *farm.Farm) { ownPaces(f) },
		harm:   func(b *bench) { b.wires["cartshed"].open = 0 },
		source: []farm.Source{"energizer/cartshed"}, cause: []alerts.Cause{alerts.EnergizerOff}, within: 11 * time.Minute},
	{name: "nothing wrong, every sensor at its own pace", lay: func(f *farm.Farm) { ownPaces(f) }, harm: func(*bench) {}},
	{name: "nothing wrong, steel", lay: func(f *farm.Farm) { steel(f) }, harm: func(*bench) {}},
}

func reportEvery(f *farm.Farm, d time.Duration) {
	f.Energizers[0].Sensor.Every = d
	for i := range f.Zones {
		f.Zones[i].Sensor.Every = d
	}
}

// slowBut has every zone report each ten minutes but that named, which keeps its pace.
func slowBut(f *farm.Farm, quick string) {
	for i := range f.Zones {
		if f.Zones[i].Name != quick {
			f.Zones[i].Sensor.Every = 10 * time.Minute
		}
	}
}

// needing gives all zones one minimum.
func needing(f *farm.Farm, volts float64) {
	for i := range f.Zones {
		f.Zones[i].MinimumVolts = volts
	}
}

func ownPaces(f *farm.Farm) {
	f.Energizers[0].Sensor.Every = time.Minute
	for i, d := range []time.Duration{30 * time.Second, 5 * time.Minute, 10 * time.Minute, 2 * time.Minute} {
		f.Zones[i].Sensor.Every = d
	}
}

func steel(f *farm.Farm) {
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM = 30
	}
}

// What a fence lacks is made up for: the fault is found, once, and returns.
func TestLayouts(t *testing.T) {
	for _, tt := range layouts {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			tt.lay(f)
			b := newBench(t, f)
			b.run(30 * time.Hour)
			b.quiet()
			open := b.wires["cartshed"].open
			tt.harm(b)
			from := b.now
			b.run(3 * time.Hour)
			if tt.source == nil {
				b.quiet()
				return
			}
			a := b.only()
			settled := a.settled(f.Zones[0].Sensor.Every)
			if !slices.Contains(tt.source, settled.Source) || !slices.Contains(tt.cause, settled.Cause) {
				b.show()
				t.Errorf("came to say %s, cause %s; want %v, %v", settled.Source, settled.Cause, tt.source, tt.cause)
			}
			if late := a.raised.Sub(from); late > tt.within {
				t.Errorf("told after %s, want within %s", late, tt.within)
			}
			b.wires["cartshed"].mend()
			b.wires["cartshed"].open = open
			b.run(6 * time.Hour)
			if a = b.only(); a.over.IsZero() {
				b.show()
				t.Error("did not return when it was mended")
			}
		})
	}
}

// On steel, where a kilometre has some thirty ohms, a short lowers everything alike: it is told, and honestly without a
// place or with one that is hardly narrower than the zone.
func TestSteelIsNotPlaced(t *testing.T) {
	for _, part := range []float64{0.1, 0.5, 0.9} {
		f := paddocks()
		steel(f)
		b := newBench(t, f)
		b.run(30 * time.Hour)
		b.zone("hazel").short, b.zone("hazel").part = 1.0/100, part
		b.run(2 * time.Hour)
		a := b.only()
		for _, e := range a.events {
			if e.DistanceM != nil {
				t.Errorf("short at %.0f m of hazel: placed at %.0f m of %s (%.0f to %.0f)", part*200, *e.DistanceM, e.Source, *e.DistanceLowM, *e.DistanceHighM)
			}
		}
		if f := a.first(); f.Priority != alerts.High {
			t.Errorf("priority %s, want high with every zone under its minimum: %s", f.Priority, f.Text)
		}
	}
}

// twoSheds is a farm of two fences that share nothing but the ground.
func twoSheds() *farm.Farm {
	f := paddocks()
	f.Energizers = append(f.Energizers, f.Energizers[0])
	f.Energizers[1].Name, f.Energizers[1].Sensor.Topic = "barn", "alder-bank/barn/output"
	for _, name := range []string{"meadow", "bank"} {
		z := f.Zones[0]
		z.Name, z.FedBy, z.Sensor.Topic = name, "barn", "alder-bank/"+name+"/kv"
		f.Zones = append(f.Zones, z)
	}
	f.Zones[5].FedBy = "meadow"
	return f
}

// A fault on one energizer's fence says nothing of the other's, and both at once are two alarms.
func TestTwoEnergizers(t *testing.T) {
	b := newBench(t, twoSheds())
	b.run(30 * time.Hour)
	b.quiet()
	b.wires["barn"].open = 0
	b.run(time.Hour)
	a := b.only()
	if a.first().Source != "energizer/barn" || !slices.Equal(a.last().Zones, []string{"meadow", "bank"}) {
		t.Errorf("told of %s and zones %v: %s", a.first().Source, a.last().Zones, a.first().Text)
	}
	b.zone("orchard").parted = true
	b.run(time.Hour)
	if all := b.alarms(); len(all) != 2 || all[1].first().Source != "zone/orchard" || all[1].first().Cause != alerts.Open {
		b.show()
		t.Fatalf("%d alarms, want a second one of orchard", len(all))
	}
	b.wires["barn"].open = 8200
	b.run(time.Hour)
	if all := b.alarms(); all[0].over.IsZero() || !all[1].over.IsZero() {
		t.Error("the barn's alarm should have returned and orchard's not")
	}
}

// Both energizers off at once, as when the mains fail, are told apart from a lost link and from each other.
func TestBothEnergizersOff(t *testing.T) {
	b := newBench(t, twoSheds())
	b.run(30 * time.Hour)
	b.wires["barn"].open, b.wires["cartshed"].open = 0, 0
	b.run(time.Hour)
	all := b.alarms()
	for _, a := range all {
		if a.first().Cause != alerts.EnergizerOff || !strings.HasPrefix(string(a.first().Source), "energizer/") {
			t.Errorf("told %s, cause %s", a.first().Source, a.first().Cause)
		}
	}
	if len(all) != 2 {
		b.show()
		t.Errorf("%d alarms, want two", len(all))
	}
}

// A sensor that is taken off while the wire before it is parted is not looked for when the fault is looked at again.
func TestSensorTakenOffDuringAFault(t *testing.T) {
	f := paddocks()
	f.Zones[2].Sensor.Every = 15 * time.Minute
	b := newBench(t, f)
	b.run(30*time.Hour + 8*time.Minute)
	b.quiet()
	b.zone("hazel").parted = true
	for len(b.events) == 0 {
		b.run(10 * time.Second)
	}
	b.takeOff(f, "lane")
	b.run(time.Hour)
	b.zone("hazel").parted = false
	b.run(time.Hour)
	if a := b.only(); a.first().Source != "zone/hazel" || a.last().Kind != alerts.Returned {
		b.show()
		t.Errorf("%s of %s was told last, want that hazel is back", a.last().Kind, a.first().Source)
	}
}

// A farm with no sensor at all, and readings of sensors that nobody knows, say nothing and break nothing.
func TestNobodyThere(t *testing.T) {
	f := paddocks()
	f.Energizers[0].Sensor = farm.Sensor{}
	for i := range f.Zones {
		f.Zones[i].Sensor = farm.Sensor{}
	}
	w := newWatch(t, f)
	r := pulse.Reading{Sensor: "alder-bank/zone/brook", At: start, Arrived: start}
	r.Set(pulse.Volts, 0)
	for range 5 {
		if got := append(w.Observe(r), w.Tick(start.Add(48*time.Hour))...); len(got) > 0 {
			t.Errorf("said %s of a sensor it does not know", got[0].Text)
		}
	}
}

// takeOff goes on with a watch that has taken up what was known when the sensor of a zone of f was taken off.
func (b *bench) takeOff(f *farm.Farm, zone string) {
	b.t.Helper()
	without := *f
	without.Zones = slices.Clone(f.Zones)
	without.Zones[slices.IndexFunc(f.Zones, func(z farm.Zone) bool { return z.Name == zone })].Sensor = farm.Sensor{}
	memory, err := b.watch.MarshalBinary()
	if err != nil {
		b.t.Fatal(err)
	}
	b.watch = newWatch(b.t, &without)
	if anew, err := b.watch.Adopt(memory); err != nil || len(anew) > 0 {
		b.t.Fatalf("begins anew %v, %v; the wire is what it was", anew, err)
	}
}
