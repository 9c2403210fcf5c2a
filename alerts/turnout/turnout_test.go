package turnout

import (
	"errors"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/alerts/line"
	"nightwire/alerts/paragraph"
	"nightwire/ingest/farm"
)

var update = flag.Bool("update", false, "write what the package now prints into the golden files")

// evening is when the tests look at the fence.
var evening = time.Date(2026, 5, 20, 18, 0, 0, 0, time.UTC)

// bench is a farm of which everything is well: brook and lane on one wire, and a pen where pigs learn.
type bench struct {
	Input
	noise float64
	rng   *rand.Rand
}

func sensorAt(topic string) farm.Sensor { return farm.Sensor{Topic: topic, Every: time.Minute} }

func newBench(t testing.TB, seed uint64) *bench {
	t.Helper()
	b := &bench{noise: 0.008, rng: rand.New(rand.NewPCG(seed, 77))}
	b.Input = Input{
		Farm: &farm.Farm{
			Name:       "alder-bank",
			Energizers: []farm.Energizer{{Name: "cartshed", OpenVolts: 8200, SourceOhms: 350, EarthOhms: 60, PulseEvery: 1300 * time.Millisecond, Sensor: sensorAt("e")}},
			Zones: []farm.Zone{
				{Name: "brook", FedBy: "cartshed", LengthM: 180, OhmsPerKM: 3700, Stock: "pigs", MinimumVolts: 2000, Sensor: sensorAt("b")},
				{Name: "lane", FedBy: "brook", LengthM: 320, OhmsPerKM: 1830, Stock: "pigs", MinimumVolts: 2000, Sensor: sensorAt("l")},
				{Name: "pen", FedBy: "cartshed", LengthM: 60, OhmsPerKM: 113, Stock: "pigs", MinimumVolts: 3000, Training: true, Sensor: sensorAt("p")},
			},
			People: []farm.Person{{Name: "Aoife", Routes: []farm.Route{{Channel: "push", Address: "aoife"}}}, {Name: "Tom"}},
		},
		Now: evening, By: "Aoife", Watching: true, Tested: Test{At: evening.Add(-50 * time.Hour), By: "Aoife"},
		Samples: map[farm.Source][]Sample{}, Held: map[farm.Source]time.Time{},
		Supplies: map[string]Supply{"cartshed": {Interval: 1310 * time.Millisecond, SupplyVolts: ptr(12.5), LowVolts: 11.9, EarthVolts: ptr(120.0)}},
	}
	b.play(t, func(*line.State) {}, line.Fault{})
	return b
}

func ptr[T any](v T) *T { return &v }

// play fills the last ten minutes with readings of the fence in a state, with a fault.
func (b *bench) play(t testing.TB, change func(*line.State), fault line.Fault) {
	t.Helper()
	net, err := line.New(b.Farm, "cartshed")
	if err != nil {
		t.Fatal(err)
	}
	st := net.Clean()
	change(&st)
	volts := line.NewSolver(net).Volts(make([]float64, len(net.Zones)+1), st, fault)
	b.fill("energizer/cartshed", volts[0])
	for i, z := range net.Zones {
		b.fill(z.Source(), volts[i+1])
	}
}

// fill gives a sensor a reading a minute of so many volts, with noise.
func (b *bench) fill(s farm.Source, volts float64) {
	b.Samples[s] = nil
	for k := range 10 {
		v := volts * (1 + b.noise*b.rng.NormFloat64())
		b.Samples[s] = append(b.Samples[s], Sample{b.Now.Add(time.Duration(k-10)*time.Minute + 20*time.Second), v})
	}
}

func (b *bench) decide(t testing.TB) Verdict {
	t.Helper()
	v, err := Decide(b.Input)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// point returns an alarm that is on.
func point(s farm.Source, c alerts.Condition, p alerts.Priority, zones ...string) alerts.Point {
	return alerts.Point{Source: s, Condition: c, State: alerts.StateUnackActive, Open: []string{"x"},
		Finding: alerts.Finding{Source: s, Condition: c, Priority: p, Zones: zones, Text: "Something is wrong there."}}
}

// oneThing is a farm with one thing changed, and what then speaks against turning out.
type oneThing struct {
	name   string
	zones  []string
	change func(t *testing.T, b *bench)
	want   []What // of the checks that speak against it; none for a yes
	about  string
	text   string
}

const (
	lane     = farm.Source("zone/lane")
	cartshed = farm.Source("energizer/cartshed")
)

// readingThings are about the zones' sensors and what they say.
func readingThings() []oneThing {
	return []oneThing{
		{name: "all is well"},
		{"one zone of several", []string{"lane"}, func(_ *testing.T, b *bench) { b.Samples[farm.ZoneSource("pen")] = nil }, nil, "", ""},
		{"a zone is out of service", nil, func(_ *testing.T, b *bench) { b.Held[lane] = evening.Add(time.Hour) }, []What{Service}, "lane", "out of service until Wed 20 May 19:00"},
		{"the energizer is out of service", []string{"lane"}, func(_ *testing.T, b *bench) { b.Held[cartshed] = evening.Add(time.Hour) }, []What{Service}, "cartshed", "put it back"},
		{"never heard", nil, func(_ *testing.T, b *bench) { b.Samples[lane] = nil }, []What{Heard}, "lane", "not heard"},
		{"not heard lately", nil, func(_ *testing.T, b *bench) { b.Samples[lane] = b.Samples[lane][:6] }, []What{Heard}, "lane", "last heard 4 min ago, and it reports every 1 min"},
		{"no sensor", nil, func(_ *testing.T, b *bench) { b.Farm.Zones[1].Sensor = farm.Sensor{} }, []What{Heard}, "lane", "nothing vouches for it"},
		{"energizer not heard", nil, func(_ *testing.T, b *bench) { b.Samples[cartshed] = nil }, []What{Heard}, "cartshed", "not heard"},
		{"too little", []string{"lane"}, func(_ *testing.T, b *bench) { b.Farm.Zones[1].MinimumVolts = 8100 }, []What{Volts}, "lane", "wants 10.13 kV, a quarter over its 8.1 kV"},
		{"too near its limit", []string{"lane"}, func(_ *testing.T, b *bench) { b.Farm.Zones[1].MinimumVolts = 7000 }, []What{Volts}, "lane", "too near to its limit: wants 8.75 kV"},
		{"enough for pigs that know the fence, not for those that learn", []string{"pen"}, func(t *testing.T, b *bench) {
			b.Farm.Energizers[0].OpenVolts = 3700
			b.play(t, func(*line.State) {}, line.Fault{})
		},
			[]What{Volts}, "pen", "for animals that learn"},
		{"the same for pigs that know it", []string{"pen"}, func(t *testing.T, b *bench) {
			b.Farm.Energizers[0].OpenVolts, b.Farm.Zones[2].Training, b.Farm.Zones[2].MinimumVolts = 3700, false, 2000
			b.play(t, func(*line.State) {}, line.Fault{})
		}, nil, "", ""},
		{"learning behind a low minimum of the keeper's", []string{"pen"}, func(t *testing.T, b *bench) {
			b.Farm.Energizers[0].OpenVolts, b.Farm.Zones[2].MinimumVolts = 3700, 1000
			b.play(t, func(*line.State) {}, line.Fault{})
		}, []What{Volts}, "pen", "wants 3.75 kV, a quarter over its 3 kV for animals that learn"},
		{"a dip", nil, func(_ *testing.T, b *bench) { b.Samples[lane][4].Volts *= 0.8 }, []What{Steady}, "lane", "it dipped by"},
		{"falling", nil, func(_ *testing.T, b *bench) { ramp(b.Samples[lane], -0.12) }, []What{Steady}, "lane", "it fell by"},
		{"rising", nil, func(_ *testing.T, b *bench) { ramp(b.Samples[lane], 0.12) }, []What{Steady}, "lane", "it rose by"},
		{"scatters", nil, func(_ *testing.T, b *bench) { zigzag(b.Samples[lane], 0.07) }, []What{Steady}, "lane", "scatter"},
		{"heard for three minutes", nil, func(_ *testing.T, b *bench) { b.Samples[lane] = b.Samples[lane][7:] }, []What{Steady}, "lane", "only 3 readings in the last 10 min: wait"},
	}
}

// farmThings are about layout, alarms, energizer and people.
func farmThings() []oneThing {
	return []oneThing{
		{"grown over", []string{"lane"}, func(t *testing.T, b *bench) { b.play(t, func(st *line.State) { st.Leak[1] = 0.6e-3 }, line.Fault{}) }, []What{Layout}, "lane", "mS a kilometre"},
		{"something touches", []string{"lane"}, func(t *testing.T, b *bench) {
			b.play(t, func(*line.State) {}, line.Fault{Kind: line.Shunt, Zone: 1, AtM: 200, Ohms: 700})
		}, []What{Layout}, "lane", "look for what touches"},
		{"a sensor that shows too much", []string{"lane"}, func(_ *testing.T, b *bench) { b.fill(lane, 9900) }, []What{Layout}, "lane", "more than it can"},
		{"a sensor that shows too little", []string{"brook"}, func(_ *testing.T, b *bench) { b.fill("zone/brook", 4000) }, []What{Layout}, "brook", "do not bear it out"},
		{"an alarm is on", nil, func(_ *testing.T, b *bench) { b.Alarms = []alerts.Point{point(lane, alerts.Dropping, alerts.Medium)} }, []What{Alarms}, "lane", "an alarm is on: Something"},
		{"an alarm took the zone along", []string{"lane"}, func(_ *testing.T, b *bench) {
			b.Alarms = []alerts.Point{point("zone/brook", alerts.Dead, alerts.High, "lane")}
		}, []What{Alarms}, "lane", "an alarm is on"},
		{"an alarm elsewhere", []string{"lane"}, func(_ *testing.T, b *bench) { b.Alarms = []alerts.Point{point("zone/pen", alerts.Low, alerts.High)} }, nil, "", ""},
		{"a small matter", nil, func(_ *testing.T, b *bench) {
			b.Alarms = []alerts.Point{point(lane, alerts.Growth, alerts.LowPriority)}
		}, nil, "", ""},
		{"an alarm that is over", nil, func(_ *testing.T, b *bench) {
			p := point(lane, alerts.Dead, alerts.High)
			p.State, p.Open = alerts.StateUnackRTN, nil
			b.Alarms = []alerts.Point{p}
		}, nil, "", ""},
		{"the link is lost", nil, func(_ *testing.T, b *bench) { b.Alarms = []alerts.Point{point(farm.Site, alerts.Silent, alerts.High)} }, []What{Alarms}, "alder-bank", "an alarm is on"},
		{"an alarm on the energizer", []string{"pen"}, func(_ *testing.T, b *bench) { b.Alarms = []alerts.Point{point(cartshed, alerts.Weak, alerts.Medium)} }, []What{Alarms}, "cartshed", "an alarm is on"},
		{"slow pulses", nil, func(_ *testing.T, b *bench) { b.Supplies["cartshed"] = Supply{Interval: 3 * time.Second} }, []What{Energizer}, "cartshed", "pulses only every 3 s, not every 1.3 s"},
		{"a low battery", nil, func(_ *testing.T, b *bench) { b.Supplies["cartshed"] = Supply{SupplyVolts: ptr(11.5), LowVolts: 11.9} }, []What{Energizer}, "cartshed", "battery is at 11.5 V, low under 11.9 V"},
		{"poor earth", nil, func(_ *testing.T, b *bench) { b.Supplies["cartshed"] = Supply{EarthVolts: ptr(700.0)} }, []What{Earth}, "cartshed", "stakes carry 0.7 kV, over 0.3 kV"},
		{"earth poor by the test by hand", nil, func(_ *testing.T, b *bench) {
			b.Supplies["cartshed"], b.Earths = Supply{}, map[string]EarthTest{"cartshed": {evening.AddDate(0, 0, -60), 450}}
		}, []What{Earth}, "cartshed", "carried 450 V in the test 60 days ago, over 300 V"},
		{"earth well by the test by hand", nil, func(_ *testing.T, b *bench) {
			b.Supplies["cartshed"], b.Earths = Supply{}, map[string]EarthTest{"cartshed": {evening.AddDate(0, 0, -60), 180}}
		}, nil, "", ""},
		{"an old earth test is only noted", nil, func(_ *testing.T, b *bench) {
			b.Supplies["cartshed"], b.Earths = Supply{}, map[string]EarthTest{"cartshed": {evening.AddDate(-2, 0, 0), 450}}
		}, nil, "", ""},
		{"no sensor at the energizer", nil, func(_ *testing.T, b *bench) { b.Farm.Energizers[0].Sensor = farm.Sensor{}; delete(b.Samples, cartshed) }, nil, "", ""},
		{"nobody to tell", nil, func(_ *testing.T, b *bench) { b.Farm.People = b.Farm.People[1:] }, []What{Reach}, "alder-bank", "nobody would be told"},
		{"never tested", nil, func(_ *testing.T, b *bench) { b.Tested = Test{} }, []What{Reach}, "alder-bank", "no test message has been answered"},
		{"tested long ago", nil, func(_ *testing.T, b *bench) { b.Tested.At = evening.AddDate(0, 0, -9) }, []What{Reach}, "alder-bank", "answered 9 days ago"},
		{"no watch", nil, func(_ *testing.T, b *bench) { b.Watching = false }, []What{Reach}, "alder-bank", "not running"},
		{"no zones at all", nil, func(_ *testing.T, b *bench) { b.Farm.Zones = nil }, nil, "none", ""},
	}
}

// TestDecide breaks one thing at a time, and looks for the one reason that it gives.
func TestDecide(t *testing.T) {
	for _, tt := range append(readingThings(), farmThings()...) {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, 1)
			b.Zones = tt.zones
			if tt.change != nil {
				tt.change(t, b)
			}
			v := b.decide(t)
			var got []What
			for _, c := range v.Checks {
				if c.State == Failed {
					got = append(got, c.What)
				}
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Fatalf("against it (-want +got):\n%s\n%q", diff, v.Reasons())
			}
			if wantYes := len(tt.want) == 0 && tt.about != "none"; v.Yes != wantYes {
				t.Errorf("yes is %t, want %t", v.Yes, wantYes)
			}
			if len(tt.want) > 0 && (!strings.HasPrefix(v.Reasons()[0], tt.about+": ") || !strings.Contains(v.Reasons()[0], tt.text)) {
				t.Errorf("the reason is %q, want it about %s, with %q", v.Reasons()[0], tt.about, tt.text)
			}
		})
	}
}

// ramp lets readings drift by a share of their level over the window.
func ramp(s []Sample, by float64) {
	for i := range s {
		s[i].Volts *= 1 + by*float64(i)/float64(len(s)-1)
	}
}

func zigzag(s []Sample, by float64) {
	for i := range s {
		s[i].Volts *= 1 + by*float64(i%2*2-1)
	}
}

func TestUnknownZone(t *testing.T) {
	b := newBench(t, 1)
	b.Zones = []string{"lane", "nowhere"}
	_, err := Decide(b.Input)
	var none *ErrNoZone
	if !errors.As(err, &none) || none.Name != "nowhere" {
		t.Errorf("got %v, want ErrNoZone of nowhere", err)
	}
}

// TestSteadyByChance counts how often a sound fence is refused for its sensors' noise alone, and how often a fence that
// is not steady is let through.
func TestSteadyByChance(t *testing.T) {
	const seasons = 400
	for _, tt := range []struct {
		name        string
		noise       float64
		spoil       func([]Sample)
		least, most int // of seasons that are found unsteady
	}{
		{"a good sensor", 0.004, func([]Sample) {}, 0, 0},
		{"a usual sensor", 0.01, func([]Sample) {}, 0, 1},
		{"a poor sensor", 0.02, func([]Sample) {}, 0, 12},
		{"a fall of 10 %", 0.01, func(s []Sample) { ramp(s, -0.10) }, 300, seasons},
		{"a fall of 15 %", 0.01, func(s []Sample) { ramp(s, -0.15) }, 390, seasons},
		{"a dip of 15 %", 0.01, func(s []Sample) { s[5].Volts *= 0.85 }, 396, seasons},
		{"every other pulse 10 % down", 0.01, func(s []Sample) { zigzag(s, 0.05) }, 390, seasons},
	} {
		t.Run(tt.name, func(t *testing.T) {
			unsteady := 0
			b := newBench(t, 5)
			b.noise, b.Zones = tt.noise, []string{"pen"}
			for range seasons {
				b.fill("zone/pen", 8000)
				tt.spoil(b.Samples["zone/pen"])
				v := b.decide(t)
				if slices.ContainsFunc(v.Checks, func(c Check) bool { return c.What == Steady && c.State == Failed }) {
					unsteady++
				}
			}
			if unsteady < tt.least || unsteady > tt.most {
				t.Errorf("found unsteady %d times of %d, want %d to %d", unsteady, seasons, tt.least, tt.most)
			}
			t.Logf("found unsteady %d times of %d", unsteady, seasons)
		})
	}
}

// TestSlowSensor gives a sensor that reports every five minutes the time it needs.
func TestSlowSensor(t *testing.T) {
	b := newBench(t, 1)
	b.Zones = []string{"pen"}
	b.Farm.Zones[2].Sensor.Every = 5 * time.Minute
	if got := Window(b.Farm.Zones[2].Sensor); got != 35*time.Minute {
		t.Fatalf("window %s, want seven reports", got)
	}
	var s []Sample
	for k := range 5 {
		s = append(s, Sample{evening.Add(time.Duration(k-5)*5*time.Minute + time.Minute), 8000})
	}
	b.Samples["zone/pen"] = s
	if v := b.decide(t); !v.Yes {
		t.Errorf("five reports of seven: %q, want yes", v.Reasons())
	}
	b.Samples["zone/pen"] = s[2:]
	if v := b.decide(t); v.Yes {
		t.Error("three reports of seven are a yes")
	}
}

// TestReport compares what a verdict says with golden texts, and holds it to 80 columns.
func TestReport(t *testing.T) {
	for name, change := range map[string]func(*bench){
		"yes": func(*bench) {},
		"no": func(b *bench) {
			b.Samples["zone/lane"][4].Volts *= 0.8
			b.Tested = Test{}
			b.Farm.Energizers[0].Sensor = farm.Sensor{}
			b.Alarms = []alerts.Point{point("zone/brook", alerts.Growth, alerts.LowPriority)}
		},
		"one-thing": func(b *bench) { b.Watching = false },
		"nothing":   func(b *bench) { b.Farm.Zones = nil },
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, 1)
			change(b)
			v := b.decide(t)
			var text strings.Builder
			if err := v.Write(&text); err != nil {
				t.Fatal(err)
			}
			for _, l := range strings.Split(text.String(), "\n") {
				if n := utf8.RuneCountInString(l); n > paragraph.Columns {
					t.Errorf("%d columns: %q", n, l)
				}
			}
			file := filepath.Join("testdata", name+".txt")
			if *update {
				if err := os.WriteFile(file, []byte(text.String()), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), text.String()); diff != "" {
				t.Errorf("%s (-want +got):\n%s", file, diff)
			}
		})
	}
}
