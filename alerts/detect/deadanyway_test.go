package detect_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/sim"
)

// A zone that a fault holds low is dead once its own wire parts. That is told as what it is, and is no word of the first:
// neither is it said to pull that zone down, nor does an energizer that gives too little count as off for it; and the first
// is over when the others say so.
func TestPartedWireIsNoWordOfAnotherFault(t *testing.T) {
	for _, tt := range []struct {
		name  string
		first sim.Fault
	}{
		{"a short elsewhere", sim.Fault{Kind: sim.Short, On: "zone/lane", AtM: 75, Ohms: 300}},
		{"a weak energizer", sim.Fault{Kind: sim.EnergizerWeak, On: "energizer/cartshed", Level: 0.55}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := paddocks()
			tt.first.From, tt.first.To = at(2.4), at(2.6)
			parted := sim.Fault{Kind: sim.Break, On: "zone/orchard", AtM: 40, From: at(2.5), To: at(2.7)}
			events := feed(t, newWatch(t, f), f, season(t, f, 3.2, tt.first, parted))
			if len(events) == 0 {
				t.Fatal("nothing was said")
			}
			told, over := false, time.Time{}
			for _, e := range events {
				switch first := e.ID == events[0].ID; {
				case first && e.Kind == alerts.Updated && !e.Time.Before(parted.From):
					if e.Condition == alerts.Off || e.Condition == alerts.Dead || strings.Contains(e.Text, "orchard down") {
						t.Errorf("said of %s as %s: %s", e.Source, e.Condition, e.Text)
					}
				case first && e.Kind == alerts.Returned:
					over = e.Time
				case e.Source == "zone/orchard" && e.Cause == alerts.Open:
					told = true
				}
			}
			if !told {
				t.Error("the parted wire was not told")
			}
			if late := over.Sub(tt.first.To); late < 0 || late > time.Hour {
				t.Errorf("the first was told to be over %v after it was", late)
			}
		})
	}
}

// Whoever sets out to free the wire switches the energizer off first: the fence is dead for that, and the short no worse.
func TestSwitchedOffIsNoWordOfAShort(t *testing.T) {
	f := paddocks()
	events := feed(t, newWatch(t, f), f, season(t, f, 3.2,
		sim.Fault{Kind: sim.Short, On: "zone/lane", AtM: 75, Ohms: 300, From: at(2.4), To: at(2.55)},
		sim.Fault{Kind: sim.EnergizerOff, On: "energizer/cartshed", From: at(2.5), To: at(2.57)}))
	var told []string
	for _, e := range events {
		if e.Kind != alerts.Updated {
			told = append(told, string(e.Source)+" "+string(e.Kind))
		} else if !e.Time.Before(at(2.5)) {
			t.Errorf("said of %s as %s: %s", e.Source, e.Condition, e.Text)
		}
	}
	want := []string{"zone/lane raised", "energizer/cartshed raised", "energizer/cartshed returned", "zone/lane returned"}
	if diff := cmp.Diff(want, told); diff != "" {
		t.Errorf("told (-want +got):\n%s", diff)
	}
}

// A wire that parts behind a bad joint takes the load off it: the joint's zone comes half way back and stays there, which is
// nothing that comes and goes. Nor is it that when the wire is joined and the load is back.
func TestJointThatIsUnloaded(t *testing.T) {
	for _, ohms := range []float64{6000, 7000, 7500, 8000, 8500, 9000, 11_000} {
		f := paddocks()
		joint := sim.Fault{Kind: sim.BadJoint, On: "zone/hazel", AtM: 100, Ohms: ohms, From: at(2.4), To: at(3.1)}
		parted := sim.Fault{Kind: sim.Break, On: "zone/lane", AtM: 60, From: at(2.5), To: at(2.7)}
		told := false
		for _, e := range feed(t, newWatch(t, f), f, leaky(t, f, 3.2, 8e-5, joint, parted)) {
			told = told || e.Cause == alerts.Joint && e.Source == "zone/hazel"
			if e.Cause == alerts.CauseIntermittent {
				t.Errorf("%g ohms: %s %s as %s: %s", ohms, e.Kind, e.Source, e.Cause, e.Text)
			}
		}
		if !told {
			t.Errorf("the joint of %g ohms was not told", ohms)
		}
	}
}

// A wire that has let go may touch again, or part, while the energizer is off: what its sensor showed before is no word of
// how it is afterwards, and nothing is said to be over of a zone that has not been heard since.
func TestNotOverUnheard(t *testing.T) {
	f := paddocks()
	f.Zones[2].Sensor.Every = 10 * time.Minute // lane's
	f.Energizers[0].Sensor.Topic = ""
	for minutes := range 10 { // of lane's period
		b := newBench(t, f)
		b.run(30 * time.Hour)
		short("lane", 300, 0.5)(b)
		b.run(50 * time.Minute)
		mend("lane")(b)
		b.run(30 * time.Minute)
		b.only()
		w := b.wires["cartshed"]
		open := w.open
		w.open = 0
		b.run(time.Hour + time.Duration(minutes)*time.Minute)
		w.open = open
		b.run(2 * time.Hour)
		a := b.alarms()
		if e := a[0].last(); a[0].over.IsZero() || e.KV == nil || *e.KV < 7 {
			b.show()
			t.Errorf("%d minutes: %s %s: %s", minutes, e.Time, e.Kind, e.Text)
		}
	}
}
