package sim

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"nightwire/ingest/farm"
)

// world is the fence through the season, without sensors: what every hour does to leaks and sources, worked out once,
// and the circuit that turns one moment of it into volts.
type world struct {
	opts    Options
	net     *network
	hours   []Hour
	zones   []zoneYear
	sources []sourceYear
	pushes  []push
	sound   []float64 // siemens of every edge with nothing wrong

	earthVolts []float64 // of the last solve, by energizer
}

// zoneYear is one zone hour by hour.
type zoneYear struct {
	ground   Ground
	heightMM []float64
	even     []float64   // siemens per kilometre and strand
	growth   [][]float64 // by strand, then hour
	wet      []float64
}

// sourceYear is one energizer hour by hour.
type sourceYear struct {
	power Power
	part  []float64 // charge of the battery; 1 on the mains
	ohms  []float64 // of the stakes
}

// push is stock leaning on a zone's wire for a short while.
type push struct {
	from, to time.Time
	zone     int
	atM      float64
	siemens  float64
}

// rngFor gives each thing its own stream, so that one more sensor changes no one else's luck.
func rngFor(seed uint64, what string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(what))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

func newWorld(o Options) *world {
	w := &world{opts: o, earthVolts: make([]float64, len(o.Farm.Energizers))}
	count := int(o.Length/time.Hour) + 1
	w.hours = drawWeather(o.Climate, o.Start, count, rngFor(o.Seed, "weather"))
	for i := range o.Farm.Zones {
		w.zones = append(w.zones, w.zoneYear(&o.Farm.Zones[i]))
		w.pushes = append(w.pushes, w.drawPushes(i)...)
	}
	slices.SortFunc(w.pushes, func(a, b push) int { return a.from.Compare(b.from) })
	for i := range o.Farm.Energizers {
		w.sources = append(w.sources, w.sourceYear(&o.Farm.Energizers[i]))
	}
	w.wire()
	return w
}

// wire builds the circuit with a joint wherever a fault will sit.
func (w *world) wire() {
	places := map[string][]float64{}
	for _, f := range w.opts.Faults {
		if z := zoneOf(w.opts.Farm, f.On); z != nil && f.Kind.onWire() && !slices.Contains(places[z.Name], f.AtM) {
			places[z.Name] = append(places[z.Name], f.AtM)
		}
	}
	patches := map[string]*rand.Rand{}
	patch := func(zone string) float64 {
		if patches[zone] == nil {
			patches[zone] = rngFor(w.opts.Seed, "patch "+zone)
		}
		return math.Exp(max(0, w.ground(zone).Patchy) * patches[zone].NormFloat64())
	}
	w.net = build(w.opts.Farm, w.opts.strands, places, patch)
	for _, e := range w.net.edges {
		w.sound = append(w.sound, e.siemens)
	}
	for i := range w.net.zones {
		for _, st := range w.net.zones[i].strands {
			for _, sp := range st.spans {
				w.sound[sp.edge] /= w.zones[i].ground.OhmsRatio
			}
		}
	}
}

func (w *world) ground(zone string) *Ground {
	i := slices.IndexFunc(w.opts.Farm.Zones, func(z farm.Zone) bool { return z.Name == zone })
	return &w.zones[i].ground
}

// zoneYear grows one zone through the season.
func (w *world) zoneYear(z *farm.Zone) zoneYear {
	g := w.opts.Grounds[z.Name].withDefaults(rngFor(w.opts.Seed, "ground "+z.Name))
	y := zoneYear{ground: g, growth: make([][]float64, len(g.WireMM))}
	climate := w.opts.Climate.withDefaults()
	mm := g.StartMM
	for i := range w.hours {
		at := w.opts.Start.Add(time.Duration(i) * time.Hour)
		h := &w.hours[i]
		mm = w.trimmed(z.Name, at, mm)
		y.heightMM = append(y.heightMM, mm)
		y.wet = append(y.wet, wetness(&g, h))
		y.even = append(y.even, evenLeak(&g, h, len(g.WireMM)))
		for s, wire := range g.WireMM {
			y.growth[s] = append(y.growth[s], growthLeak(&g, h, mm, wire))
		}
		mm = grow(&g, climate, at, h, mm)
	}
	return y
}

// trimmed returns the height after what the keeper cut in the hour up to at.
func (w *world) trimmed(zone string, at time.Time, mm float64) float64 {
	for _, a := range w.opts.Acts {
		if a.Zone != zone || a.Kind == TakeDown || a.At.After(at) || !a.At.After(at.Add(-time.Hour)) {
			continue
		}
		left := a.HeightMM
		if left == 0 {
			left = 50
		}
		mm = min(mm, left)
	}
	return mm
}

func (w *world) sourceYear(e *farm.Energizer) sourceYear {
	y := sourceYear{power: w.opts.Powers[e.Name].withDefaults(rngFor(w.opts.Seed, "power "+e.Name))}
	part := y.power.StartPart
	for i := range w.hours {
		if e.Supply == farm.Mains {
			part = 1
		}
		y.part = append(y.part, part)
		y.ohms = append(y.ohms, earthOhms(e, &w.hours[i]))
		part = drain(&y.power, part, &w.hours[i])
	}
	return y
}

// drawPushes has stock lean on a zone's wire, mostly by day, for a second to a minute, through 500 to 5,000 ohms.
func (w *world) drawPushes(zone int) []push {
	z := &w.opts.Farm.Zones[zone]
	rng := rngFor(w.opts.Seed, "pushes "+z.Name)
	rate := w.zones[zone].ground.PushesDay
	var out []push
	for at := w.opts.Start; rate > 0; {
		at = at.Add(time.Duration(rng.ExpFloat64() / rate * 24 * float64(time.Hour)))
		if at.After(w.opts.Start.Add(w.opts.Length)) {
			break
		}
		p := push{from: at, zone: zone, atM: rng.Float64() * z.LengthM}
		p.to = at.Add(time.Duration((1 + 59*rng.Float64()*rng.Float64()) * float64(time.Second)))
		p.siemens = 1 / (500 * math.Pow(10, rng.Float64()))
		if h := solarHour(w.opts.Climate, at); rng.Float64() < 0.2 || h > 6 && h < 20 {
			out = append(out, p)
		}
	}
	return out
}

// moment is one instant of the season: the hour it falls in and how far into it.
type moment struct {
	at   time.Time
	hour int
	part float64
}

func (w *world) moment(at time.Time) moment {
	off := at.Sub(w.opts.Start)
	h := min(max(int(off/time.Hour), 0), len(w.hours)-2)
	return moment{at, h, min(1, max(0, float64(off-time.Duration(h)*time.Hour)/float64(time.Hour)))}
}

func (m moment) of(series []float64) float64 {
	return series[m.hour] + (series[m.hour+1]-series[m.hour])*m.part
}

// state is what is so at one instant beside the weather and the growth.
type state struct {
	faults  []*Fault
	pushing []push
	bare    bool // no growth
}

// solve works out the volts of the fence at one instant.
func (w *world) solve(at time.Time, st state) {
	m := w.moment(at)
	n := w.net
	clear(n.leak)
	clear(n.in)
	for i := range n.edges {
		n.edges[i].siemens = w.sound[i]
	}
	for i := range w.opts.Acts {
		w.applyAct(&w.opts.Acts[i], at)
	}
	for i := range w.zones {
		y := &w.zones[i]
		for s := range n.zones[i].strands {
			growth := m.of(y.growth[s])
			if st.bare {
				growth = 0
			}
			n.leakage(&n.zones[i].strands[s], m.of(y.even), growth)
		}
	}
	for _, p := range st.pushing {
		if at.Before(p.from) || !at.Before(p.to) {
			continue
		}
		n.leak[n.zones[p.zone].strands[0].near(p.atM)] += p.siemens
	}
	for _, f := range st.faults {
		if f.Kind.onWire() {
			w.applyWire(f, m)
		}
	}
	for i := range w.sources {
		open, source, earth := w.output(i, m, st.faults)
		n.feed(i, open, source+earth)
	}
	n.solve()
	for i := range w.sources {
		open, source, earth := w.output(i, m, st.faults)
		w.earthVolts[i] = max(0, open-n.volts[n.energizers[i].node]) / (source + earth) * earth
	}
}

// output is an energizer's open volts, source ohms and earth ohms at a moment.
func (w *world) output(i int, m moment, faults []*Fault) (open, source, earth float64) {
	e := &w.opts.Farm.Energizers[i]
	y := &w.sources[i]
	volts, _ := pulse(w.charge(i, m, faults))
	open, source, earth = e.OpenVolts*y.power.OpenRatio*volts, e.SourceOhms, m.of(y.ohms)
	for _, f := range faults {
		if f.On != farm.EnergizerSource(e.Name) {
			continue
		}
		switch f.Kind {
		case EnergizerOff:
			open = 0
		case EnergizerWeak:
			open *= 1 - (1-f.Level)*f.severity(m.at)
		case PoorEarth:
			earth += (f.Ohms - earth) * f.severity(m.at)
		}
	}
	return open, source, max(earth, 0)
}

// charge is the battery's at a moment, run down by a flat-battery fault.
func (w *world) charge(i int, m moment, faults []*Fault) float64 {
	part := m.of(w.sources[i].part)
	for _, f := range faults {
		if f.Kind == FlatBattery && f.On == farm.EnergizerSource(w.opts.Farm.Energizers[i].Name) {
			part *= 1 - f.severity(m.at)
		}
	}
	return part
}

// applyAct scales a re-strung zone's wire, or opens the clamps of one that is down.
func (w *world) applyAct(a *Act, at time.Time) {
	if at.Before(a.At) || a.Kind == Trim {
		return
	}
	i := slices.IndexFunc(w.opts.Farm.Zones, func(z farm.Zone) bool { return z.Name == a.Zone })
	for s := range w.net.zones[i].strands {
		st := &w.net.zones[i].strands[s]
		switch {
		case a.Kind == TakeDown && at.Before(a.Until):
			w.net.edges[st.begin].siemens = 0
		case a.Kind == Restring && a.Level > 0:
			for _, sp := range st.spans {
				w.net.edges[sp.edge].siemens = w.sound[sp.edge] / a.Level
			}
		}
	}
}

// applyWire puts a fault on the wire.
func (w *world) applyWire(f *Fault, m moment) {
	i := slices.IndexFunc(w.opts.Farm.Zones, func(z farm.Zone) bool { return z.Source() == f.On })
	strands := w.net.zones[i].strands
	sev := f.severity(m.at)
	place := strands[f.Strand].at(f.AtM)
	switch f.Kind {
	case Short, Flapping:
		w.net.leak[place.before] += sev / max(f.Ohms, soundJointOhms)
	case CrackedInsulator:
		wet := m.of(w.zones[i].wet)
		w.net.leak[place.before] += sev * math.Pow(wet, 1.5) / max(f.Ohms, soundJointOhms)
	case StrandBreak:
		w.net.edges[place.edge].siemens = 0
	case Break, GateOpen, FallenWire:
		for s := range strands {
			w.net.edges[strands[s].at(f.AtM).edge].siemens = 0
		}
		if f.Kind == FallenWire {
			w.net.leak[place.before] += 1 / max(f.Ohms, soundJointOhms)
		}
	case BadJoint:
		ohms := max(soundJointOhms, f.Ohms*sev*float64(len(strands)))
		for s := range strands {
			w.net.edges[strands[s].at(f.AtM).edge].siemens = 1 / ohms
		}
	}
}
