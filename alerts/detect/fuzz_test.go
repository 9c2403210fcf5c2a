package detect_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// gaps are the steps of time between two readings of a random stream.
var gaps = [...]time.Duration{0, time.Second, 5 * time.Second, 12 * time.Second, 12 * time.Second, 12 * time.Second, time.Minute, 10 * time.Minute, 3 * time.Hour, 26 * time.Hour, -2 * time.Second, 40 * 24 * time.Hour}

// levels are volts that mean something to the detectors; the bytes of a stream choose among them and add to them.
var levels = [...]float64{0, 0, 140, 490, 510, 1500, 2400, 2500, 2600, 4000, 6500, 7400, 7800, 8200, 12_900, 29_000}

// randomReading makes a reading of five bytes and moves the clock on.
func randomReading(f *farm.Farm, ids []pulse.SensorID, b []byte, now *time.Time) pulse.Reading {
	*now = now.Add(gaps[int(b[0])%len(gaps)])
	r := pulse.Reading{Sensor: ids[int(b[1])%len(ids)], Arrived: *now}
	stamp := *now
	switch b[1] >> 5 {
	case 5:
		stamp = now.Add(-time.Duration(b[4]) * 30 * time.Second) // late, or a slow clock
	case 6:
		stamp = now.Add(time.Duration(b[4]) * 2 * time.Second) // fast
	case 7:
		stamp = time.Unix(int64(b[4])*1e7, 0) // no clock
	}
	r.At = pulse.Stamp(stamp, r.Arrived)
	v := levels[int(b[2])%len(levels)] * (1 + (float64(b[3])-128)/2560)
	field := pulse.Volts
	if b[2] >= 224 {
		field = pulse.Field(b[3]) % pulse.NumFields
	}
	if pulse.Check(field, v) == nil {
		r.Set(field, v)
	}
	if b[2]%32 == 31 {
		r.Set(pulse.SupplyVolts, float64(b[4])/10)
		r.Set(pulse.IntervalMS, float64(b[3])*20)
		r.Set(pulse.EarthVolts, float64(b[4])*8)
	}
	return r
}

// playBytes gives the stream that the bytes stand for to a watch, with a tick, a save or an act here and there, and
// returns what is wrong with its events.
func playBytes(t testing.TB, data []byte) []string {
	f := twoSheds()
	f.Zones[3].JoinedTo = "lane" // a loop
	f.Zones[1].Sensor = farm.Sensor{}
	ids := []pulse.SensorID{"alder-bank/energizer/cartshed", "alder-bank/zone/brook", "alder-bank/zone/lane", "alder-bank/zone/orchard",
		"alder-bank/energizer/barn", "alder-bank/zone/meadow", "alder-bank/zone/bank", "alder-bank/zone/nowhere"}
	w := newWatch(t, f)
	now := start
	var events []alerts.Event
	for ; len(data) >= 5; data = data[5:] {
		r := randomReading(f, ids, data, &now)
		switch data[3] {
		case 1:
			events = append(events, w.Tick(now)...)
		case 2:
			w = reborn(t, f, w)
		case 3:
			events = append(events, w.Tell(alerts.Action{Time: now, Kind: alerts.Trimmed, Source: "zone/lane"})...)
		case 4:
			events = append(events, w.Tell(alerts.Action{Time: now, Kind: alerts.Restrung, Source: farm.Site})...)
		case 5:
			w.Resume(now)
		default:
			events = append(events, w.Observe(r)...)
		}
		if next := w.Next(); !next.IsZero() && next.Before(start) {
			return []string{fmt.Sprintf("next is due at %s", next)}
		}
	}
	return unsound(f, events)
}

// FuzzObserve looks for a stream of readings that makes the watch panic or say something that cannot be.
func FuzzObserve(f *testing.F) {
	for seed := range uint64(6) {
		f.Add(randomStream(seed, 400))
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, s := range playBytes(t, data[:min(len(data), 20_000)]) {
			t.Error(s)
		}
	})
}

// randomStream draws a stream in which each sensor stays at a level for a while, so that levels, alarms and their ends
// come about.
func randomStream(seed uint64, readings int) []byte {
	rng := rand.New(rand.NewPCG(seed, 77))
	var out []byte
	var level [256]byte
	for i := range level {
		level[i] = byte(rng.IntN(224))
	}
	for n := range readings {
		gap, sensor := byte(3+rng.IntN(3)), byte(n%7)
		if rng.IntN(60) == 0 {
			gap = byte(rng.IntN(256))
		}
		if rng.IntN(50) == 0 {
			sensor = byte(rng.IntN(256))
		}
		if rng.IntN(80) == 0 {
			level[sensor] = byte(rng.IntN(256))
		}
		if rng.IntN(400) == 0 { // the whole fence
			for i := range level[:8] {
				level[i] = byte(rng.IntN(256))
			}
		}
		out = append(out, gap, sensor, level[sensor], byte(118+rng.IntN(20)), byte(rng.IntN(256)))
		if rng.IntN(300) == 0 {
			out[len(out)-2] = byte(rng.IntN(8))
		}
	}
	return out
}

// Random streams, longer than the fuzzer's, never end in an unsound event; and they do end in many.
func TestRandomReadings(t *testing.T) {
	streams := 10
	if testing.Short() {
		streams = 3
	}
	for seed := range uint64(streams) {
		for _, s := range playBytes(t, randomStream(1000+seed, 3000)) {
			t.Errorf("seed %d: %s", seed, s)
		}
	}
}

// FuzzMemory gives anything for a memory to a watch that knows something. What is refused leaves it as it was; what is
// taken up is saved as the very same, and the watch goes on soundly. Where resum is set the checksum is made right, so
// that the look at version, farm and layout is reached.
func FuzzMemory(f *testing.F) {
	farm := twoSheds()
	known := remembered(f, 300)
	for readings := range 4 {
		f.Add(remembered(f, 200*readings), false)
	}
	f.Add([]byte(`{"Sum":0,"Saved":{}}`), true)
	f.Add([]byte(`{"Sum":0,"Saved":{"Version":3,"Farm":"alder-bank","Tracks":null,"Fences":{"cartshed":null}}}`), true)
	f.Fuzz(func(t *testing.T, data []byte, resum bool) {
		if resum {
			data = withSum(data)
		}
		w := newWatch(t, farm)
		if err := w.UnmarshalBinary(known); err != nil {
			t.Fatal(err)
		}
		err := w.UnmarshalBinary(data)
		after, saved := w.MarshalBinary()
		if saved != nil {
			t.Fatal(saved)
		}
		if err != nil && !bytes.Equal(after, known) {
			t.Fatalf("refused with %v, and the watch is not as it was", err)
		}
		again := newWatch(t, farm)
		if err := again.UnmarshalBinary(after); err != nil {
			t.Fatalf("what it saves it does not take up: %v", err)
		}
		if twice, err := again.MarshalBinary(); err != nil || !bytes.Equal(twice, after) {
			t.Fatalf("a memory taken up and saved again is another one: %v", err)
		}
	})
}

// remembered returns the memory of a watch that has heard so many random readings.
func remembered(t testing.TB, readings int) []byte {
	f := twoSheds()
	w := newWatch(t, f)
	now := start
	for data := randomStream(uint64(readings), readings); len(data) >= 5; data = data[5:] {
		w.Observe(randomReading(f, []pulse.SensorID{detect.SensorID(f, "zone/brook"), detect.SensorID(f, "zone/meadow")}, data, &now))
	}
	memory, err := w.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	return memory
}

// withSum makes the checksum of a memory right, where it is one.
func withSum(data []byte) []byte {
	var m struct {
		Sum   uint32
		Saved json.RawMessage
	}
	if json.Unmarshal(data, &m) != nil {
		return data
	}
	m.Sum = crc32.ChecksumIEEE(m.Saved)
	text, err := json.Marshal(m)
	if err != nil {
		return data
	}
	return text
}
