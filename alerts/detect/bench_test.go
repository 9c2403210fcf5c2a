package detect_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

// span is the wire of one zone: what it is made of and what is wrong with it.
type span struct {
	parent int     // -1 when the energizer feeds it
	ohms   float64 // end to end
	leak   float64 // siemens, over its whole length

	short   float64 // siemens to earth at part
	parted  bool    // no wire past part; a short stays on the side of the energizer
	inLine  float64 // ohms more at part
	part    float64 // 0 at the zone's start, 1 at its end
	ratios  [pieces]float64
	siemens float64 // into its start
}

// pieces is how many lumps stand for the evenly leaking wire of a span.
const pieces = 20

// wire is a fence in lumps, worked out from the far ends back and forth again. It shares nothing with the code that
// reads it.
type wire struct {
	open, source float64 // volts, ohms
	spans        []span
}

// newWire strings the fence of one energizer, leaking so many siemens a kilometre. Zones stand after what feeds them.
func newWire(f *farm.Farm, energizer string, leak float64) *wire {
	e := f.Energizer(energizer)
	w := &wire{open: e.OpenVolts, source: e.SourceOhms + e.EarthOhms}
	at := map[string]int{}
	for _, z := range f.Zones {
		p, ok := at[z.FedBy]
		if !ok {
			if z.FedBy != energizer {
				continue
			}
			p = -1
		}
		at[z.Name] = len(w.spans)
		w.spans = append(w.spans, span{parent: p, ohms: z.Ohms(), leak: leak * z.LengthM / 1000})
	}
	return w
}

// volts writes the peak at the energizer and at each span's end into dst.
func (w *wire) volts(dst []float64) {
	ends := dst[1:]
	clear(ends)
	into := 0.0
	for i := len(w.spans) - 1; i >= 0; i-- {
		s := &w.spans[i]
		s.siemens = s.inward(ends[i])
		if s.parent < 0 {
			into += s.siemens
		} else {
			ends[s.parent] += s.siemens
		}
	}
	dst[0] = w.open / (1 + w.source*into)
	for i := range w.spans {
		s := &w.spans[i]
		v := dst[s.parent+1]
		for _, r := range s.ratios {
			v *= r
		}
		ends[i] = v
	}
}

// inward returns the siemens into the span's start with behind at its end, and sets what each lump leaves of the volts.
func (s *span) inward(behind float64) float64 {
	g, each := behind, s.leak/pieces/2
	fault := min(int(s.part*pieces), pieces-1)
	for k := pieces - 1; k >= 0; k-- {
		ohms := s.ohms / pieces
		g += each
		s.ratios[k] = 1
		if k == fault {
			ohms += s.inLine
			if s.parted {
				g, s.ratios[k] = 0, 0
			}
		}
		s.ratios[k] /= 1 + g*ohms
		g = g/(1+g*ohms) + each
		if k == fault {
			g += s.short
		}
	}
	return g
}

// mend takes every fault off the wire and leaves its leakage.
func (w *wire) mend() {
	for i := range w.spans {
		s := &w.spans[i]
		s.short, s.parted, s.inLine, s.part = 0, false, 0, 0
	}
}

// device is one sensor of a bench.
type device struct {
	source farm.Source
	id     pulse.SensorID
	wire   *wire
	node   int
	every  time.Duration
	next   time.Time
	gain   float64
}

// bench plays a fence to a watch, reading by reading. Tests change its wires between runs, or while it runs.
type bench struct {
	t       testing.TB
	farm    *farm.Farm
	watch   *detect.Watch
	rng     *rand.Rand
	now     time.Time
	noise   float64 // relative standard deviation of one reading
	wires   map[string]*wire
	devices []*device
	volts   []float64
	events  []alerts.Event

	while func(now time.Time)                    // before each reading, when set
	alter func(d *device, r *pulse.Reading) bool // false keeps the reading from being sent, when set
}

func newBench(t testing.TB, f *farm.Farm) *bench {
	t.Helper()
	b := &bench{t: t, farm: f, watch: newWatch(t, f), rng: rand.New(rand.NewPCG(11, 12)), now: start, noise: 0.006,
		wires: map[string]*wire{}, volts: make([]float64, len(f.Zones)+1)}
	for i := range f.Energizers {
		e := &f.Energizers[i]
		w := newWire(f, e.Name, 1e-4)
		b.wires[e.Name] = w
		b.add(e.Source(), e.Sensor, w, 0)
		for k, z := range f.Feeding(e.Name) {
			b.add(z.Source(), z.Sensor, w, k+1)
		}
	}
	return b
}

// add gives a thing its sensor; each reports at its own second of the minute.
func (b *bench) add(s farm.Source, sensor farm.Sensor, w *wire, node int) {
	if sensor.Topic == "" {
		return
	}
	gain := 1 + 0.03*b.rng.NormFloat64()
	next := start.Add(sensor.Every * time.Duration(len(b.devices)%7) / 7)
	b.devices = append(b.devices, &device{source: s, id: detect.SensorID(b.farm, s), wire: w, node: node, every: sensor.Every, next: next, gain: gain})
}

// zone returns the span of the zone called name; the bench must have one energizer that feeds it.
func (b *bench) zone(name string) *span {
	b.t.Helper()
	for e, w := range b.wires {
		i := slices.IndexFunc(b.farm.Feeding(e), func(z *farm.Zone) bool { return z.Name == name })
		if i >= 0 {
			return &w.spans[i]
		}
	}
	b.t.Fatalf("the bench has no zone %s", name)
	return nil
}

// run plays on for so long and returns what was said meanwhile.
func (b *bench) run(d time.Duration) []alerts.Event {
	b.t.Helper()
	end, from := b.now.Add(d), len(b.events)
	for {
		next := slices.MinFunc(b.devices, func(x, y *device) int { return x.next.Compare(y.next) })
		if !next.next.Before(end) {
			break
		}
		b.now = next.next
		next.next = next.next.Add(next.every)
		if b.while != nil {
			b.while(b.now)
		}
		b.say(next)
	}
	b.now = end
	b.events = append(b.events, b.watch.Tick(end)...)
	return b.events[from:]
}

// say sends one reading.
func (b *bench) say(d *device) {
	d.wire.volts(b.volts[:len(d.wire.spans)+1])
	v := b.volts[d.node] * d.gain * (1 + b.noise*b.rng.NormFloat64())
	if v < 150 {
		v = 0
	}
	r := pulse.Reading{Sensor: d.id, At: b.now, Arrived: b.now}
	r.Set(pulse.Volts, math.Round(v/10)*10)
	if b.alter != nil && !b.alter(d, &r) {
		return
	}
	b.events = append(b.events, b.watch.Observe(r)...)
}

// alarms returns what was said, gathered by alarm, after holding every event against the rules that all obey.
func (b *bench) alarms() []*told {
	b.t.Helper()
	mustBeSound(b.t, b.farm, b.events)
	return gather(b.events)
}

// show lists the newest of what was said, for a failure.
func (b *bench) show() {
	b.t.Helper()
	for _, e := range b.events[max(0, len(b.events)-30):] {
		b.t.Log(e.Time.Format("01-02 15:04:05"), e.Kind, e.ID, e.Source, e.Condition, e.Cause, e.Priority, e.Zones, "|", e.Text, e.Evidence)
	}
}

// only returns the single alarm that was raised, failing the test when there was another or none.
func (b *bench) only() *told {
	b.t.Helper()
	all := b.alarms()
	if len(all) != 1 {
		b.show()
		b.t.Fatalf("%d alarms, want one", len(all))
	}
	return all[0]
}

// about returns the single alarm that began as c of source, failing the test when there was another such or none.
func (b *bench) about(source farm.Source, c alerts.Condition) *told {
	b.t.Helper()
	all := slices.DeleteFunc(b.alarms(), func(a *told) bool { return a.first().Source != source || a.first().Condition != c })
	if len(all) != 1 {
		b.show()
		b.t.Fatalf("%d alarms of %s as %s, want one", len(all), source, c)
	}
	return all[0]
}

// quiet fails the test when anything was said.
func (b *bench) quiet() {
	b.t.Helper()
	if len(b.events) > 0 {
		b.show()
		b.t.Fatalf("%d events, want none", len(b.events))
	}
}

// last returns the newest event of the alarm.
func (a *told) last() alerts.Event { return a.events[len(a.events)-1] }

// The bench's own circuit against the closed form of the uniform leaky line: an open end has the volts of the start
// over cosh x, and the start sees x·tanh(x)/ohms.
func TestBenchWire(t *testing.T) {
	for _, tt := range []struct {
		name       string
		ohms, leak float64
	}{{"clean", 800, 2e-5}, {"grown", 800, 1e-3}, {"steel", 6, 1e-3}} {
		t.Run(tt.name, func(t *testing.T) {
			w := &wire{open: 8000, source: 400, spans: []span{{parent: -1, ohms: tt.ohms, leak: tt.leak}}}
			v := make([]float64, 2)
			w.volts(v)
			x := math.Sqrt(tt.ohms * tt.leak)
			want := 8000 / (1 + 400*x*math.Tanh(x)/tt.ohms)
			if math.Abs(v[0]/want-1) > 1e-3 || math.Abs(v[1]*math.Cosh(x)/want-1) > 1e-3 {
				t.Errorf("%.0f V at the start and %.0f at the end, want %.0f and %.0f", v[0], v[1], want, want/math.Cosh(x))
			}
		})
	}
}
