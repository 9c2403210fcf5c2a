package detect_test

import (
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/sim"
)

// paddocks is a fence of four zones on polywire: brook, then hazel and lane one behind the other, and orchard beside.
func paddocks() *farm.Farm {
	zone := func(name, by string, m float64) farm.Zone {
		return farm.Zone{Name: name, FedBy: by, LengthM: m, OhmsPerKM: 4000, Stock: "pigs", MinimumVolts: 2500,
			Sensor: farm.Sensor{Topic: "alder-bank/" + name + "/kv", Every: time.Minute}}
	}
	f := &farm.Farm{Name: "alder-bank", Location: time.UTC,
		Energizers: []farm.Energizer{{Name: "cartshed", Supply: farm.Battery, OpenVolts: 8200, SourceOhms: 350, EarthOhms: 60, PulseEvery: 1300 * time.Millisecond,
			Sensor: farm.Sensor{Topic: "alder-bank/cartshed/output", Every: time.Minute}}},
		Zones: []farm.Zone{zone("brook", "cartshed", 180), zone("hazel", "brook", 200), zone("lane", "hazel", 150), zone("orchard", "brook", 220)},
	}
	f.Zones[1].Marks = []farm.Mark{{AtM: 110, Name: "lower gate"}}
	return f
}

// season runs the simulator over f with faults, on still dry ground where nothing grows, and returns its messages.
func season(t testing.TB, f *farm.Farm, days float64, faults ...sim.Fault) []sim.Message {
	t.Helper()
	return leaky(t, f, days, 6e-5, faults...)
}

// leaky is season on a fence that leaks so many siemens per kilometre.
func leaky(t testing.TB, f *farm.Farm, days, leak float64, faults ...sim.Fault) []sim.Message {
	t.Helper()
	ground := map[string]sim.Ground{}
	for _, z := range f.Zones {
		ground[z.Name] = sim.Ground{Vigour: 1e-6, DewShare: 1e-6, Contact: 0.6, Patchy: -1, DrySiemen: leak}
	}
	s, err := sim.New(sim.Options{Farm: f, Start: start, Length: time.Duration(days * 24 * float64(time.Hour)), Seed: 7, Grounds: ground,
		Climate: sim.Climate{LatitudeDeg: 53, RainHours: 1e-9, Dry: []sim.Spell{{FromDay: 0, ToDay: 365}}},
		Sensors: map[farm.Source]sim.Sensor{"": {GainSpread: 0.03, White: 0.006, Wander: 0.004, StepVolts: 10, FloorVolts: 150, Jitter: time.Second}},
		Faults:  faults})
	if err != nil {
		t.Fatal(err)
	}
	return slices.Collect(s.Messages())
}

var start = time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)

func newWatch(t testing.TB, f *farm.Farm) *detect.Watch {
	t.Helper()
	w, err := detect.New(detect.Options{Farm: f})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// feed gives messages to w and returns what it said.
func feed(t testing.TB, w *detect.Watch, f *farm.Farm, ms []sim.Message) []alerts.Event {
	t.Helper()
	ids := sensorsByTopic(f)
	var out []alerts.Event
	d := plain(t)
	for _, m := range ms {
		r, _ := reading(t, d, ids[m.Topic], m.Payload, m.At)
		out = append(out, w.Observe(r)...)
	}
	return out
}

func at(days float64) time.Time { return start.Add(time.Duration(days * 24 * float64(time.Hour))) }

// faultCase is one fault alone on a calm fence, and what must be said of it.
type faultCase struct {
	name      string
	fault     sim.Fault
	source    farm.Source
	condition alerts.Condition
	cause     alerts.Cause
	zones     []string
	priority  alerts.Priority
	text      string
	atM       float64
	within    time.Duration
}

var faultCases = []faultCase{
	{name: "broken wire", fault: sim.Fault{Kind: sim.Break, On: "zone/hazel", AtM: 90}, source: "zone/hazel", condition: alerts.Dead, cause: alerts.Open,
		zones: []string{"lane"}, priority: alerts.High, text: "between brook's sensor and hazel's sensor", within: 135 * time.Second},
	{name: "short", fault: sim.Fault{Kind: sim.Short, On: "zone/hazel", AtM: 120, Ohms: 150}, source: "zone/hazel", condition: alerts.Low, cause: alerts.Short,
		zones: []string{"brook", "lane", "orchard"}, priority: alerts.High, text: "near the lower gate", atM: 120, within: 135 * time.Second},
	{name: "fallen wire", fault: sim.Fault{Kind: sim.FallenWire, On: "zone/orchard", AtM: 60, Ohms: 300}, source: "zone/orchard", condition: alerts.Dead, cause: alerts.Short,
		zones: []string{"brook", "hazel", "lane"}, priority: alerts.High, text: "wire touching earth", atM: 60, within: 135 * time.Second},
	{name: "energizer off", fault: sim.Fault{Kind: sim.EnergizerOff, On: "energizer/cartshed"}, source: "energizer/cartshed", condition: alerts.Off, cause: alerts.EnergizerOff,
		zones: []string{"brook", "hazel", "lane", "orchard"}, priority: alerts.High, text: "Go to the energizer first", within: 135 * time.Second},
	{name: "energizer weak", fault: sim.Fault{Kind: sim.EnergizerWeak, On: "energizer/cartshed", Level: 0.6}, source: "energizer/cartshed", condition: alerts.Weak, cause: alerts.EnergizerWeak,
		zones: []string{"brook", "hazel", "lane", "orchard"}, priority: alerts.Medium, text: "everywhere alike", within: 6 * time.Minute},
	{name: "sensor dead", fault: sim.Fault{Kind: sim.SensorDead, On: "zone/hazel"}, source: "zone/hazel", condition: alerts.Silent, cause: alerts.SensorSilent,
		priority: alerts.Medium, text: "unknown, not zero", within: 11 * time.Minute},
	{name: "link lost", fault: sim.Fault{Kind: sim.LinkLost}, source: farm.Site, condition: alerts.Silent, cause: alerts.LinkLost,
		zones: []string{"brook", "hazel", "lane", "orchard"}, priority: alerts.High, text: "nobody is watching the fence", within: 4 * time.Minute},
	{name: "sensor of a fed zone wrong", fault: sim.Fault{Kind: sim.SensorGain, On: "zone/brook", Level: 0.4}, source: "zone/brook", condition: alerts.FaultySensor, cause: alerts.CauseSensorFaulty,
		priority: alerts.Medium, text: "Measure there by hand", within: 8 * time.Minute},
	{name: "sensor stuck", fault: sim.Fault{Kind: sim.SensorStuck, On: "zone/brook"}, source: "zone/brook", condition: alerts.FaultySensor, cause: alerts.CauseSensorFaulty,
		priority: alerts.Medium, text: "stuck", within: 70 * time.Minute},
}

// Each fault alone on a calm fence: one alarm, the right cause and place, within two reporting periods of the first
// reading that shows it, and gone when it is mended.
func TestFaults(t *testing.T) {
	for _, tt := range faultCases {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			tt.fault.From, tt.fault.To = at(2.4), at(2.65)
			events := feed(t, newWatch(t, f), f, season(t, f, 3.2, tt.fault))
			if len(events) == 0 {
				t.Fatal("nothing was said")
			}
			tt.checkRaised(t, events[0])
			settled := events[0]
			for _, e := range events {
				if e.ID != events[0].ID {
					t.Errorf("a second alarm for one fault: %s %s %s: %s", e.Kind, e.Source, e.Condition, e.Text)
				}
				if e.Kind == alerts.Updated {
					settled = e
				}
			}
			tt.checkSettled(t, settled)
			if last := events[len(events)-1]; last.Kind != alerts.Returned || last.Time.Before(tt.fault.To) {
				t.Errorf("last said %s at %s, want returned after %s", last.Kind, last.Time, tt.fault.To)
			}
		})
	}
}

// checkRaised holds the first word against what must be said at once.
func (tt faultCase) checkRaised(t *testing.T, e alerts.Event) {
	t.Helper()
	if e.Kind != alerts.Raised || e.Source != tt.source || e.Condition != tt.condition || e.Cause != tt.cause || e.Priority != tt.priority {
		t.Errorf("first said %s %s %s, cause %s, %s; want %s %s, cause %s, %s\n%s %v", e.Kind, e.Source, e.Condition, e.Cause, e.Priority,
			tt.source, tt.condition, tt.cause, tt.priority, e.Text, e.Evidence)
	}
	if late := e.Time.Sub(tt.fault.From); late > tt.within || late < 0 {
		t.Errorf("said %s after it began, want within %s", late, tt.within)
	}
}

// checkSettled holds the last word while the fault stood against what must be known by then.
func (tt faultCase) checkSettled(t *testing.T, e alerts.Event) {
	t.Helper()
	if diff := cmp.Diff(tt.zones, e.Zones); diff != "" && tt.condition != alerts.FaultySensor {
		t.Errorf("zones that ride on it (-want +got):\n%s", diff)
	}
	if !strings.Contains(e.Text, tt.text) {
		t.Errorf("text %q does not say %q", e.Text, tt.text)
	}
	if tt.atM == 0 {
		return
	}
	if e.DistanceM == nil {
		t.Errorf("no place given: %s", e.Text)
	} else if off := *e.DistanceM - tt.atM; off < -60 || off > 60 || *e.DistanceLowM > tt.atM || *e.DistanceHighM < tt.atM {
		t.Errorf("placed at %.0f m (%.0f to %.0f), truly %.0f m", *e.DistanceM, *e.DistanceLowM, *e.DistanceHighM, tt.atM)
	}
}

// A wire parted within a loop leaves every zone hot; only the profile tells.
func TestBreakInALoop(t *testing.T) {
	f := paddocks()
	f.Zones[3].FedBy, f.Zones[3].JoinedTo = "brook", "lane" // orchard closes the ring brook, hazel, lane, orchard
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM = 6000
	}
	fault := sim.Fault{Kind: sim.Break, On: "zone/hazel", AtM: 20, From: at(2.4), To: at(2.9)}
	ms := leaky(t, f, 3, 4e-4, fault)
	events := feed(t, newWatch(t, f), f, ms)
	i := slices.IndexFunc(events, func(e alerts.Event) bool { return e.Kind == alerts.Raised })
	if i < 0 {
		t.Fatal("nothing was said")
	}
	if e := events[i]; e.Source != "zone/hazel" || e.Cause != alerts.Open || e.Time.Sub(fault.From) > 3*time.Hour || e.Time.Before(fault.From) {
		t.Errorf("said %s, cause %s, at %s: %s; want a parted wire in hazel within three hours of %s", e.Source, e.Cause, e.Time, e.Text, fault.From)
	}
}

// One wild reading, from one sensor or at one moment from several, wakes nobody.
func TestOneBadReadingNeverRaises(t *testing.T) {
	f := paddocks()
	w := newWatch(t, f)
	ids := sensorsByTopic(f)
	rng := rand.New(rand.NewPCG(3, 4))
	for minute := range 3000 {
		for i, topic := range []string{"alder-bank/cartshed/output", "alder-bank/brook/kv", "alder-bank/hazel/kv", "alder-bank/lane/kv", "alder-bank/orchard/kv"} {
			now := start.Add(time.Duration(minute)*time.Minute + time.Duration(i)*8*time.Second)
			v := 8000 - 150*float64(i) + 40*rng.NormFloat64()
			if minute%251 == 250 && i == minute/251%5 { // one sensor
				v = 100
			}
			if minute%997 == 996 { // all, once: stock lean on the wire for half a minute
				v *= 0.2
			}
			r := pulse.Reading{Sensor: ids[topic], At: now, Arrived: now}
			r.Set(pulse.Volts, v)
			if events := w.Observe(r); len(events) > 0 {
				t.Fatalf("minute %d: %s %s: %s", minute, events[0].Source, events[0].Condition, events[0].Text)
			}
		}
	}
}

// Late and repeated readings wake nobody; nor does a sensor whose clock is an hour slow go unheard.
func TestOldNews(t *testing.T) {
	f := paddocks()
	w := newWatch(t, f)
	ids := sensorsByTopic(f)
	rng := rand.New(rand.NewPCG(8, 9))
	say := func(name string, stamp, arrived time.Time, v float64) []alerts.Event {
		r := pulse.Reading{Sensor: ids["alder-bank/"+name+"/kv"], At: stamp, Arrived: arrived}
		r.Set(pulse.Volts, v*(1+0.005*rng.NormFloat64()))
		return slices.Clone(w.Observe(r))
	}
	var events []alerts.Event
	for minute := range 300 {
		now := start.Add(time.Duration(minute) * time.Minute)
		events = append(events, say("brook", now, now, 7800)...)
		events = append(events, say("hazel", now.Add(-time.Hour), now.Add(9*time.Second), 7700)...)
		if minute > 200 { // a backlog from when the fence was down arrives beside the present
			for k := range 10 {
				events = append(events, say("brook", start.Add(-time.Duration(10*minute+k)*time.Minute), now.Add(time.Second), 0)...)
			}
		}
	}
	if len(events) > 0 {
		t.Fatalf("old news raised %s %s: %s", events[0].Source, events[0].Condition, events[0].Text)
	}
	for minute := 300; minute < 304; minute++ {
		now := start.Add(time.Duration(minute) * time.Minute)
		events = append(events, say("brook", now, now, 7800)...)
		events = append(events, say("hazel", now.Add(-time.Hour), now.Add(9*time.Second), 0)...)
	}
	if len(events) != 1 || events[0].Condition != alerts.Dead || events[0].Source != "zone/hazel" {
		t.Errorf("said %v; want hazel dead though its clock is an hour slow", events)
	}
}

// A watch that is saved and taken up again in mid-fault says what one that never stopped says.
func TestSavedAndTakenUp(t *testing.T) {
	f := paddocks()
	ms := season(t, f, 4,
		sim.Fault{Kind: sim.Break, On: "zone/hazel", AtM: 90, From: at(2.4), To: at(2.5)},
		sim.Fault{Kind: sim.SensorDead, On: "zone/orchard", From: at(3.1), To: at(3.3)})
	whole := feed(t, newWatch(t, f), f, ms)
	for _, cut := range []float64{0.3, 0.6005, 0.61, 0.7, 0.8} {
		i := int(cut * float64(len(ms)))
		first := newWatch(t, f)
		got := feed(t, first, f, ms[:i])
		memory, err := first.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		second := newWatch(t, f)
		if err := second.UnmarshalBinary(memory); err != nil {
			t.Fatal(err)
		}
		got = append(got, feed(t, second, f, ms[i:])...)
		if diff := cmp.Diff(lines(t, whole), lines(t, got)); diff != "" {
			t.Errorf("cut at %.4f (-whole +cut):\n%s", cut, diff)
		}
	}
	if len(whole) < 4 {
		t.Fatalf("only %d events: the test shows nothing", len(whole))
	}
	other := paddocks()
	other.Zones[1].LengthM = 300
	memory, err := newWatch(t, f).MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	if err := newWatch(t, other).UnmarshalBinary(memory); err == nil {
		t.Error("a memory of another layout was taken up")
	}
}

func lines(t testing.TB, events []alerts.Event) []string {
	t.Helper()
	var out []string
	for _, e := range events {
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, string(b))
	}
	return out
}

func TestObserveDoesNotAllocate(t *testing.T) {
	f := paddocks()
	w := newWatch(t, f)
	feed(t, w, f, season(t, f, 2))
	r, next := steady(f)
	for range 5000 {
		w.Observe(*next(r))
	}
	if got := testing.AllocsPerRun(2000, func() { w.Observe(*next(r)) }); got > 0.05 {
		t.Errorf("%v allocations a reading, want none but those of the half-hourly look", got)
	}
}

// steady returns a reading and a function that makes it the next one of a calm fence.
func steady(f *farm.Farm) (*pulse.Reading, func(*pulse.Reading) *pulse.Reading) {
	ids := []pulse.SensorID{detect.SensorID(f, "energizer/cartshed"), detect.SensorID(f, "zone/brook"), detect.SensorID(f, "zone/hazel"), detect.SensorID(f, "zone/lane"), detect.SensorID(f, "zone/orchard")}
	n := 0
	rng := rand.New(rand.NewPCG(5, 6))
	return &pulse.Reading{}, func(r *pulse.Reading) *pulse.Reading {
		now := at(2).Add(time.Duration(n) * 12 * time.Second)
		r.Sensor, r.At, r.Arrived = ids[n%len(ids)], now, now
		r.Set(pulse.Volts, 7800-80*float64(n%len(ids))+30*rng.NormFloat64())
		n++
		return r
	}
}

// BenchmarkObserve is the cost of one reading in the detectors, the half-hourly looks and midnights included.
func BenchmarkObserve(b *testing.B) {
	f := paddocks()
	w := newWatch(b, f)
	feed(b, w, f, season(b, f, 2))
	r, next := steady(f)
	for range 5000 {
		w.Observe(*next(r))
	}
	b.ReportAllocs()
	for b.Loop() {
		w.Observe(*next(r))
	}
}

// That a zone stood close to its minimum and is under it now makes growth the likelier answer, and a bad joint no more
// unlikely than a sensor that shows too little.
func TestJointAtTheEndNearTheMinimum(t *testing.T) {
	for _, ohms := range []float64{40, 400, 4000} {
		f := paddocks()
		reportEvery(f, 10*time.Minute)
		f.Zones[2].OhmsPerKM, f.Zones[2].MinimumVolts = ohms, 4800
		b := newBench(t, f)
		b.draws(1.5e-4)
		b.run(36 * time.Hour)
		b.zone("lane").inLine = 12000
		b.run(2 * time.Hour)
		if a := b.only(); a.last().Cause != alerts.Joint || a.last().Condition != alerts.Low {
			b.show()
			t.Errorf("at %g ohms a kilometre told as %s, %s", ohms, a.last().Condition, a.last().Cause)
		}
	}
}

// What takes down one sensor alone, the last of its line, is a bad joint or the sensor: whichever is told, both are
// named. What a sensor behind bears out, or denies, is the one or the other.
func TestNamesJointAndSensorAtTheEnd(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(b *bench)
		both  bool
	}{
		{"a joint at the end", func(b *bench) { b.zone("lane").inLine = 12000 }, true},
		{"the sensor at the end", func(b *bench) { b.devices[3].gain *= 0.65 }, true},
		{"a joint further up", func(b *bench) { b.zone("hazel").inLine = 8000 }, false},
		{"a sensor further up", func(b *bench) { b.devices[2].gain *= 0.65 }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.draws(1.2e-4) // a clean fence
			b.run(36 * time.Hour)
			c.spoil(b)
			b.run(30 * time.Minute)
			e := b.only().last()
			if both := strings.Contains(e.Text, "joint") && strings.Contains(e.Text, "it or its lead") || strings.Contains(e.Text, "that sensor"); both != c.both {
				b.show()
				t.Errorf("names both: %t, want %t: %s", both, c.both, e.Text)
			}
			other := map[alerts.Cause]alerts.Cause{alerts.Joint: alerts.CauseSensorFaulty, alerts.CauseSensorFaulty: alerts.Joint}[e.Cause]
			if (e.Or == other) != c.both || e.Or != other && e.Or != "" {
				t.Errorf("told as %s, or %q", e.Cause, e.Or)
			}
		})
	}
}

// At the end of a line a bad joint and a sensor that reads too little take the same from one reading. Only a joint
// saves current, which lifts the zones before it.
func TestJointOrSensorAtTheEnd(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(b *bench)
		want  alerts.Cause
	}{
		{"joint", func(b *bench) { b.zone("lane").inLine = 3000 }, alerts.Joint},
		{"sensor", func(b *bench) { b.devices[3].gain *= 0.7 }, alerts.CauseSensorFaulty},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			b.zone("lane").leak = 1.5e-4
			b.run(36 * time.Hour)
			c.spoil(b)
			b.run(30 * time.Minute)
			if got := b.only(); got.last().Cause != c.want || got.last().Source != "zone/lane" {
				b.show()
				t.Errorf("told as %s on %s, want %s on zone/lane", got.last().Cause, got.last().Source, c.want)
			}
		})
	}
}
