package sim

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/ingest/farm"
)

// bank is a run of alder-bank for a dry week of May, with ideal sensors and its faults from the 4th to the 6th.
func bank(faults ...Fault) Options {
	for i := range faults {
		faults[i].From, faults[i].To = may(4), may(6)
	}
	return Options{
		Farm: alderBank(), Start: may(1), Length: 7 * 24 * time.Hour, Seed: 9, Faults: faults,
		Climate: Climate{Dry: []Spell{{0, 20}}},
		Sensors: map[farm.Source]Sensor{"": {Gain: 1, EarthReading: true}},
		Powers:  map[string]Power{"cartshed": {SolarMA: 900, OpenRatio: 1}},
		Grounds: map[string]Ground{"brook": {DrySiemen: 5e-4}, "hazel": {DrySiemen: 5e-4}, "lane": {DrySiemen: 5e-4},
			"orchard": {DrySiemen: 5e-4}, "spinney": {DrySiemen: 5e-4}},
	}
}

// noons are what each thing's sensor first said after noon, by the day of May and its name.
func noons(t *testing.T, o Options) map[int]map[string]report {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	out := map[int]map[string]report{}
	for m := range s.Messages() {
		name, day := strings.Split(m.Topic, "/")[1], m.At.Day()
		if _, ok := out[day][name]; ok || m.At.Hour() < 12 {
			continue
		}
		r := report{at: m.At}
		if err := json.Unmarshal(m.Payload, &r); err != nil {
			t.Fatalf("%s: %v", m.Payload, err)
		}
		if out[day] == nil {
			out[day] = map[string]report{}
		}
		out[day][name] = r
	}
	return out
}

// How each fault shows in all zones against the day before: beyond a break nothing and before it a little more; a short
// pulls everything down; a bad joint takes from what is behind it and spares the energizer.
func TestFaultSignatures(t *testing.T) {
	zone := func(name string) farm.Source { return farm.ZoneSource(name) }
	e := farm.EnergizerSource("cartshed")
	tests := []struct {
		name  string
		fault Fault
		up    []string // these rise
		down  []string // these fall
		dead  []string // these go to nothing
	}{
		{"break", Fault{Kind: Break, On: zone("hazel"), AtM: 100}, []string{"cartshed", "brook", "orchard", "spinney"}, nil, []string{"hazel", "lane"}},
		{"gate open", Fault{Kind: GateOpen, On: zone("orchard")}, []string{"cartshed", "brook", "hazel"}, nil, []string{"orchard", "spinney"}},
		{"short", Fault{Kind: Short, On: zone("lane"), AtM: 75, Ohms: 100}, nil, []string{"cartshed", "brook", "hazel", "lane", "orchard", "spinney"}, nil},
		{"fallen wire", Fault{Kind: FallenWire, On: zone("orchard"), AtM: 200, Ohms: 100}, nil, []string{"cartshed", "brook", "hazel", "lane"}, []string{"orchard", "spinney"}},
		{"bad joint", Fault{Kind: BadJoint, On: zone("brook"), AtM: 90, Ohms: 3000}, []string{"cartshed"}, []string{"brook", "hazel", "lane", "orchard", "spinney"}, nil},
		{"energizer off", Fault{Kind: EnergizerOff, On: e}, nil, nil, []string{"cartshed", "brook", "hazel", "lane", "orchard", "spinney"}},
		{"energizer weak", Fault{Kind: EnergizerWeak, On: e, Level: 0.7}, nil, []string{"cartshed", "brook", "hazel", "lane", "orchard", "spinney"}, nil},
		{"poor earth", Fault{Kind: PoorEarth, On: e, Ohms: 500}, nil, []string{"cartshed", "spinney"}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := bank(tt.fault)
			days := noons(t, o)
			before, with, after := days[3], days[4], days[7]
			for _, z := range tt.up {
				if *with[z].KV <= *before[z].KV+0.005 {
					t.Errorf("%s went from %g to %g kV, want up", z, *before[z].KV, *with[z].KV)
				}
			}
			for _, z := range tt.down {
				if *with[z].KV >= *before[z].KV-0.05 || *with[z].KV < 0.1 {
					t.Errorf("%s went from %g to %g kV, want down", z, *before[z].KV, *with[z].KV)
				}
			}
			for _, z := range tt.dead {
				if *with[z].KV > 0.01 {
					t.Errorf("%s went from %g to %g kV, want nothing", z, *before[z].KV, *with[z].KV)
				}
			}
			if math.Abs(*after["lane"].KV-*before["lane"].KV) > 0.1 {
				t.Errorf("lane has %g kV when mended, had %g", *after["lane"].KV, *before["lane"].KV)
			}
		})
	}
}

func TestEnergizerSpeaks(t *testing.T) {
	e := farm.EnergizerSource("cartshed")
	o := bank(Fault{Kind: FlatBattery, On: e, Over: 48 * time.Hour})
	days := noons(t, o)
	ok, low := days[3]["cartshed"], days[5]["cartshed"]
	if *low.SupplyV >= *ok.SupplyV-0.3 {
		t.Errorf("supply went from %g to %g V as the battery ran flat", *ok.SupplyV, *low.SupplyV)
	}
	o = bank(Fault{Kind: FlatBattery, On: e, Over: 42 * time.Hour})
	if late := noons(t, o)[5]["cartshed"]; *late.IntervalMS <= *ok.IntervalMS {
		t.Errorf("pulses come every %d ms on a nearly flat battery, %d on a good one", *late.IntervalMS, *ok.IntervalMS)
	}
	o = bank(Fault{Kind: PoorEarth, On: e, Ohms: 500})
	if poor := noons(t, o)[4]["cartshed"]; *poor.EarthKV < 3**ok.EarthKV {
		t.Errorf("stakes went from %g to %g kV in a poor earth", *ok.EarthKV, *poor.EarthKV)
	}
	o = bank(Fault{Kind: EnergizerOff, On: e})
	if off := noons(t, o)[4]["cartshed"]; *off.Pulses != 0 {
		t.Errorf("%d pulses from an energizer that is off", *off.Pulses)
	}
}

// A cracked insulator pulls its zone down in rain and leaves it alone when dry.
func TestCrackedInsulatorTracksWhenWet(t *testing.T) {
	o := bank(Fault{Kind: CrackedInsulator, On: farm.ZoneSource("lane"), AtM: 75, Ohms: 300})
	w := newWorld(o)
	lane := w.net.zones[2].end
	at := may(4).Add(12 * time.Hour)
	m := w.moment(at)
	solve := func(wet float64) float64 {
		w.zones[2].wet[m.hour], w.zones[2].wet[m.hour+1] = wet, wet
		w.solve(at, state{faults: []*Fault{&o.Faults[0]}})
		return w.net.volts[lane]
	}
	w.solve(at, state{})
	sound := w.net.volts[lane]
	near(t, "dry", solve(0), sound, 1e-6)
	if wet := solve(1); wet > sound/2 {
		t.Errorf("lane has %.0f V in the wet, %.0f sound", wet, sound)
	}
}

func TestFlappingComesAndGoes(t *testing.T) {
	o := bank(Fault{Kind: Flapping, On: farm.ZoneSource("spinney"), AtM: 100, Ohms: 200, Level: 0.3})
	low, n, turns, was := 0, 0, 0, false
	for _, r := range reports(t, o, "alder-bank/spinney/kv") {
		if r.at.Before(may(4)) || !r.at.Before(may(6)) {
			continue
		}
		n++
		down := *r.KV < 4
		if down {
			low++
		}
		if down != was {
			turns++
		}
		was = down
	}
	near(t, "share of reports down", float64(low)/float64(n), 0.3, 0.4) // more or less, as the wind blows
	if turns < 300 {
		t.Errorf("%d turns in two days", turns)
	}
}

// Two strands tied at both ends are wires in parallel: with one parted the zone has twice the ohms.
func TestStrandBreakDoublesOhms(t *testing.T) {
	o := bank(Fault{Kind: StrandBreak, On: farm.ZoneSource("brook"), AtM: 90, Strand: 1})
	o.Grounds["brook"] = Ground{WireMM: []float64{300, 600}, DrySiemen: 1e-9, DewShare: 1e-9, Patchy: -1, OhmsRatio: 1}
	w := newWorld(o)
	at := may(4).Add(12 * time.Hour)
	drop := func(st state) float64 {
		w.solve(at, st)
		v := w.net.volts
		top, end := v[w.net.energizers[0].node], v[w.net.zones[0].end]
		into := (8200*w.sources[0].power.OpenRatio - top) / (350 + w.moment(at).of(w.sources[0].ohms))
		return (top - end) / into
	}
	near(t, "ohms of both strands", drop(state{}), 0.18*4000, 0.01)
	near(t, "ohms of one", drop(state{faults: []*Fault{&o.Faults[0]}}), 2*0.18*4000, 0.01)
}

func TestRestringAndTakedown(t *testing.T) {
	o := bank()
	o.Acts = []Act{
		{Kind: Restring, Zone: "brook", At: may(3), Level: 3},
		{Kind: TakeDown, Zone: "orchard", At: may(5), Until: may(6)},
	}
	days := noons(t, o)
	before, strung := days[2], days[3]
	if *strung["lane"].KV >= *before["lane"].KV-0.1 {
		t.Errorf("lane went from %g to %g kV behind thinner wire", *before["lane"].KV, *strung["lane"].KV)
	}
	down := days[5]
	if *down["orchard"].KV > 0.01 || *down["spinney"].KV > 0.01 || *down["lane"].KV < 3 {
		t.Errorf("with orchard down: orchard %g, spinney %g, lane %g kV", *down["orchard"].KV, *down["spinney"].KV, *down["lane"].KV)
	}
	if up := days[6]; *up["spinney"].KV < 3 {
		t.Errorf("spinney has %g kV when orchard is up again", *up["spinney"].KV)
	}
}

func TestTrimLetsTheFenceRise(t *testing.T) {
	o := bank()
	o.Grounds["spinney"] = Ground{StartMM: 350, WireMM: []float64{300}, Contact: 2}
	o.Acts = []Act{{Kind: Trim, Zone: "spinney", At: may(4).Add(10 * time.Hour), HeightMM: 50}}
	days := noons(t, o)
	before, after := days[3], days[4]
	if *after["spinney"].KV < *before["spinney"].KV+1 {
		t.Errorf("spinney went from %g to %g kV by trimming", *before["spinney"].KV, *after["spinney"].KV)
	}
}

func TestStockPushing(t *testing.T) {
	o := bank()
	g := o.Grounds["lane"]
	g.PushesDay = 200
	o.Grounds["lane"] = g
	dips := 0
	vs := volts(reports(t, o, "alder-bank/lane/kv"))
	usual := slices.Sorted(slices.Values(vs))[len(vs)/2]
	for _, v := range vs {
		if v < 0.8*usual {
			dips++
		}
	}
	if dips < 40 || dips > 1500 {
		t.Errorf("%d low reports in a week of lively stock", dips)
	}
}

// One more sensor, or a noisier one, changes neither the weather nor the others' reports.
func TestSeedsAreApart(t *testing.T) {
	a, b := bank(), bank()
	b.Sensors[farm.ZoneSource("brook")] = Sensor{White: 0.05, Loss: 0.2}
	b.Farm.Zones[4].Sensor.Topic = ""
	ra, rb := volts(reports(t, a, "alder-bank/hazel/kv")), volts(reports(t, b, "alder-bank/hazel/kv"))
	if !slices.Equal(ra, rb) {
		t.Errorf("hazel's %d reports changed with another's sensor", len(ra))
	}
}

// The labels' levels are what ideal sensors report, and the growth label falls on the day they go under.
func TestTruthIsWhatIdealSensorsSay(t *testing.T) {
	o := bank()
	o.Start, o.Length = may(10), 30*24*time.Hour
	o.Climate = Climate{}
	o.Grounds["spinney"] = Ground{StartMM: 200, WireMM: []float64{250}, Vigour: 1.2, Contact: 3}
	truth, err := NewTruth(o)
	if err != nil {
		t.Fatal(err)
	}
	byDay := map[int][]float64{}
	for _, r := range reports(t, o, "alder-bank/spinney/kv") {
		day := int(r.at.Sub(o.Start) / (24 * time.Hour))
		byDay[day] = append(byDay[day], *r.KV*1000)
	}
	under := -1
	for day, level := range truth.Levels["spinney"] {
		slices.Sort(byDay[day])
		seen := byDay[day][len(byDay[day])*3/4]
		near(t, "level", level, seen, 0.01)
		if seen < 2500 && under < 0 {
			under = day
		}
	}
	i := slices.IndexFunc(truth.Labels, func(l Label) bool { return l.Kind == Growth && l.Source == farm.ZoneSource("spinney") })
	if i < 0 || under < 0 {
		t.Fatalf("no label for growth in spinney, under on day %d; %v", under, truth.Labels)
	}
	if got := int(truth.Labels[i].From.Sub(o.Start) / (24 * time.Hour)); got != under {
		t.Errorf("growth is labelled on day %d, sensors go under on day %d", got, under)
	}
}

func TestFaultLabels(t *testing.T) {
	o := bank(Fault{Kind: Break, On: farm.ZoneSource("hazel"), AtM: 100}, Fault{Kind: SensorDead, On: farm.ZoneSource("spinney")})
	truth, err := NewTruth(o)
	if err != nil {
		t.Fatal(err)
	}
	if len(truth.Labels) != 2 {
		t.Fatalf("%d labels, want 2: %v", len(truth.Labels), truth.Labels)
	}
	l := truth.Labels[0]
	if !slices.Equal(l.Under, []string{"hazel", "lane"}) || !l.UnderFrom.Equal(may(4)) || !l.Shows.Equal(may(4)) || *l.AtM != 100 {
		t.Errorf("label of the break: %v, shows %v", l, l.Shows)
	}
	if l := truth.Labels[1]; len(l.Under) != 0 || l.Causes[0] != "sensor-silent" {
		t.Errorf("label of the dead sensor: %v", l)
	}
}
