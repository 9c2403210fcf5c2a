package detect_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// jointed plays a dewy fence on which a joint in hazel has gone bad, is told of, and stands.
func jointed(t testing.TB) *bench {
	t.Helper()
	b := newBench(t, slowFarm())
	b.noise, b.alter = 0.002, steps(100)
	dewy(b, 1.2e-4, func(float64) {})
	b.run(84 * time.Hour)
	b.zone("hazel").inLine, b.zone("hazel").part = 2500, 0.4
	b.run(48 * time.Hour)
	if a := b.only(); a.last().Kind == alerts.Returned || a.last().Source != "zone/hazel" || a.last().Cause != alerts.Joint {
		b.show()
		t.Fatalf("told as %s of %s, want a bad joint of hazel that stands", a.last().Cause, a.last().Source)
	}
	return b
}

// meanwhile are what comes while a joint stands that is bad.
var meanwhile = []struct {
	name      string
	spoil     func(b *bench)
	source    farm.Source
	condition alerts.Condition
	cause     alerts.Cause
	within    time.Duration
}{
	{"a sensor sticks before it", stick("zone/orchard"), "zone/orchard", alerts.FaultySensor, alerts.CauseSensorFaulty, 24 * time.Hour},
	{"a sensor sticks behind it", stick("zone/lane"), "zone/lane", alerts.FaultySensor, alerts.CauseSensorFaulty, 24 * time.Hour},
	{"a sensor comes to show too little", func(b *bench) { b.alter = fades(b, "zone/hazel", 0.7, 24) }, "zone/hazel", alerts.FaultySensor, alerts.CauseSensorFaulty, 48 * time.Hour},
	{"a second joint on another branch", goesBad("orchard", 4000), "zone/orchard", alerts.Dropping, alerts.Joint, 36 * time.Hour},
	{"a second joint before it", goesBad("brook", 1500), "zone/brook", alerts.Dropping, alerts.Joint, 36 * time.Hour},
	{"a second joint behind it", goesBad("lane", 2000), "zone/lane", alerts.Dropping, alerts.Joint, 36 * time.Hour},
	{"the stakes dry out", func(b *bench) {
		coarse, dry := b.alter, 900.0
		b.staked(&dry)
		stakes := b.alter
		b.alter = func(d *device, r *pulse.Reading) bool { return coarse(d, r) && stakes(d, r) }
	}, "energizer/cartshed", alerts.Earth, alerts.PoorEarth, 12 * time.Hour},
}

// stick has the sensor of s show for good what it shows next, in steps that a sensor may rest on for hours.
func stick(s farm.Source) func(*bench) {
	return func(b *bench) {
		coarse, held := b.alter, 0.0
		b.alter = func(d *device, r *pulse.Reading) bool {
			coarse(d, r)
			if v, _ := r.Get(pulse.Volts); d.source == s && held == 0 {
				held = v
			} else if d.source == s {
				r.Set(pulse.Volts, held)
			}
			return true
		}
	}
}

// fades has the sensor of s fall to the share left of the truth over so many hours from now on.
func fades(b *bench, s farm.Source, left, hours float64) func(*device, *pulse.Reading) bool {
	from := b.now
	return func(d *device, r *pulse.Reading) bool {
		if v, _ := r.Get(pulse.Volts); d.source == s {
			r.Set(pulse.Volts, v*math.Pow(left, min(1, b.now.Sub(from).Hours()/hours)))
		}
		return true
	}
}

// goesBad lets the ohms of a joint in the zone rise over twenty hours.
func goesBad(zone string, ohms float64) func(*bench) {
	return func(b *bench) {
		b.zone(zone).part = 0.4
		dewy(b, 1.2e-4, func(h float64) { b.zone(zone).inLine = ohms * min(1, h/20) })
	}
}

// While a joint stands that is bad, what else goes wrong is told as what it is, as one alarm more.
func TestBesideAJoint(t *testing.T) {
	for _, tt := range meanwhile {
		t.Run(tt.name, func(t *testing.T) {
			b := jointed(t)
			tt.spoil(b)
			b.run(tt.within)
			all := b.alarms()
			i := slices.IndexFunc(all, func(a *told) bool { return a.first().Source == tt.source && a.first().Condition == tt.condition })
			if len(all) != 2 || i < 0 || all[i].last().Cause != tt.cause {
				b.show()
				t.Errorf("%d alarms, want the joint's and one of %s as %s", len(all), tt.source, tt.condition)
			}
			if a := all[0]; a.last().Kind == alerts.Returned {
				t.Errorf("the joint's alarm has returned")
			}
		})
	}
}

// A bad joint that stands for weeks, gets worse or is better when wet is one alarm, and nothing else is told beside it.
func TestJointAlone(t *testing.T) {
	for _, tt := range []struct {
		name string
		ohms func(b *bench, hours float64) float64
	}{
		{"for weeks", func(*bench, float64) float64 { return 2500 }},
		{"worse within the day", func(_ *bench, h float64) float64 { return 2500 + 4000*min(1, h/20) }},
		{"better by and by", func(_ *bench, h float64) float64 { return 2500 - 1000*min(1, h/200) }},
		{"better when wet", func(b *bench, _ float64) float64 {
			return 2500 * (1 - 0.4*math.Max(0, math.Cos((float64(b.now.Hour())-4)*math.Pi/12)))
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := jointed(t)
			dewy(b, 1.2e-4, func(h float64) { b.zone("hazel").inLine = tt.ohms(b, h) })
			b.run(15 * 24 * time.Hour)
			if a := b.only(); a.last().Kind == alerts.Returned {
				b.show()
				t.Errorf("the alarm has returned while the joint is bad")
			}
			if _, ok := b.watch.View("cartshed"); !ok {
				t.Errorf("nothing is known of the fence")
			}
		})
	}
}

// What the fence leaks and draws is known while a bad joint stands as well as before, and with the joint, whether it went bad
// at a stroke or over a day.
func TestViewBesideAJoint(t *testing.T) {
	for _, tt := range []struct {
		name      string
		bad       func(*bench)
		leak, off float64 // by how much the leakage behind the joint, and the load, may come out otherwise
	}{
		{"at a stroke", joint("hazel", 2500), 0.15, 0.05},
		{"over a day", goesBad("hazel", 4000), 0.3, 0.05},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, slowFarm())
			dewy(b, 1.2e-4, func(float64) {})
			w, volts := b.wires["cartshed"], make([]float64, 5)
			look := func() (leaks, ratio float64) { // in siemens behind the joint, and of the load to what it is in truth
				t.Helper()
				v, ok := b.watch.View("cartshed")
				if !ok {
					t.Fatal("nothing is known of the fence")
				}
				w.volts(volts)
				return v.Leaks[1].Siemens + v.Leaks[2].Siemens, v.LoadOhms / (w.source / (w.open/volts[0] - 1))
			}
			b.run(84 * time.Hour)
			leaks, ratio := look()
			tt.bad(b)
			b.run(72 * time.Hour)
			if a := b.only(); a.last().Kind == alerts.Returned || a.last().Cause != alerts.Joint {
				b.show()
				t.Fatal("no bad joint stands")
			}
			nowLeaks, nowRatio := look()
			if math.Abs(nowLeaks/leaks-1) > tt.leak || math.Abs(nowRatio/ratio-1) > tt.off {
				t.Errorf("%.3g S leak behind the joint and the load is %.2f times what it is; without it %.3g S and %.2f times", nowLeaks, nowRatio, leaks, ratio)
			}
		})
	}
}

// Growth behind a bad joint is warned of as early as elsewhere, on the right day; the step that the joint made is no growth.
func TestGrowthBesideAJoint(t *testing.T) {
	for _, day := range []int{6, 12, 18} {
		t.Run(fmt.Sprint("bad from day ", day), func(t *testing.T) {
			g := newGrower(t, func(d float64) float64 { return math.Exp(0.11 * d) })
			grows := g.while
			g.while = func(now time.Time) {
				grows(now)
				if now.After(start.AddDate(0, 0, day)) {
					g.zone("hazel").inLine, g.zone("hazel").part = 2500, 0.4
				}
			}
			under := g.under(60)
			truth := start.AddDate(0, 0, under)
			a := g.growths()
			if len(a) != 1 || under < day+4 {
				g.show()
				t.Fatalf("%d alarms of growth, under on day %d", len(a), under)
			}
			if ahead := truth.Sub(a[0].raised).Hours() / 24; ahead < 3 {
				t.Errorf("warned %.1f days ahead, want three", ahead)
			}
			checkDaily(t, a[0])
			checkWeekAhead(t, a[0], truth)
		})
	}
}

// A joint that goes bad within the hour after another, in another zone, is one more, and has an alarm of its own:
// whoever mends the first must not be told that it was the second all along.
func TestSecondJointWithinTheHour(t *testing.T) {
	for _, tt := range [][2]string{{"hazel", "orchard"}, {"lane", "orchard"}, {"brook", "lane"}, {"hazel", "brook"}} {
		b := newBench(t, paddocks())
		b.run(36 * time.Hour)
		b.grow(20, 24*time.Hour)
		b.run(6 * time.Hour)
		began := b.now
		for _, zone := range tt {
			joint(zone, 3000)(b)
			b.run(30 * time.Minute)
		}
		b.run(time.Hour)
		var told []farm.Source
		for _, a := range b.alarms() {
			if a.raised.After(began) && a.over.IsZero() && a.last().Cause == alerts.Joint {
				told = append(told, a.last().Source)
			}
		}
		if want := []farm.Source{farm.ZoneSource(tt[0]), farm.ZoneSource(tt[1])}; !slices.Equal(told, want) {
			b.show()
			t.Errorf("bad joints told in %v, want in %v", told, want)
		}
	}
}

// A joint that goes bad takes most of what stands before a grown zone. What leaks behind it is what leaked before, so
// all of that is the joint's: neither while it stands nor when it is mended is anybody told that growth has won.
func TestJointBeforeHeavyGrowth(t *testing.T) {
	f := paddocks()
	needing(f, 1250)
	for _, ohms := range []float64{6000, 20_000} {
		b := newBench(t, f)
		b.run(36 * time.Hour)
		b.grow(28, 5*24*time.Hour)
		b.run(12 * time.Hour)
		joint("hazel", ohms)(b)
		since := len(b.events)
		b.run(45 * time.Hour)
		if i := slices.IndexFunc(b.alarms(), func(a *told) bool { return a.last().Source == "zone/hazel" && a.last().Cause == alerts.Joint }); i < 0 {
			b.show()
			t.Fatalf("hazel is not told of with a joint of %.0f ohms", ohms)
		}
		mend("hazel")(b)
		b.run(24 * time.Hour)
		for _, e := range b.events[since:] {
			if e.Condition == alerts.Growth && strings.Contains(e.Text, "has won") {
				t.Errorf("with a joint of %.0f ohms, %s: %s", ohms, e.Time.Format("01-02 15:04"), e.Text)
			}
		}
	}
}

// Growth has a zone under its minimum, and a joint goes bad before it. When that is mended the zone is low with growth
// again: no night from while it stood makes that a cracked insulator.
func TestJointMendedBeforeWhatIsLow(t *testing.T) {
	f := paddocks()
	needing(f, 2300)
	b := newBench(t, f)
	b.run(36 * time.Hour)
	b.grow(28, 5*24*time.Hour)
	b.run(12 * time.Hour)
	joint("hazel", 2000)(b)
	b.run(40 * time.Hour)
	mend("hazel")(b)
	since := len(b.events)
	b.run(3 * time.Hour)
	for _, e := range b.events[since:] {
		if e.Kind == alerts.Raised && e.Condition != alerts.Growth && e.Cause != alerts.Vegetation {
			b.show()
			t.Errorf("told of %s as %s", e.Source, e.Cause)
		}
	}
	if a := b.standing("zone/hazel", alerts.Low); a == nil {
		b.show()
		t.Error("hazel is not told as low")
	}
}
