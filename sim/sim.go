// Package sim lives through a season of an electric fence: weather, growth, stock, an ageing battery, faults and the
// keeper's work turn into peak voltages along the wire, and cheap sensors turn those into messages. It knows what was
// truly wrong and when. One seed gives one season. It shares no code with what reads the messages.
//
// The circuit is resistive: it holds peaks, not waveforms, so the wire's own capacity and inductance are left out.
package sim

import (
	"container/heap"
	"fmt"
	"iter"
	"slices"
	"time"

	"nightwire/ingest/farm"
)

// Options is what a season is made of.
type Options struct {
	Farm    *farm.Farm
	Start   time.Time
	Length  time.Duration
	Seed    uint64
	Climate Climate
	Grounds map[string]Ground      // by zone; what is not given is drawn from the seed
	Powers  map[string]Power       // by energizer
	Sensors map[farm.Source]Sensor // by what they stand on; the key "" stands in for the rest
	Faults  []Fault
	Acts    []Act
	// Shown is what a sound sensor's clock shows at a moment of the season; nil for that moment itself.
	Shown func(time.Time) time.Time
}

func (o *Options) strands(zone string) int { return max(1, len(o.Grounds[zone].WireMM)) }

// Message is what a sensor sent, as it reached the broker.
type Message struct {
	At      time.Time
	Topic   string
	Payload []byte
}

// Sim is a season under way.
type Sim struct {
	world   *world
	sensors []*sensor
	pending queue
	flaps   []*flap
	pushed  int // pushes before this one are over
	order   uint64

	faults []*Fault // at work at the last report
	live   []*Fault // those of them that touch the fence at that instant
	solved time.Time
	with   []*Fault // what the fence was last solved with
}

// solveEvery is how long a solution serves: nothing but faults, contacts and stock changes the fence faster.
const solveEvery = 30 * time.Second

// New prepares a season. Nothing runs until messages are asked for.
func New(o Options) (*Sim, error) {
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("prepare season: %w", err)
	}
	s := &Sim{world: newWorld(o)}
	for i := range o.Farm.Energizers {
		e := &o.Farm.Energizers[i]
		s.add(farm.EnergizerSource(e.Name), e.Sensor, -1, i)
		for _, z := range o.Farm.Feeding(e.Name) {
			s.add(z.Source(), z.Sensor, indexOf(o.Farm, z), i)
		}
	}
	for i := range o.Faults {
		if o.Faults[i].Kind == Flapping {
			s.flaps = append(s.flaps, newFlap(&o.Faults[i], o.Seed, i))
		}
	}
	return s, nil
}

func indexOf(f *farm.Farm, z *farm.Zone) int {
	for i := range f.Zones {
		if &f.Zones[i] == z {
			return i
		}
	}
	return -1
}

func (s *Sim) add(on farm.Source, conf farm.Sensor, zone, source int) {
	if conf.Topic == "" {
		return
	}
	o := &s.world.opts
	q, ok := o.Sensors[on]
	if !ok {
		q = o.Sensors[""]
	}
	sn := newSensor(on, conf, q, o)
	sn.zone, sn.source = zone, source
	s.sensors = append(s.sensors, sn)
	s.schedule(sn)
}

// Messages yields the season's messages in the order they reach the broker, once.
func (s *Sim) Messages() iter.Seq[Message] {
	return func(yield func(Message) bool) {
		for m, ok := s.Next(); ok; m, ok = s.Next() {
			if !yield(m) {
				return
			}
		}
	}
}

// Next returns the next message, or false when the season is over.
func (s *Sim) Next() (Message, bool) {
	for len(s.pending) > 0 {
		e := heap.Pop(&s.pending).(event)
		if e.sensor == nil {
			return Message{At: e.at, Topic: e.topic, Payload: e.payload}, true
		}
		s.measure(e.sensor, e.at)
		s.schedule(e.sensor)
	}
	return Message{}, false
}

// schedule plans a sensor's next report.
func (s *Sim) schedule(sn *sensor) {
	at := sn.next.Add(time.Duration(sn.rng.Float64() * float64(sn.Jitter)))
	sn.next = sn.next.Add(sn.every - time.Duration(float64(sn.every)*sn.DriftPPM/1e6))
	if at.Before(s.world.opts.Start.Add(s.world.opts.Length)) {
		s.push(event{at: at, sensor: sn})
	}
}

func (s *Sim) push(e event) {
	s.order++
	e.order = s.order
	heap.Push(&s.pending, e)
}

// measure takes one report and sends it, unless something is in its way.
func (s *Sim) measure(sn *sensor, at time.Time) {
	s.faults = s.activeFaults(s.faults[:0], at)
	var stuck bool
	var link *Fault
	t := s.truth(sn, at)
	for _, f := range s.faults {
		switch {
		case f.Kind == LinkLost:
			link = f
		case f.On != sn.on:
		case f.Kind == SensorDead:
			return
		case f.Kind == SensorStuck:
			stuck = true
		case f.Kind == SensorGain:
			t.gain = 1 + (f.Level-1)*f.severity(at)
		case f.Kind == SensorOffset:
			t.offset = f.Level * f.severity(at)
		}
	}
	payload := s.payload(sn, t, stuck)
	if sn.lost() {
		return
	}
	arrives := at.Add(time.Duration((0.05 + 0.25*sn.rng.Float64()) * float64(time.Second)))
	if link != nil {
		if !link.Late || link.To.IsZero() {
			return
		}
		arrives = link.To.Add(time.Duration(sn.rng.Float64() * float64(20*time.Second)))
	}
	s.push(event{at: arrives, topic: sn.topic, payload: payload})
	if sn.rng.Float64() < sn.Duplicates {
		again := arrives.Add(time.Duration(sn.rng.ExpFloat64() * 5 * float64(time.Second)))
		s.push(event{at: again, topic: sn.topic, payload: payload})
	}
}

// payload writes the report; a stuck sensor measures its last voltage again and again.
func (s *Sim) payload(sn *sensor, t truth, stuck bool) []byte {
	if !stuck {
		sn.held = 0
		return sn.report(&t)
	}
	if sn.held == 0 {
		sn.held = sn.measure(&t) + 0.5 // so that a reading of zero is held too
	}
	return sn.report(&t)
}

func (s *Sim) activeFaults(to []*Fault, at time.Time) []*Fault {
	for i := range s.world.opts.Faults {
		if f := &s.world.opts.Faults[i]; f.active(at) {
			to = append(to, f)
		}
	}
	return to
}

// truth solves the fence for the moment a sensor reports.
func (s *Sim) truth(sn *sensor, at time.Time) truth {
	w := s.world
	s.live = s.live[:0]
	for _, f := range s.faults {
		if f.Kind != Flapping || s.touching(f, at) {
			s.live = append(s.live, f)
		}
	}
	s.solve(at)
	m := w.moment(at)
	t := truth{at: at, gain: 1, tempC: w.hours[m.hour].TempC, earthVolts: w.earthVolts[sn.source]}
	e := &w.opts.Farm.Energizers[sn.source]
	part := w.charge(sn.source, m, s.faults)
	_, slow := pulse(part)
	t.interval = time.Duration(float64(e.PulseEvery) * slow)
	if sn.zone >= 0 {
		t.volts = w.net.volts[w.net.zones[sn.zone].end]
		return t
	}
	t.volts = w.net.volts[w.net.energizers[sn.source].node]
	if e.Supply == farm.Battery {
		t.supply = supplyVolts(&w.sources[sn.source].power, part, &w.hours[m.hour])
	}
	return t
}

// solve works out the fence at a moment, unless the last solution still serves.
func (s *Sim) solve(at time.Time) {
	pushing := s.pushing(at)
	if len(pushing) == 0 && at.Sub(s.solved) < solveEvery && slices.Equal(s.live, s.with) {
		return
	}
	s.world.solve(at, state{faults: s.live, pushing: pushing})
	s.solved, s.with = at, append(s.with[:0], s.live...)
	if len(pushing) > 0 {
		s.solved = time.Time{}
	}
}

// pushing returns the pushes that may be going on at a moment.
func (s *Sim) pushing(at time.Time) []push {
	all := s.world.pushes
	for s.pushed < len(all) && !at.Before(all[s.pushed].to) {
		s.pushed++
	}
	end := s.pushed
	for end < len(all) && !all[end].from.After(at) {
		end++
	}
	return all[s.pushed:end]
}
