package sim

import (
	"math"
	"math/rand/v2"
	"strconv"
	"time"

	"nightwire/ingest/farm"
)

// Sensor is how well a sensor measures and reports. Zero fields are the ideal, but for those with a default.
type Sensor struct {
	Gain         float64       // reads this times the truth; 0 draws it from GainSpread
	GainSpread   float64       // standard deviation of the gain around 1
	PerC         float64       // change of gain per degree off 15 °C
	White        float64       // noise from reading to reading, as a share of the reading
	Wander       float64       // slow noise, the same
	WanderTime   time.Duration // how long slow noise remembers; default 40 min
	StepVolts    float64       // resolution
	FloorVolts   float64       // under this it sees no pulse
	Glitch       float64       // share of readings that miss the peak and come out anywhere under it
	Loss         float64       // share of messages that never arrive
	LossRun      float64       // mean length of a run of lost messages; default 1
	Jitter       time.Duration // spread of the reporting time
	Duplicates   float64       // share of messages that come twice
	DriftPPM     float64       // of the sensor's clock
	ClockOffset  time.Duration
	Stamp        Stamp
	Seq          bool
	Payload      Payload
	NoPulses     bool    // leaves pulses and interval_ms out
	BatteryDays  float64 // how long its battery lasts; 0 sends no battery_v
	RSSI         float64 // dBm, 0 sends none
	EarthReading bool    // an energizer's sensor that also reads the stakes
	NoSupply     bool    // an energizer's sensor that does not read the battery
}

// Stamp says how a sensor writes the time.
type Stamp string

// The stamps.
const (
	NoStamp   Stamp = ""
	RFC3339   Stamp = "rfc3339"
	Unix      Stamp = "unix"
	UnixMilli Stamp = "unix-ms"
)

// Payload says how a sensor writes its reading.
type Payload string

// The payloads.
const (
	KV     Payload = ""       // a JSON object with kv
	V      Payload = "v"      // a JSON object with v
	Number Payload = "number" // the bare kilovolts
)

// sensor is one sensor at work.
type sensor struct {
	Sensor
	rng    *rand.Rand
	on     farm.Source
	topic  string
	every  time.Duration
	zone   int // index, or −1
	source int // index of the energizer it stands on or hangs behind

	next    time.Time // of the next report by its own schedule, jitter left out
	last    time.Time
	wander  float64
	losing  bool
	seq     uint64
	held    float64 // what a stuck sensor goes on reading; 0 while it is sound
	pulses  float64
	started time.Time
	shown   func(time.Time) time.Time
}

func newSensor(on farm.Source, conf farm.Sensor, q Sensor, o *Options) *sensor {
	s := &sensor{Sensor: q, rng: rngFor(o.Seed, "sensor "+string(on)), on: on, topic: conf.Topic, every: conf.Every}
	if s.WanderTime <= 0 {
		s.WanderTime = 40 * time.Minute
	}
	spread := s.rng.NormFloat64()
	if s.Gain == 0 {
		s.Gain = 1 + s.GainSpread*min(2, max(-2, spread))
	}
	s.started = o.Start
	if s.shown = o.Shown; s.shown == nil {
		s.shown = func(at time.Time) time.Time { return at }
	}
	s.last = o.Start
	s.next = o.Start.Add(time.Duration(s.rng.Float64() * float64(s.every)))
	s.wander = s.rng.NormFloat64()
	return s
}

// truth is what a sensor stands in at one moment.
type truth struct {
	at         time.Time
	volts      float64
	earthVolts float64
	interval   time.Duration
	supply     float64
	tempC      float64
	gain       float64 // of a fault on the sensor, 1 for none
	offset     float64
}

// measure returns what the sensor reads.
func (s *sensor) measure(t *truth) float64 {
	since := t.at.Sub(s.last)
	a := math.Exp(-float64(since) / float64(s.WanderTime))
	s.wander = a*s.wander + math.Sqrt(1-a*a)*s.rng.NormFloat64()
	noise := s.Wander*s.wander + s.White*s.rng.NormFloat64()
	gain := s.Gain * (1 + s.PerC*(t.tempC-15)) * t.gain
	v := t.volts*gain*(1+noise) + t.offset
	if s.Glitch > 0 && s.rng.Float64() < s.Glitch {
		v *= s.rng.Float64()
	}
	if v < s.FloorVolts {
		v = 0
	}
	if s.StepVolts > 0 {
		v = math.Round(v/s.StepVolts) * s.StepVolts
	}
	return max(0, v)
}

// report writes the payload for one moment.
func (s *sensor) report(t *truth) []byte {
	v := s.measure(t)
	if s.held > 0 {
		v = math.Floor(s.held)
	}
	if v > 0 && t.interval > 0 {
		s.pulses += float64(t.at.Sub(s.last)) / float64(t.interval)
	}
	s.last = t.at
	s.seq++
	if s.Payload == Number {
		return strconv.AppendFloat(nil, v/1000, 'f', 3, 64)
	}
	b := make([]byte, 0, 128)
	if s.Payload == V {
		b = strconv.AppendFloat(append(b, `{"v":`...), v, 'f', 0, 64)
	} else {
		b = strconv.AppendFloat(append(b, `{"kv":`...), math.Round(v)/1000, 'f', -1, 64)
	}
	if !s.NoPulses {
		whole := math.Floor(s.pulses)
		s.pulses -= whole
		b = strconv.AppendInt(append(b, `,"pulses":`...), int64(whole), 10)
		if whole > 0 {
			b = strconv.AppendInt(append(b, `,"interval_ms":`...), t.interval.Milliseconds(), 10)
		}
	}
	b = s.upkeep(b, t)
	return append(b, '}')
}

// upkeep adds what is not about the wire.
func (s *sensor) upkeep(b []byte, t *truth) []byte {
	if t.supply > 0 && !s.NoSupply {
		b = strconv.AppendFloat(append(b, `,"supply_v":`...), math.Round(t.supply*100+s.rng.NormFloat64())/100, 'f', -1, 64)
	}
	if s.EarthReading {
		kv := math.Round(t.earthVolts*(1+0.03*s.rng.NormFloat64())/10) / 100
		b = strconv.AppendFloat(append(b, `,"earth_kv":`...), kv, 'f', -1, 64)
	}
	if s.BatteryDays > 0 {
		b = strconv.AppendFloat(append(b, `,"battery_v":`...), s.cellVolts(t), 'f', -1, 64)
	}
	if s.RSSI != 0 {
		b = strconv.AppendInt(append(b, `,"rssi":`...), int64(math.Round(s.RSSI+3*s.rng.NormFloat64())), 10)
	}
	if s.Seq {
		b = strconv.AppendUint(append(b, `,"seq":`...), s.seq, 10)
	}
	clock := s.shown(t.at).Add(s.ClockOffset + time.Duration(float64(t.at.Sub(s.started))*s.DriftPPM/1e6))
	switch s.Stamp {
	case RFC3339:
		b = append(clock.UTC().AppendFormat(append(b, `,"t":"`...), "2006-01-02T15:04:05.000Z"), '"')
	case Unix:
		b = strconv.AppendInt(append(b, `,"t":`...), clock.Unix(), 10)
	case UnixMilli:
		b = strconv.AppendInt(append(b, `,"t":`...), clock.UnixMilli(), 10)
	}
	return b
}

// cellVolts is a lithium cell's: flat at 3.6 V for most of its life, then down to 2.7 V; a little less in the cold.
func (s *sensor) cellVolts(t *truth) float64 {
	used := t.at.Sub(s.started).Hours() / 24 / s.BatteryDays
	v := 3.6 - 0.1*used - 0.8*math.Pow(max(0, used-0.8)/0.2, 2) + 0.002*(t.tempC-15)
	return math.Round(max(0, v)*100) / 100
}

// lost draws whether a message is lost, in runs whose mean length is LossRun.
func (s *sensor) lost() bool {
	if s.Loss <= 0 {
		return false
	}
	run := max(1, s.LossRun)
	u := s.rng.Float64()
	if s.losing {
		s.losing = u > 1/run
	} else {
		s.losing = u < s.Loss/(1-s.Loss)/run
	}
	return s.losing
}
