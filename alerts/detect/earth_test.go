package detect_test

import (
	"math"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/pulse"
)

// stakes makes the energizer's sensor report what stakes of so many ohms carry at the current that its wire draws, and gives
// the ohms to the wire's source, now and whenever they change.
func (b *bench) stakes(ohms *float64) {
	w := b.wires["cartshed"]
	own, volts := w.source-*ohms, make([]float64, len(w.spans)+1)
	b.alter = func(d *device, r *pulse.Reading) bool {
		w.source = own + *ohms
		if d.node == 0 {
			w.volts(volts)
			r.Set(pulse.EarthVolts, math.Round(*ohms*(w.open-volts[0])/w.source/5)*5)
		}
		return true
	}
}

// draws lets the wires of b leak so many siemens, alike on each zone.
func (b *bench) draws(siemens float64) {
	w := b.wires["cartshed"]
	for i := range w.spans {
		w.spans[i].leak = siemens / float64(len(w.spans))
	}
}

// earthFaults are what may take the whole fence down at a stroke where the stakes are read.
var earthFaults = []struct {
	name  string
	ohms  float64 // of the stakes until then
	fail  func(b *bench, ohms *float64)
	cause alerts.Cause
}{
	{"the clamp of the stakes corrodes through", 60, func(_ *bench, ohms *float64) { *ohms = 900 }, alerts.PoorEarth},
	{"stakes that were fair lose their hold", 150, func(_ *bench, ohms *float64) { *ohms = 1500 }, alerts.PoorEarth},
	{"the energizer fails", 60, func(b *bench, _ *float64) { b.wires["cartshed"].open *= 0.55 }, alerts.EnergizerWeak},
	{"the energizer fails beside fair stakes", 150, func(b *bench, _ *float64) { b.wires["cartshed"].open *= 0.55 }, alerts.EnergizerWeak},
	{"a wire touches earth beside fair stakes", 150, func(b *bench, _ *float64) {
		s := b.zone("orchard")
		s.short, s.part = 1.0/300, 0.6
	}, alerts.Short},
}

// What the stakes carry tells a poor earth from all else that takes the fence down at a stroke: one alarm, over when it is
// mended.
func TestEarthFailsAtAStroke(t *testing.T) {
	for _, tt := range earthFaults {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			needing(f, 4500)
			b := newBench(t, f)
			ohms := tt.ohms
			b.stakes(&ohms)
			b.draws(4e-4)
			b.run(30 * time.Hour)
			b.quiet()
			tt.fail(b, &ohms)
			b.run(3 * time.Hour)
			reads, wild := b.alter, true
			b.alter = func(d *device, r *pulse.Reading) bool { // a single reading that is wild ends nothing
				sent := reads(d, r)
				if d.node == 0 && wild {
					r.Set(pulse.Volts, 1800)
					wild = false
				}
				return sent
			}
			b.run(3 * time.Hour)
			a := b.only()
			if e := a.last(); e.Cause != tt.cause || e.Priority != alerts.High || tt.cause == alerts.PoorEarth && (e.Source != "energizer/cartshed" || e.Condition != alerts.Earth) {
				b.show()
				t.Errorf("told of %s as %s, cause %s, %s; want cause %s", e.Source, e.Condition, e.Cause, e.Priority, tt.cause)
			}
			w := b.wires["cartshed"]
			w.mend()
			w.open, ohms = f.Energizers[0].OpenVolts, tt.ohms
			b.run(2 * time.Hour)
			if a = b.only(); a.over.IsZero() {
				b.show()
				t.Error("stands though it is mended")
			}
		})
	}
}

// Stakes that dry out over a day are one alarm, of the earth, and the zones that it takes under their minimum ride on
// it. It is over within hours when they are wetted.
func TestEarthDriesOut(t *testing.T) {
	f := paddocks()
	reportEvery(f, 5*time.Minute)
	needing(f, 4500)
	b := newBench(t, f)
	ohms := 60.0
	b.stakes(&ohms)
	b.draws(4e-4)
	b.run(4 * 24 * time.Hour)
	b.quiet()
	dry := b.now
	b.while = func(now time.Time) { ohms = 60 + 1200*min(1, now.Sub(dry).Hours()/30) }
	b.run(3 * 24 * time.Hour)
	a := b.only()
	if e := a.last(); e.Source != "energizer/cartshed" || e.Condition != alerts.Earth || e.Cause != alerts.PoorEarth || len(e.Zones) == 0 || !a.over.IsZero() {
		b.show()
		t.Errorf("told of %s as %s, cause %s, with zones %v, over %s", e.Source, e.Condition, e.Cause, e.Zones, a.over)
	}
	b.while, ohms = nil, 60 // the stakes are wetted
	b.run(6 * time.Hour)
	if b.only().over.IsZero() {
		b.show()
		t.Error("stands though the stakes hold again")
	}
}

// A wire may touch earth for days before anybody walks there. If the stakes dry out meanwhile that is told too, and of
// stakes that only carry what the wire draws, at a touch that comes and goes, nothing is.
func TestEarthDriesOutBesideAFault(t *testing.T) {
	for _, tt := range []struct {
		name  string
		most  float64 // ohms of the stakes in the end
		touch func(b *bench)
		told  bool
	}{
		{"a wire that stays down", 900, func(b *bench) { short("lane", 600, 0.5)(b) }, true},
		{"good stakes", 60, func(b *bench) { short("lane", 600, 0.5)(b) }, false},
		{"good stakes, a wire that touches now and then", 100, func(b *bench) { b.touch("lane", 60, 10*time.Minute, 25*time.Minute) }, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, paddocks())
			ohms := 60.0
			b.stakes(&ohms)
			b.draws(4e-4)
			b.run(30 * time.Hour)
			b.quiet()
			tt.touch(b)
			b.run(3 * time.Hour)
			dries, flaps := b.now, b.while
			b.while = func(now time.Time) {
				if ohms = 60 + (tt.most-60)*min(1, now.Sub(dries).Hours()/10); flaps != nil {
					flaps(now)
				}
			}
			b.run(24 * time.Hour)
			told := 0
			for _, a := range b.alarms() {
				if a.last().Cause == alerts.PoorEarth {
					told++
				}
			}
			if told > 1 || (told == 1) != tt.told {
				b.show()
				t.Errorf("%d alarms of a poor earth, want any: %t", told, tt.told)
			}
		})
	}
}

// Stakes that are told as poor carry next to nothing while the energizer is off or the wire has parted near it. That is
// no all-clear, however long it lasts.
func TestPoorEarthStaysToldWhileNothingFlows(t *testing.T) {
	for _, part := range []bool{true, false} {
		b := newBench(t, paddocks())
		ohms := 60.0
		b.stakes(&ohms)
		b.draws(4e-4)
		b.run(30 * time.Hour)
		dries := b.now
		b.while = func(now time.Time) { ohms = 60 + 480*min(1, now.Sub(dries).Hours()/30) }
		b.run(3 * 24 * time.Hour)
		if part {
			b.zone("brook").parted = true
		} else {
			b.wires["cartshed"].open = 0
		}
		b.run(4 * 24 * time.Hour)
		b.zone("brook").parted, b.wires["cartshed"].open = false, 8200
		b.run(6 * time.Hour)
		if a := b.about("energizer/cartshed", alerts.Earth); !a.over.IsZero() {
			b.show()
			t.Errorf("parted: %t, the stakes are as poor as ever and said to be well", part)
		}
	}
}

// slowLosses take a fence of few ohms down by one share within hours, and all look alike but for what the stakes carry.
var slowLosses = []struct {
	name string
	loss func(w *wire, ohms *float64, share float64) // share of the loss that has come
	told bool
}{
	{"the energizer fades", func(w *wire, _ *float64, share float64) { w.open *= 1 - 0.3*share }, true},
	{"it fades on a fence that gets wet", func(w *wire, _ *float64, share float64) {
		w.open *= 1 - 0.3*share
		w.spans[0].leak += 1e-4 * share
	}, true},
	{"something grows next to it", func(w *wire, _ *float64, share float64) { w.spans[0].leak += 1.2e-3 * share }, false},
	{"and the ground gets wet", func(w *wire, ohms *float64, share float64) {
		w.spans[0].leak += 1.2e-3 * share
		*ohms *= 1 - 0.5*share
	}, false},
}

// By what the stakes carry an energizer that slowly comes to give less is told from what leaks next to it, also where
// the wire shows no difference.
func TestStakesTellASlowLoss(t *testing.T) {
	for _, tt := range slowLosses {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			reportEvery(f, 5*time.Minute)
			steel(f)
			b := newBench(t, f)
			ohms := 60.0
			b.stakes(&ohms)
			b.draws(2e-4)
			b.run(3 * 24 * time.Hour)
			b.quiet()
			w, open, began := b.wires["cartshed"], b.wires["cartshed"].open, b.now
			b.while = func(now time.Time) {
				b.draws(2e-4)
				w.open, ohms = open, 60
				tt.loss(w, &ohms, min(1, now.Sub(began).Hours()/5))
			}
			b.run(2 * 24 * time.Hour)
			v := make([]float64, len(w.spans)+1)
			if w.volts(v); v[0] > 0.8*open {
				t.Fatalf("the energizer's output is %.0f V: the test shows nothing", v[0])
			}
			told := false
			for _, a := range b.alarms() {
				told = told || a.last().Cause == alerts.EnergizerWeak && a.last().Source == "energizer/cartshed"
			}
			if told != tt.told {
				b.show()
				t.Errorf("told of the energizer: %t, want %t", told, tt.told)
			}
		})
	}
}
