package detect_test

import (
	"bytes"
	"math"
	"testing"
	"time"

	"nightwire/alerts/detect"
	"nightwire/ingest/pulse"
)

// viewed runs a fence of which the stakes have 55 ohms for two days, then grows its leakage.
func viewed(t testing.TB, growth float64) (b *bench, siemens float64) {
	b = newBench(t, paddocks())
	w, volts := b.wires["cartshed"], make([]float64, 5)
	b.alter = func(d *device, r *pulse.Reading) bool {
		if d.node == 0 {
			w.volts(volts)
			r.Set(pulse.EarthVolts, 55*(w.open-volts[0])/w.source)
		}
		return true
	}
	b.run(48 * time.Hour)
	for i := range w.spans {
		w.spans[i].leak *= growth
	}
	b.run(12 * time.Hour)
	w.volts(volts)
	return b, (w.open/volts[0] - 1) / w.source
}

func TestView(t *testing.T) {
	for _, tt := range []struct {
		name   string
		growth float64
	}{{"as strung", 1}, {"some growth", 1.5}} {
		t.Run(tt.name, func(t *testing.T) {
			b, siemens := viewed(t, tt.growth)
			v, ok := b.watch.View("cartshed")
			if !ok {
				t.Fatal("nothing to tell")
			}
			t.Logf("%+v; in truth %.0f ohms", v, 1/siemens)
			if off := math.Abs(v.LoadOhms - 1/siemens); off > 3*v.LoadSDOhms || v.LoadSDOhms > v.LoadOhms/3 {
				t.Errorf("load %.0f ± %.0f ohms, want %.0f", v.LoadOhms, v.LoadSDOhms, 1/siemens)
			}
			if math.Abs(v.EarthOhms-55) > 55*v.LoadSDOhms/v.LoadOhms*2 {
				t.Errorf("earth %.0f ohms, want 55", v.EarthOhms)
			}
			w := b.wires["cartshed"]
			if len(v.Leaks) != len(w.spans) {
				t.Fatalf("%d leakages for %d zones", len(v.Leaks), len(w.spans))
			}
			for i, l := range v.Leaks {
				if off := math.Abs(l.Siemens - w.spans[i].leak); off > 3*l.SD {
					t.Errorf("%s leaks %.3g ± %.2g S, want %.3g", l.Zone, l.Siemens, l.SD, w.spans[i].leak)
				}
			}
			// The most load, found on the lumped wire.
			most := *w
			most.spans = append([]span(nil), w.spans...)
			volts := make([]float64, len(w.spans)+1)
			for most.volts(volts); min(volts[1], volts[2], volts[3], volts[4]) > 2500; most.volts(volts) {
				for i := range most.spans {
					most.spans[i].leak *= 1.001
				}
			}
			share := siemens / ((most.open/volts[0] - 1) / most.source)
			if math.Abs(v.LoadShare-share) > 3*share*v.LoadSDOhms/v.LoadOhms {
				t.Errorf("load is %.3f of the most, want %.3f", v.LoadShare, share)
			}
		})
	}
}

func TestViewChangesNothing(t *testing.T) {
	b, _ := viewed(t, 1)
	before, err := b.watch.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := b.watch.View("cartshed"); !ok {
		t.Fatal("nothing to tell")
	}
	after, err := b.watch.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(before, after) {
		t.Error("looking changed the watch's memory")
	}
}

func TestViewTellsNothingWhereNothingIsKnown(t *testing.T) {
	b := newBench(t, paddocks())
	if _, ok := b.watch.View("cartshed"); ok {
		t.Error("told of a fence that nobody has heard")
	}
	b.run(30 * time.Hour)
	if _, ok := b.watch.View("elsewhere"); ok {
		t.Error("told of an energizer that there is not")
	}
	b.zone("hazel").short = 1.0 / 200
	b.run(10 * time.Minute)
	if v, ok := b.watch.View("cartshed"); ok {
		t.Errorf("told of a load of %.0f ohms while there is a short", v.LoadOhms)
	}
	b.zone("hazel").short = 0
	b.run(3 * time.Hour)
	if _, ok := b.watch.View("cartshed"); !ok {
		t.Error("tells nothing after the short was mended")
	}
}

// A page view waits for this while the watch waits: the bar is 1 ms.
func BenchmarkView(b *testing.B) {
	bench, _ := viewed(b, 1)
	var v detect.View
	for b.Loop() {
		v, _ = bench.watch.View("cartshed")
	}
	if v.LoadOhms == 0 {
		b.Error("nothing told")
	}
}
