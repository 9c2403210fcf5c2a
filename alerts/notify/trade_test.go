package notify

import (
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

func TestPlace(t *testing.T) {
	w := words{cfg: testConfig(t), now: clock(t, "21 02:10")}
	at := func(m float64, bounds ...float64) func(*alerts.Finding) {
		return func(f *alerts.Finding) {
			f.DistanceM = &m
			if len(bounds) == 2 {
				f.DistanceLowM, f.DistanceHighM = &bounds[0], &bounds[1]
			}
		}
	}
	for _, tt := range []struct {
		name   string
		source farm.Source
		c      alerts.Condition
		cause  alerts.Cause
		change func(*alerts.Finding)
		place  string
		long   string
		short  string
	}{
		{"metres, bounds and a mark", "zone/brook", alerts.Low, alerts.Short, at(60, 40, 80),
			"about 60 m along brook, counted from cartshed (between 40 and 80 m), near the lower gate", ", near the lower gate, 60 m along", ", near the lower gate"},
		{"a mark too far off to help", "zone/brook", alerts.Low, alerts.Short, at(120), "about 120 m along brook, counted from cartshed", ", 120 m along", ", 120 m along"},
		{"at the start", "zone/hazel", alerts.Low, alerts.Short, at(0, 0, 30), "at the start of hazel, by brook (between 0 and 30 m)", ", at its start", ", at its start"},
		{"no marks", "zone/hazel", alerts.Low, alerts.Short, at(120), "about 120 m along hazel, counted from brook", ", 120 m along", ", 120 m along"},
		{"a break somewhere", "zone/hazel", alerts.Dead, alerts.Open, nil, "on hazel, between brook and the sensor at its far end, 240 m", ", past brook", ", past brook"},
		{"cause unknown", "zone/hazel", alerts.Dead, alerts.Unknown, nil, "on hazel, between brook and the sensor at its far end, 240 m", "", ""},
		{"a silent sensor", "zone/hazel", alerts.Silent, alerts.SensorSilent, nil, "the sensor at the far end of hazel", "", ""},
		{"growth", "zone/lane", alerts.Growth, alerts.Vegetation, nil, "the 300 m of lane", "", ""},
		{"an energizer", "energizer/cartshed", alerts.Off, alerts.EnergizerOff, nil, "", "", ""},
		{"the farm", farm.Site, alerts.Silent, alerts.LinkLost, nil, "", "", ""},
		{"a zone that is gone", "zone/gone", alerts.Dead, alerts.Open, nil, "", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := trouble(tt.source, tt.c, tt.cause, alerts.High)
			if tt.change != nil {
				tt.change(&f)
			}
			if got := w.place(f); got != tt.place {
				t.Errorf("place %q, want %q", got, tt.place)
			}
			if got := w.where(f); got != (spot{tt.long, tt.short}) {
				t.Errorf("where %+v, want %q and %q", got, tt.long, tt.short)
			}
		})
	}
}

// Nobody is sent to a sensor that does not exist, nor only along its zone where the fault may lie behind that.
func TestPlaceWithoutASensor(t *testing.T) {
	for _, tt := range []struct {
		name  string
		zone  int
		lane  string // what feeds lane
		place string
	}{
		{"the wire leads on", 1, "hazel", "on hazel, between brook and its far end, 240 m, or on the zone behind it: hazel has no sensor"},
		{"it ends", 2, "hazel", "on lane, between hazel and its far end, 300 m"},
		{"it forks", 0, "brook", "on brook, between cartshed and its far end, 180 m"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := words{cfg: testConfig(t)}
			z := w.cfg.Farm.Zones
			z[tt.zone].Sensor, z[2].FedBy = farm.Sensor{}, tt.lane
			if got := w.place(trouble(z[tt.zone].Source(), alerts.Dead, alerts.Open, alerts.High)); got != tt.place {
				t.Errorf("place %q, want %q", got, tt.place)
			}
		})
	}
}

func TestVoltsAreSaidWhereTheyMatter(t *testing.T) {
	w := words{cfg: testConfig(t)}
	for _, tt := range []struct {
		name   string
		source farm.Source
		c      alerts.Condition
		kv     *float64
		want   string
	}{
		{"low, with its minimum", "zone/brook", alerts.Low, new(1.84), ", 1.8 kV, needs 2.5"},
		{"dead", "zone/brook", alerts.Dead, new(0.0), ", 0.0 kV"},
		{"not known", "zone/brook", alerts.Dead, nil, ""},
		{"silent: an old reading would mislead", "zone/brook", alerts.Silent, new(6.0), ""},
		{"wrong: so is its reading", "zone/brook", alerts.FaultySensor, new(6.0), ""},
		{"off", "energizer/mill", alerts.Off, new(0.1), ""},
		{"weak", "energizer/mill", alerts.Weak, new(5.1), ", 5.1 kV"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := trouble(tt.source, tt.c, alerts.Unknown, alerts.High)
			f.KV = tt.kv
			if got := w.volts(f); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

func TestRiding(t *testing.T) {
	w := words{cfg: testConfig(t)}
	for _, tt := range []struct {
		name  string
		zones []string
		most  int
		want  string
	}{
		{"none", nil, 3, ""},
		{"one", []string{"hazel"}, 3, ", and hazel with it"},
		{"two", []string{"hazel", "lane"}, 3, ", and hazel and lane with it"},
		{"three", []string{"hazel", "lane", "mill"}, 3, ", and hazel, lane and mill with it"},
		{"too many to name", []string{"hazel", "lane", "mill", "top"}, 3, ", and 4 zones with it"},
		{"one, and no room for names", []string{"hazel"}, 0, ", and 1 zone with it"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := w.riding(alerts.Finding{Zones: tt.zones}, tt.most); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "a minute", 90 * time.Second: "2 min", 55 * time.Minute: "55 min", 119 * time.Minute: "119 min", 2 * time.Hour: "2 h",
		3*time.Hour + 25*time.Minute: "3 h", 47 * time.Hour: "47 h", 72 * time.Hour: "3 days",
	} {
		if got := span(d); got != want {
			t.Errorf("%s is %q, want %q", d, got, want)
		}
	}
}

// TestNoAdviceToTouch wants every piece of advice that sends hands to the wire to say first that it is to be off.
func TestNoAdviceToTouch(t *testing.T) {
	w := words{cfg: testConfig(t)}
	for _, cause := range []alerts.Cause{alerts.Open, alerts.Short, alerts.Joint, alerts.Vegetation, alerts.Unknown} {
		f := trouble("zone/brook", alerts.Dead, cause, alerts.High)
		off := false
		for _, step := range w.advice(f).long {
			off = off || len(step) > 10 && step[:10] == "Switch the"
		}
		if !off {
			t.Errorf("%s: %q does not say to switch off", cause, w.advice(f).long)
		}
	}
}
