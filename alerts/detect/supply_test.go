package detect_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// supplied makes the energizer's sensor report its battery and its pulses.
func (b *bench) supplied(volts, intervalMS *float64) {
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.source == "energizer/cartshed" {
			r.Set(pulse.SupplyVolts, math.Round(100*(*volts+0.03*b.rng.NormFloat64()))/100)
			r.Set(pulse.IntervalMS, math.Round(*intervalMS*(1+0.003*b.rng.NormFloat64())))
		}
		return true
	}
}

// batteries by their nominal voltage: full, what counts as low, and charged again; the figures scale.
var batteries = []struct {
	name                       string
	full, dips, low, recharged float64
}{
	{"6 V", 6.4, 6.0, 5.7, 6.5},
	{"12 V", 12.8, 12.0, 11.4, 13.0},
	{"24 V", 25.6, 24.0, 22.8, 26.0},
}

// A battery that runs down is told once; the same alarm turns high when the pulses stop, and returns when it is
// charged and the fence is hot.
func TestBatteryRunsDown(t *testing.T) {
	for _, tt := range batteries {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			supply, interval := tt.full, 1300.0
			b.supplied(&supply, &interval)
			b.run(36 * time.Hour)
			supply = tt.dips
			b.run(2 * time.Hour)
			b.quiet()
			supply = tt.low
			fell := b.now
			b.run(2 * time.Hour)
			a := b.only()
			if f := a.first(); f.Condition != alerts.Weak || f.Cause != alerts.SupplyLow || f.Priority != alerts.Medium || f.Source != "energizer/cartshed" {
				t.Errorf("told %s %s, cause %s, %s: %s", f.Source, f.Condition, f.Cause, f.Priority, f.Text)
			}
			if late := a.raised.Sub(fell); late > 20*time.Minute {
				t.Errorf("told %s after the supply fell, want within 20 minutes", late)
			}
			w := b.wires["cartshed"]
			open := w.open
			w.open, supply = 0, 0.8*tt.low
			died := b.now
			b.run(time.Hour)
			a = b.only()
			if f := a.last(); f.Condition != alerts.Off || f.Priority != alerts.High || f.Kind != alerts.Updated || f.Time.Sub(died) > 3*time.Minute {
				b.show()
				t.Errorf("when the pulses stopped: %s %s %s after %s; want the same alarm off, high", f.Kind, f.Condition, f.Priority, f.Time.Sub(died))
			}
			w.open, supply = open, tt.recharged
			b.run(2 * time.Hour)
			if a = b.only(); a.over.IsZero() {
				b.show()
				t.Error("did not return when the battery was charged")
			}
		})
	}
}

// A battery that hangs about its limit is one alarm; one that recovers returns by itself.
func TestBatteryAtItsLimit(t *testing.T) {
	b := newBench(t, paddocks())
	supply, interval := 12.6, 1300.0
	b.supplied(&supply, &interval)
	b.run(30 * time.Hour)
	b.while = func(now time.Time) { // by night under it, by day over it but not charged
		supply = 11.72 + 0.2*math.Sin(2*math.Pi*now.Sub(start).Hours()/24)
	}
	b.run(5 * 24 * time.Hour)
	if a := b.only(); !a.over.IsZero() {
		b.show()
		t.Error("returned though the battery was never well")
	}
	b.while = nil
	supply = 12.7
	charged := b.now
	b.run(time.Hour)
	if a := b.only(); a.over.IsZero() || a.over.Sub(charged) > 15*time.Minute {
		t.Errorf("returned at %s, want soon after %s", a.over, charged)
	}
}

// paces are changes of the pulse interval, with a good battery or a low one.
var paces = []struct {
	name     string
	interval float64
	supply   float64
	told     bool
	cause    alerts.Cause
}{
	{"as ever", 1300, 12.6, false, ""},
	{"a little slow", 1500, 12.6, false, ""},
	{"half as fast", 2600, 12.6, true, alerts.EnergizerWeak},
	{"half as fast on a low battery", 2600, 11.2, true, alerts.SupplyLow},
	{"faster", 900, 12.6, false, ""},
}

func TestPulsesSlowDown(t *testing.T) {
	for _, tt := range paces {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			supply, interval := 12.6, 1300.0
			b.supplied(&supply, &interval)
			b.run(30 * time.Hour)
			supply, interval = tt.supply, tt.interval
			b.run(2 * time.Hour)
			if !tt.told {
				b.quiet()
				return
			}
			if a := b.only(); a.first().Condition != alerts.Weak || a.first().Cause != tt.cause {
				t.Errorf("told %s, cause %s: %s; want weak, %s", a.first().Condition, a.first().Cause, a.first().Text, tt.cause)
			}
			supply, interval = 12.6, 1300
			b.run(2 * time.Hour)
			if a := b.only(); a.over.IsZero() {
				b.show()
				t.Error("did not return at the usual pace")
			}
		})
	}
}

// staked makes the energizer's sensor report what the stakes carry.
func (b *bench) staked(volts *float64) {
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.source == "energizer/cartshed" {
			r.Set(pulse.EarthVolts, math.Round(*volts*(1+0.05*b.rng.NormFloat64())))
		}
		return true
	}
}

// earths are stake voltages as strung and in a dry spell.
var earths = []struct {
	name         string
	strung, then float64
	told         bool
}{
	{"well earthed", 40, 60, false},
	{"a little more", 60, 200, false},
	{"poor", 60, 900, true},
	{"bad from the start", 850, 850, true},
	{"noisy about the limit", 250, 290, false},
}

// Poor earth is told in a dry spell while the wire is fine, once, and returns after days that are well.
func TestPoorEarth(t *testing.T) {
	for _, tt := range earths {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			stakes := tt.strung
			b.staked(&stakes)
			b.run(36 * time.Hour)
			stakes = tt.then
			b.run(4 * 24 * time.Hour)
			if !tt.told {
				b.quiet()
				return
			}
			a := b.only()
			if f := a.first(); f.Cause != alerts.PoorEarth || f.Source != "energizer/cartshed" || f.Priority != alerts.Medium || !strings.Contains(f.Text, "stakes") {
				t.Errorf("told %s, cause %s, %s: %s", f.Source, f.Cause, f.Priority, f.Text)
			}
			stakes = 50
			wet := b.now
			b.run(2 * 24 * time.Hour)
			stakes = tt.then // dry again: it was not over
			b.run(24 * time.Hour)
			if a = b.only(); !a.over.IsZero() {
				t.Errorf("returned %s after the first rain, want it to stand for days", a.over.Sub(wet))
			}
			stakes = 50
			b.run(5 * 24 * time.Hour)
			if a = b.only(); a.over.IsZero() {
				t.Error("did not return after five wet days")
			}
		})
	}
}

// Stakes of a fair earth carry many volts when a wet fence draws many amperes. That is no poor earth; more ohms are.
func TestStakesOfAWetFence(t *testing.T) {
	for _, tt := range []struct {
		name string
		more float64 // ohms
		told bool
	}{{"wet", 0, false}, {"wet, and a little dry below", 90, false}, {"poor", 350, true}} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			reportEvery(f, 5*time.Minute)
			b := newBench(t, f)
			w, volts, earth := b.wires["cartshed"], make([]float64, 5), 60.0
			b.alter = func(d *device, r *pulse.Reading) bool {
				if d.node == 0 {
					w.volts(volts)
					r.Set(pulse.EarthVolts, earth*(w.open-volts[0])/w.source)
				}
				return true
			}
			b.run(2 * 24 * time.Hour)
			wet := b.now
			b.while = func(now time.Time) {
				for i := range w.spans {
					w.spans[i].leak = 2e-5 + 2e-3*min(1, now.Sub(wet).Hours()/8)
				}
			}
			earth += tt.more
			w.source += tt.more
			b.run(2 * 24 * time.Hour)
			b.watch.Tick(b.now)
			w.volts(volts)
			if v := earth * (w.open - volts[0]) / w.source; v < 500 {
				t.Fatalf("the stakes carry %.0f V: the test shows nothing", v)
			}
			told := false
			for _, a := range b.alarms() {
				told = told || a.first().Cause == alerts.PoorEarth
			}
			if told != tt.told {
				b.show()
				t.Errorf("told of a poor earth: %t, want %t", told, tt.told)
			}
		})
	}
}

// A mains energizer whose plug is pulled and put back five times is told each time it lasts, and each time returns.
func TestPlugPulledAgainAndAgain(t *testing.T) {
	f := paddocks()
	f.Energizers[0].Supply = farm.Mains
	b := newBench(t, f)
	b.run(30 * time.Hour)
	w := b.wires["cartshed"]
	open := w.open
	for range 5 {
		w.open = 0
		b.run(20 * time.Minute)
		w.open = open
		b.run(3 * time.Hour)
	}
	all := b.alarms()
	for i, a := range all {
		if a.first().Cause != alerts.EnergizerOff || a.over.IsZero() {
			t.Errorf("alarm %d: %s, cause %s, over %s", i, a.first().Source, a.first().Cause, a.over)
		}
	}
	if len(all) != 5 {
		b.show()
		t.Errorf("%d alarms for five times off", len(all))
	}
}

// On wire of few ohms a wet fence looks just like an energizer that gives less, and what cannot be told apart is not told.
func TestWetSteelIsNoWeakEnergizer(t *testing.T) {
	t.Parallel()
	f := paddocks()
	reportEvery(f, 10*time.Minute)
	steel(f)
	b := newBench(t, f)
	b.alter = func(d *device, r *pulse.Reading) bool { // cheap sensors drift by some hundredths over hours, each in its own way
		v, _ := r.Get(pulse.Volts)
		r.Set(pulse.Volts, math.Round(v*(1+0.025*math.Sin(b.now.Sub(start).Hours()/float64(4+d.node)))/10)*10)
		return true
	}
	b.run(36 * time.Hour)
	w, wet := b.wires["cartshed"], b.now
	b.while = func(now time.Time) { // two damp days and two dry ones, by turns
		for i := range w.spans {
			w.spans[i].leak = (2e-5 + 5e-4*(1-math.Cos(math.Pi*now.Sub(wet).Hours()/48))) / float64(len(w.spans))
		}
	}
	b.run(12 * 24 * time.Hour)
	for _, a := range b.alarms() {
		if a.first().Cause == alerts.EnergizerWeak {
			b.show()
			t.Fatalf("told that the energizer is weak: %s", a.first().Text)
		}
	}
}

// On grown steel that rain had under its minimum not long ago, an energizer that gives less at a stroke looks like more rain to the
// zones, which speak before its own sensor does. That it pulses more slowly settles it: nobody waits two hours for that.
func TestSlowerPulsesAreNoRain(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	f.Energizers[0].SourceOhms, f.Energizers[0].EarthOhms = 135, 0
	for i := range f.Zones {
		f.Zones[i].OhmsPerKM, f.Zones[i].LengthM, f.Zones[i].MinimumVolts = 60, 400, 2000
	}
	f.Zones[1].MinimumVolts, f.Zones[2].MinimumVolts = 4100, 4200
	const leak = 3e-3
	b, volts, pace := newBench(t, f), 12.8, 1300.0
	b.draws(leak)
	b.supplied(&volts, &pace)
	b.run(3 * 24 * time.Hour)
	b.quiet()
	b.downpour(2.2, 4*time.Minute)
	b.run(2 * time.Hour)
	b.while = nil
	b.draws(leak)
	b.run(20*time.Hour + 10*time.Second)
	before, fails := len(b.events), b.now
	b.wires["cartshed"].open *= 0.72
	pace *= 1.25
	b.run(30 * time.Minute)
	if before == 0 || len(b.events) == before {
		b.show()
		t.Fatalf("%d events by the rain and %d in half an hour of the failure, want some of each", before, len(b.events)-before)
	}
	if e := b.events[before]; e.Cause != alerts.EnergizerWeak {
		t.Errorf("told of %s as %s first, after %s", e.Source, e.Cause, e.Time.Sub(fails))
	}
}
