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

// oneZone is a fence of one clean zone on a strong energizer: its sensor's truth hardly moves.
func oneZone() Options {
	f := &farm.Farm{Energizers: []farm.Energizer{{
		Name: "e", Supply: farm.Mains, OpenVolts: 8000, SourceOhms: 100, PulseEvery: time.Second,
	}}}
	f.Zones = []farm.Zone{{Name: "z", FedBy: "e", LengthM: 100, OhmsPerKM: 30, MinimumVolts: 2000, Sensor: sensorOn("z")}}
	return Options{
		Farm: f, Start: may(1), Length: 10 * 24 * time.Hour, Seed: 5, Climate: Climate{Dry: []Spell{{0, 100}}},
		Grounds: map[string]Ground{"z": {DewShare: 1e-9, DrySiemen: 1e-9, OhmsRatio: 1}},
		Powers:  map[string]Power{"e": {OpenRatio: 1}},
	}
}

type report struct {
	at time.Time
	KV *float64
	V  *float64
	T  json.RawMessage

	Pulses     *int
	IntervalMS *int     `json:"interval_ms"`
	BatteryV   *float64 `json:"battery_v"`
	SupplyV    *float64 `json:"supply_v"`
	EarthKV    *float64 `json:"earth_kv"`
	RSSI       *float64
	Seq        *uint64
}

// reports runs a season and returns what topic said.
func reports(t *testing.T, o Options, topic string) []report {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	var out []report
	for m := range s.Messages() {
		if m.Topic != topic {
			continue
		}
		r := report{at: m.At}
		if err := json.Unmarshal(m.Payload, &r); err != nil {
			t.Fatalf("%s: %v", m.Payload, err)
		}
		out = append(out, r)
	}
	return out
}

func volts(rs []report) []float64 {
	var vs []float64
	for _, r := range rs {
		vs = append(vs, *r.KV*1000)
	}
	return vs
}

func meanAndSD(vs []float64) (mean, sd float64) {
	for _, v := range vs {
		mean += v / float64(len(vs))
	}
	for _, v := range vs {
		sd += (v - mean) * (v - mean) / float64(len(vs)-1)
	}
	return mean, math.Sqrt(sd)
}

func TestSensorGainAndNoise(t *testing.T) {
	o := oneZone()
	o.Sensors = map[farm.Source]Sensor{"": {Gain: 0.95, White: 0.01}}
	mean, sd := meanAndSD(volts(reports(t, o, "z")))
	near(t, "mean", mean, 8000*0.95, 0.002)
	near(t, "deviation", sd, 8000*0.95*0.01, 0.05)
}

// Slow noise remembers: with 40 minutes, readings a minute apart correlate by e^(−1/40).
func TestSensorWander(t *testing.T) {
	o := oneZone()
	o.Length = 50 * 24 * time.Hour
	o.Sensors = map[farm.Source]Sensor{"": {Gain: 1, Wander: 0.01}}
	vs := volts(reports(t, o, "z"))
	mean, sd := meanAndSD(vs)
	near(t, "deviation", sd, 80, 0.1)
	var cov float64
	for i := 40; i < len(vs); i++ {
		cov += (vs[i] - mean) * (vs[i-40] - mean) / float64(len(vs)-40)
	}
	near(t, "correlation at 40 minutes", cov/sd/sd, math.Exp(-1), 0.15)
}

func TestSensorResolution(t *testing.T) {
	o := oneZone()
	o.Sensors = map[farm.Source]Sensor{"": {White: 0.02, StepVolts: 100}}
	seen := map[float64]bool{}
	for _, v := range volts(reports(t, o, "z")) {
		if r := math.Mod(v, 100); r > 1e-6 && r < 100-1e-6 {
			t.Fatalf("%g V is no multiple of 100", v)
		}
		seen[v] = true
	}
	if len(seen) < 3 {
		t.Errorf("noise of 160 V gave only %d values", len(seen))
	}
}

func TestLossJitterAndDuplicates(t *testing.T) {
	o := oneZone()
	o.Length = 50 * 24 * time.Hour
	o.Sensors = map[farm.Source]Sensor{"": {Loss: 0.1, LossRun: 2, Duplicates: 0.05, Jitter: 10 * time.Second, Seq: true}}
	rs := reports(t, o, "z")
	times := map[uint64]int{}
	for _, r := range rs {
		times[*r.Seq]++
	}
	total := int(o.Length / time.Minute)
	near(t, "share lost", 1-float64(len(times))/float64(total), 0.1, 0.1)
	near(t, "share twice", float64(len(rs)-len(times))/float64(len(times)), 0.05, 0.15)
	runs, lost := 0, 0
	for seq := uint64(1); seq <= uint64(total); seq++ {
		if times[seq] == 0 {
			lost++
			if times[seq-1] > 0 {
				runs++
			}
		}
	}
	near(t, "mean run of lost messages", float64(lost)/float64(runs), 2, 0.15)
}

func TestStampsAndClocks(t *testing.T) {
	for _, stamp := range []Stamp{RFC3339, Unix, UnixMilli} {
		t.Run(string(stamp), func(t *testing.T) {
			o := oneZone()
			o.Sensors = map[farm.Source]Sensor{"": {Stamp: stamp, DriftPPM: 100, ClockOffset: 3 * time.Second}}
			rs := reports(t, o, "z")
			last := rs[len(rs)-1]
			ahead := parseStamp(t, stamp, last.T).Sub(last.at)
			// 100 ppm of ten days is 86.4 s; the message took up to 0.3 s.
			if want := 89400 * time.Millisecond; (ahead - want).Abs() > 1500*time.Millisecond {
				t.Errorf("after ten days the stamp is %v ahead, want %v", ahead, want)
			}
		})
	}
}

func parseStamp(t *testing.T, stamp Stamp, raw json.RawMessage) time.Time {
	t.Helper()
	if stamp == RFC3339 {
		at, err := time.Parse(`"`+time.RFC3339+`"`, string(raw))
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	var n int64
	if err := json.Unmarshal(raw, &n); err != nil {
		t.Fatal(err)
	}
	if stamp == Unix {
		return time.Unix(n, 0)
	}
	return time.UnixMilli(n)
}

func TestPayloads(t *testing.T) {
	o := oneZone()
	o.Length = time.Hour
	first := func(s Sensor) string {
		o.Sensors = map[farm.Source]Sensor{"": s}
		sm, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		m, ok := sm.Next()
		if !ok {
			t.Fatal("no message")
		}
		return string(m.Payload)
	}
	if got := first(Sensor{Payload: V, NoPulses: true, Gain: 1}); !strings.HasPrefix(got, `{"v":79`) && got != `{"v":8000}` {
		t.Errorf("payload %s, want the volts", got)
	}
	if got := first(Sensor{Payload: Number, Gain: 1}); !strings.HasPrefix(got, "7.9") && got != "8.000" {
		t.Errorf("payload %s, want the bare kilovolts", got)
	}
	if got := first(Sensor{Gain: 1, RSSI: -70, Seq: true, BatteryDays: 300}); !strings.Contains(got, `"battery_v":3.59`) ||
		!strings.Contains(got, `"rssi":-`) || !strings.Contains(got, `"seq":1`) || !strings.Contains(got, `"interval_ms":1000`) {
		t.Errorf("payload %s lacks what the sensor should send", got)
	}
}

// during runs a season with a fault from May 3 to 5, and returns the reports before, during and after it.
func during(t *testing.T, o Options, f Fault) (before, inside, after []report) {
	t.Helper()
	f.From, f.To = may(3), may(5)
	o.Faults = []Fault{f}
	for _, r := range reports(t, o, "z") {
		switch {
		case r.at.Before(f.From):
			before = append(before, r)
		case r.at.Before(f.To):
			inside = append(inside, r)
		default:
			after = append(after, r)
		}
	}
	return before, inside, after
}

func TestSensorFaults(t *testing.T) {
	o := oneZone()
	o.Sensors = map[farm.Source]Sensor{"": {Gain: 1, White: 0.01}}
	z := o.Farm.Zones[0].Source()
	if _, inside, after := during(t, o, Fault{Kind: SensorDead, On: z}); len(inside) > 1 || len(after) < 1000 {
		t.Errorf("a dead sensor sent %d reports, and %d when mended", len(inside), len(after))
	}
	_, inside, _ := during(t, o, Fault{Kind: SensorStuck, On: z})
	if vs := volts(inside[1:]); slices.Max(vs) != slices.Min(vs) {
		t.Errorf("a stuck sensor read %g to %g V", slices.Min(vs), slices.Max(vs))
	}
	_, inside, after := during(t, o, Fault{Kind: SensorGain, On: z, Level: 0.7})
	mean, _ := meanAndSD(volts(inside))
	near(t, "mean at a wrong gain", mean, 5600, 0.01)
	mean, _ = meanAndSD(volts(after))
	near(t, "mean when mended", mean, 8000, 0.01)
	_, inside, _ = during(t, o, Fault{Kind: SensorOffset, On: z, Level: -1000})
	mean, _ = meanAndSD(volts(inside))
	near(t, "mean with an offset", mean, 7000, 0.01)
}

func TestLostLink(t *testing.T) {
	o := oneZone()
	o.Sensors = map[farm.Source]Sensor{"": {Stamp: UnixMilli}}
	if _, inside, _ := during(t, o, Fault{Kind: LinkLost, On: farm.Site}); len(inside) > 1 {
		t.Errorf("%d messages over a lost link", len(inside))
	}
	_, inside, after := during(t, o, Fault{Kind: LinkLost, On: farm.Site, Late: true})
	burst := 0
	for _, r := range after {
		if parseStamp(t, UnixMilli, r.T).Before(may(5)) {
			burst++
			if r.at.After(may(5).Add(25 * time.Second)) {
				t.Errorf("a late report came at %v", r.at)
			}
		}
	}
	if len(inside) > 1 || burst < 2870 {
		t.Errorf("%d messages over a lost link, and %d late after it, want all 2,880", len(inside), burst)
	}
}
