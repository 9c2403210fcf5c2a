package detect_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// settleAt leaks the whole fence so much that the zone called name stands at volts.
func (b *bench) settleAt(name string, volts float64) {
	b.t.Helper()
	for e, w := range b.wires {
		node := slices.IndexFunc(b.farm.Feeding(e), func(z *farm.Zone) bool { return z.Name == name }) + 1
		if node == 0 {
			continue
		}
		lo, hi := 1e-3, 1e4
		was := make([]float64, len(w.spans))
		for i := range w.spans {
			was[i] = w.spans[i].leak
		}
		for range 60 {
			k := math.Sqrt(lo * hi)
			for i := range w.spans {
				w.spans[i].leak = was[i] * k
			}
			w.volts(b.volts)
			if b.volts[node] > volts {
				lo = k
			} else {
				hi = k
			}
		}
	}
}

// lonely is a farm of one zone on one energizer whose sensor is true.
func lonely(every time.Duration) *farm.Farm {
	f := paddocks()
	f.Energizers[0].Sensor.Every = every
	f.Zones = f.Zones[:1]
	f.Zones[0].Sensor.Every = every
	return f
}

// wobbles are ways to hang about the minimum of 2.5 kV for a long time.
var wobbles = []struct {
	name   string
	swing  float64       // volts to either side
	period time.Duration // of the swing
	noise  float64
}{
	{"noise alone", 0, time.Hour, 0.01},
	{"slow", 120, 6 * time.Hour, 0.01},
	{"slow and wide", 300, 8 * time.Hour, 0.01},
	{"an hour up and down", 100, time.Hour, 0.01},
	{"fast", 100, 7 * time.Minute, 0.01},
	{"fast and noisy", 60, 3 * time.Minute, 0.02},
}

// A zone that hangs about its minimum is one alarm, not one at every crossing.
func TestWobbleAtTheMinimum(t *testing.T) {
	for _, tt := range wobbles {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, lonely(time.Minute))
			b.noise = tt.noise
			b.devices[1].gain = 1
			b.run(36 * time.Hour)
			b.quiet()
			from := b.now
			b.while = func(now time.Time) {
				part := min(1, float64(now.Sub(from))/float64(12*time.Hour)) // it creeps there in half a day
				aim := 2500 + (1-part)*4500
				if part == 1 {
					aim += tt.swing * math.Sin(2*math.Pi*float64(now.Sub(from))/float64(tt.period))
				}
				b.settleAt("brook", aim)
			}
			b.run(48 * time.Hour)
			zone := slices.DeleteFunc(b.alarms(), func(a *told) bool { return a.first().Source != "zone/brook" || a.first().Condition == alerts.Growth })
			if len(zone) != 1 {
				b.show()
				t.Fatalf("%d alarms of brook in a day and a half at the minimum, want one", len(zone))
			}
			if !zone[0].over.IsZero() {
				t.Errorf("returned at %s, still at the minimum", zone[0].over)
			}
			if n := len(zone[0].events); n > 3 {
				t.Errorf("%d events of it, want no chatter", n)
			}
		})
	}
}

// After a wobble, a zone returns when it has truly risen, and not before.
func TestReturnsAfterATrueRise(t *testing.T) {
	b := newBench(t, lonely(5*time.Minute))
	b.devices[1].gain = 1
	b.settleAt("brook", 7000)
	b.run(36 * time.Hour)
	aim := 7000.0
	b.while = func(time.Time) {
		if aim > 2400 {
			aim -= 1.6
		}
		b.settleAt("brook", aim)
	}
	b.run(10 * 24 * time.Hour)
	b.while = nil
	b.settleAt("brook", 2560) // over it by a hair
	b.run(6 * time.Hour)
	a := b.about("zone/brook", alerts.Low)
	if !a.over.IsZero() {
		t.Fatalf("returned at 2.56 kV, want a rise that means something: %s", a.last().Text)
	}
	b.settleAt("brook", 6500)
	risen := b.now
	b.run(4 * time.Hour)
	if a = b.about("zone/brook", alerts.Low); a.over.IsZero() || a.over.Before(risen) {
		b.show()
		t.Errorf("returned %s, want within hours after the rise at %s", a.over, risen)
	}
}

// A trim that the keeper tells of ends the alarm as soon as the zone has stood well up for an hour or two.
func TestTrimEndsALow(t *testing.T) {
	b := newBench(t, lonely(time.Minute))
	b.devices[1].gain = 1
	aim := 6000.0
	b.settleAt("brook", aim) // from the start: a fall to it at one stroke would be no growth
	b.run(36 * time.Hour)
	b.while = func(time.Time) {
		aim = max(2200, aim-1)
		b.settleAt("brook", aim)
	}
	b.run(3 * 24 * time.Hour)
	b.while = nil
	b.settleAt("brook", 5500)
	trim := b.now
	b.events = append(b.events, b.watch.Tell(alerts.Action{Time: trim, Kind: alerts.Trimmed, Source: "zone/brook"})...)
	b.run(3 * time.Hour)
	if a := b.about("zone/brook", alerts.Low); a.over.IsZero() || a.over.Before(trim) {
		b.show()
		t.Errorf("returned %s, want within three hours of the trim at %s", a.over, trim)
	}
}

// Dew that pulls a zone through its minimum on five nights running is one alarm.
func TestDewNightsAreOneAlarm(t *testing.T) {
	b := newBench(t, paddocks())
	dew := func(lane, others float64) {
		b.while = func(now time.Time) {
			night := math.Pow(math.Max(0, math.Cos(2*math.Pi*now.Sub(start).Hours()/24)), 2) // none by day, most at midnight
			for i := range b.wires["cartshed"].spans {
				b.wires["cartshed"].spans[i].leak = 3e-4 * b.farm.Zones[i].LengthM / 1000 * (1 + others*night)
			}
			b.zone("lane").leak *= 1 + lane*night
		}
	}
	dew(1, 1)
	b.run(60 * time.Hour)
	b.quiet()
	dew(6, 1.5)
	b.run(5 * 24 * time.Hour)
	var lane []*told
	for _, a := range b.alarms() {
		if f := a.first(); f.Condition == alerts.Low || f.Condition == alerts.Dropping || f.Condition == alerts.Intermittent {
			lane = append(lane, a)
		}
	}
	if len(lane) != 1 {
		b.show()
		t.Fatalf("%d alarms in five nights of dew, want one", len(lane))
	}
	if got := lane[0].first().Cause; got != alerts.Vegetation {
		t.Errorf("cause %s, want %s", got, alerts.Vegetation)
	}
}

// newborns are zones that are wrong from the first reading on.
var newborns = []struct {
	name      string
	lane      float64 // volts of lane as first heard and always
	stock     string
	condition alerts.Condition
	priority  alerts.Priority
}{
	{"low, with stock", 2000, "pigs", alerts.Low, alerts.High},
	{"low, without", 2000, "", alerts.Low, alerts.Medium},
	{"just under, with stock", 2440, "sheep", alerts.Low, alerts.High},
	{"dead, with stock", 0, "pigs", alerts.Dead, alerts.High},
	{"dead, without", 0, "", alerts.Dead, alerts.High},
	{"next to dead", 300, "pigs", alerts.Dead, alerts.High},
}

// A zone that is under its minimum from the first reading on is told within two periods, and once.
func TestWrongFromTheFirst(t *testing.T) {
	for _, tt := range newborns {
		for _, every := range []time.Duration{30 * time.Second, time.Minute, 10 * time.Minute} {
			t.Run(tt.name+" "+every.String(), func(t *testing.T) {
				f := paddocks()
				for i := range f.Zones {
					f.Zones[i].Sensor.Every = every
				}
				f.Zones[2].Stock = tt.stock
				b := newBench(t, f)
				b.alter = func(d *device, r *pulse.Reading) bool {
					if d.source == "zone/lane" {
						r.Set(pulse.Volts, math.Round(tt.lane*(1+0.004*b.rng.NormFloat64())))
					}
					return true
				}
				b.run(6 * time.Hour)
				all := b.alarms()
				if len(all) != 1 {
					b.show()
					t.Fatalf("%d alarms, want one", len(all))
				}
				a := all[0].events[0]
				if a.Source != "zone/lane" || a.Condition != tt.condition || a.Priority != tt.priority {
					t.Errorf("told %s %s, %s: %s; want lane %s, %s", a.Source, a.Condition, a.Priority, a.Text, tt.condition, tt.priority)
				}
				if late := a.Time.Sub(start); late > 2*every {
					t.Errorf("told after %s, want within two periods of %s", late, every)
				}
			})
		}
	}
}

// One sensor has no other to compare with: how fast it fell tells a wire that touches from wet growth.
func TestHowFastItFell(t *testing.T) {
	for _, c := range []struct {
		name  string
		over  time.Duration
		cause alerts.Cause
	}{
		{"from one reading to the next", 0, alerts.Short},
		{"over half an hour", 30 * time.Minute, alerts.Vegetation},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t, lonely(time.Minute))
			b.settleAt("brook", 3600)
			b.run(36 * time.Hour)
			fell := b.now
			b.while = func(now time.Time) {
				part := 1.0
				if c.over > 0 {
					part = min(1, now.Sub(fell).Hours()/c.over.Hours())
				}
				b.settleAt("brook", 3600-1500*part)
			}
			b.run(time.Hour)
			if got := b.about("zone/brook", alerts.Low).last().Cause; got != c.cause {
				b.show()
				t.Errorf("told as %s, want %s", got, c.cause)
			}
		})
	}
}

// A zone that is dead from the first reading on and then mended is told to be back within two hours, on the first day
// too, when there is no other day to hold it against.
func TestDeadFromTheFirstAndMended(t *testing.T) {
	b := newBench(t, paddocks())
	mended := start.Add(30 * time.Minute)
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.source == "zone/lane" && r.At.Before(mended) {
			r.Set(pulse.Volts, 0)
		}
		return true
	}
	b.run(6 * time.Hour)
	all := b.alarms()
	if len(all) != 1 {
		b.show()
		t.Fatalf("%d alarms, want one", len(all))
	}
	last := all[0].events[len(all[0].events)-1]
	if late := last.Time.Sub(mended); last.Kind != alerts.Returned || late > 2*time.Hour {
		t.Errorf("last said %s %s after it was mended, want returned within two hours", last.Kind, late)
	}
}

// A zone that is hardly over its minimum is not low for two readings in a row that noise took under it: nobody is woken
// for that.
func TestNoiseAtTheMinimumIsNotLow(t *testing.T) {
	b := newBench(t, lonely(time.Minute))
	b.devices[1].gain = 1
	b.noise = 0.01
	b.run(36 * time.Hour)
	b.quiet()
	from := b.now
	b.while = func(now time.Time) {
		b.settleAt("brook", 2500*(1.015+1.8*max(0, 1-now.Sub(from).Hours()/12)))
	}
	b.run(36 * time.Hour)
	for _, a := range b.alarms() {
		if a.first().Condition != alerts.Growth {
			b.show()
			t.Fatalf("told as %s: %s", a.first().Condition, a.first().Text)
		}
	}
	b.while = func(time.Time) { b.settleAt("brook", 2500*0.985) }
	at := b.now
	b.run(15 * time.Minute)
	if a := b.standing("zone/brook", alerts.Low); a == nil {
		b.show()
		t.Errorf("not told a quarter of an hour after it went under at %s", at)
	} else if text := a.first().Text; !strings.HasPrefix(text, "Brook is just under its 2.5 kV") {
		t.Errorf("told %q, and who reads it wonders what is low", text)
	}
}
