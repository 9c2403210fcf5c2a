package app

import (
	"context"
	"iter"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/detect"
	"nightwire/alerts/line"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

const (
	sparkSpan  = 24 * time.Hour
	sparkCount = 96
	sparkFor   = time.Minute // how long a drawn day stays good
	// earthMaxKV is the most that earth stakes should carry: widely printed, no primary source.
	earthMaxKV = 0.3
)

// Overview returns the farm as it is now.
func (n *night) Overview(ctx context.Context) (web.Overview, error) {
	f := &n.cfg.Farm
	days, runouts, sky := n.days(ctx), n.runouts(ctx), n.weather(ctx) // they read the disk, which the watch must not wait for
	n.mu.Lock()
	defer n.mu.Unlock()
	book := n.engine.desk.Book()
	o := web.Overview{Farm: f.Name, At: n.shown(), Troubles: n.troubles.list(), Weather: sky, Test: n.lastTest(), Layouts: n.layouts}
	for _, p := range f.People {
		o.People = append(o.People, p.Name)
	}
	out := map[farm.Source]time.Time{}
	for _, h := range book.Holds() {
		out[h.Source] = h.Until
	}
	listed := book.Listed()
	n.met.countOpen(listed)
	for _, p := range listed {
		o.Alarms = append(o.Alarms, n.alarm(p))
	}
	if r, ok := n.newest(farm.WeatherSource); ok {
		o.Weather.HeardAt, o.Weather.TempC, o.Weather.SnowCM = r.At, get(&r, pulse.TempC, 1), get(&r, pulse.SnowCM, 1)
		o.Weather.WindMS, o.Weather.Humidity = get(&r, pulse.WindMS, 1), get(&r, pulse.Humidity, 1)
	}
	o.Gone = n.gone()
	clean := n.clean()
	for i := range f.Energizers {
		e := &f.Energizers[i]
		o.Energizers = append(o.Energizers, n.energizer(e, out[e.Source()], days[e.Source()], runouts[e.Source()]))
		o.Fences = append(o.Fences, n.fence(e, listed))
		for _, z := range f.Feeding(e.Name) {
			o.Zones = append(o.Zones, n.zone(z, clean[z.Name]/1000, out[z.Source()], days[z.Source()]))
		}
	}
	return o, nil
}

// clean returns the volts of a clean fence, by zone.
func (n *night) clean() map[string]float64 {
	volts, err := ExpectedVolts(&n.cfg.Farm)
	if err != nil {
		return nil // the detectors have solved the same fence; only the bar's right end is missing
	}
	return volts(n.cfg.Farm)
}

// alarm returns a point as the page shows it.
func (n *night) alarm(p alerts.Point) web.Alarm {
	a := web.Alarm{Finding: p.Finding, ID: p.ID, State: web.AlarmState(p.State), Since: p.Raised, Returned: p.Returned,
		AckedBy: p.AckedBy, AckedAt: p.AckedAt, Until: p.ShelvedUntil}
	for _, h := range n.engine.desk.Book().Holds() {
		if h.Source == p.Source && p.State == alerts.StateOutOfService {
			a.Until = h.Until
		}
	}
	return a
}

func (n *night) newest(s farm.Source) (pulse.Reading, bool) {
	r, ok := n.latest[n.sensorID(s)]
	return r, ok
}

func (n *night) sensorID(s farm.Source) pulse.SensorID { return detect.SensorID(&n.cfg.Farm, s) }

// get returns a field of a reading over scale, or nil.
func get(r *pulse.Reading, f pulse.Field, scale float64) *float64 {
	v, ok := r.Get(f)
	if !ok {
		return nil
	}
	v /= scale
	return &v
}

func (n *night) zone(z *farm.Zone, cleanKV float64, out time.Time, day web.Series) web.Zone {
	v := web.Zone{Name: z.Name, Source: z.Source(), FedBy: z.FedBy, LengthM: z.LengthM, StockKind: z.Stock, Training: z.Training, Every: z.Sensor.Every,
		MinimumKV: z.MinimumVolts / 1000, CleanKV: cleanKV, OutUntil: out, Forecast: n.forecast(z)}
	if !z.MinimumGiven {
		v.MinimumFrom = web.MinimumOurs
	}
	if r, ok := n.newest(z.Source()); ok {
		v.KV, v.HeardAt = get(&r, pulse.Volts, 1000), r.At
		v.Spark = day
	}
	return v
}

func (n *night) energizer(e *farm.Energizer, out time.Time, day web.Series, low runout) web.Energizer {
	v := web.Energizer{Name: e.Name, Source: e.Source(), Battery: e.Supply == farm.Battery, Every: e.Sensor.Every, OutUntil: out,
		OpenKV: e.OpenVolts / 1000, EarthMaxKV: earthMaxKV, EarthOhms: known(e.EarthOhms),
		SupplyLowOn: low.on, SupplyLowEarliest: low.earliest, SupplyLowLatest: low.latest}
	if seen, ok := n.engine.watch.View(e.Name); ok {
		v.LoadOhms, v.LoadSDOhms, v.LoadShare = known(seen.LoadOhms), seen.LoadSDOhms, known(seen.LoadShare)
		if ohms := known(seen.EarthOhms); ohms != nil {
			v.EarthOhms = ohms
		}
	}
	r, ok := n.newest(e.Source())
	if !ok {
		return v
	}
	v.HeardAt, v.OutputKV, v.IntervalMS = r.At, get(&r, pulse.Volts, 1000), get(&r, pulse.IntervalMS, 1)
	v.SupplyV, v.EarthKV = get(&r, pulse.SupplyVolts, 1), get(&r, pulse.EarthVolts, 1000)
	v.Spark = day
	return v
}

// known returns v, or nil when it is 0.
func known(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

// forecast returns what the growth alarm of a zone says, if it has one.
func (n *night) forecast(z *farm.Zone) *web.Forecast {
	p, ok := n.engine.desk.Book().Find(string(z.Source()) + "/" + string(alerts.Growth))
	if !ok || !p.On() || p.Finding.BelowMinimumOn == nil {
		return nil
	}
	f := &web.Forecast{FromAt: p.Raised, On: *p.Finding.BelowMinimumOn}
	f.Earliest, f.Latest = f.On, f.On
	if t := p.Finding.BelowMinimumEarliest; t != nil {
		f.Earliest = *t
	}
	if t := p.Finding.BelowMinimumLatest; t != nil {
		f.Latest = *t
	}
	if p.Finding.KV != nil {
		f.FromKV = *p.Finding.KV
	}
	return f
}

// days returns the last day of every sensor, in kilovolts.
func (n *night) days(ctx context.Context) map[farm.Source]web.Series {
	var all []farm.Source
	for _, s := range n.sensors {
		if s.source != farm.WeatherSource {
			all = append(all, s.source)
		}
	}
	return n.sparks.all(all, n.keep(sparkFor), func(old []farm.Source) map[farm.Source]web.Series {
		return n.lastDays(context.WithoutCancel(ctx), old) // they are kept for others than who asks
	})
}

// lastDays reads the last day of some sources. One that cannot be read is left out: the page shows the rest.
func (n *night) lastDays(ctx context.Context, sources []farm.Source) map[farm.Source]web.Series {
	now := n.now()
	span := web.Span{From: now.Add(-sparkSpan), To: now}
	out := make(map[farm.Source]web.Series, len(sources))
	named, ids := make(map[pulse.SensorID]farm.Source, len(sources)), make([]pulse.SensorID, 0, len(sources))
	for _, src := range sources {
		id := n.sensorID(src)
		named[id], ids = src, append(ids, id)
	}
	err := n.each(ctx, ids, span, func(id pulse.SensorID, rs iter.Seq2[pulse.Reading, error]) {
		src := named[id]
		series, err := n.fold(rowsOf(rs), src, pulse.Volts, span, sparkCount)
		if err != nil {
			n.log.Warn("last day not read", "source", src, "err", err)
			return
		}
		for i := range series.Buckets {
			b := &series.Buckets[i]
			b.Min, b.Mean, b.Max = b.Min/1000, b.Mean/1000, b.Max/1000
		}
		out[src] = series
	})
	if err != nil {
		n.log.Warn("last days not read", "err", err)
	}
	return out
}

// curvePoints is how many points a zone's drawn curve has.
const curvePoints = 6

// fence draws the voltage along the fence of an energizer, from what its sensors said last.
func (n *night) fence(e *farm.Energizer, listed []alerts.Point) web.Fence {
	f := web.Fence{Energizer: e.Name, Suspect: suspect(&n.cfg.Farm, e, listed)}
	net, err := line.New(&n.cfg.Farm, e.Name)
	if err != nil {
		return f
	}
	obs := make([]line.Observation, len(net.Zones)+1)
	heard := 0
	look := func(i int, s farm.Source, every time.Duration) *float64 {
		r, ok := n.newest(s)
		v, has := r.Get(pulse.Volts)
		if !ok || !has || v <= 0 || n.shown().Sub(r.At) > 4*every {
			return nil
		}
		obs[i] = line.Observation{Volts: v, SD: line.GainSpread}
		heard++
		kv := v / 1000
		return &kv
	}
	look(0, e.Source(), e.Sensor.Every)
	for i, z := range net.Zones {
		f.Runs = append(f.Runs, web.Run{Zone: z.Name, FedBy: z.FedBy, LengthM: z.LengthM, MinimumKV: z.MinimumVolts / 1000,
			EndKV: look(i+1, z.Source(), z.Sensor.Every)})
	}
	if heard < len(obs) || f.Suspect != nil { // a fault, or a sensor that is not heard: no smooth curve goes through it
		return f
	}
	fit, err := line.NewEstimator(net).Estimate(obs, net.WidePrior())
	if err != nil {
		return f
	}
	solver, volts := line.NewSolver(net), make([]float64, len(obs))
	for i := range f.Runs {
		for k := range curvePoints {
			at := f.Runs[i].LengthM * float64(k) / (curvePoints - 1)
			// A path to earth of a gigaohm changes nothing, and tells the voltage where it is.
			solver.Volts(volts, fit.State, line.Fault{Kind: line.Shunt, Zone: i, AtM: at, Ohms: 1e9})
			f.Runs[i].Curve = append(f.Runs[i].Curve, web.MetrePoint{M: at, KV: solver.FaultVolts() / 1000})
		}
	}
	return f
}

// suspect returns where the most urgent fault on an energizer's fence is thought to be.
func suspect(f *farm.Farm, e *farm.Energizer, listed []alerts.Point) *web.Place {
	for _, p := range listed {
		if !p.On() || p.Finding.DistanceM == nil {
			continue
		}
		for _, z := range f.Feeding(e.Name) {
			if z.Source() != p.Source {
				continue
			}
			place := &web.Place{Zone: z.Name, M: *p.Finding.DistanceM, LowM: *p.Finding.DistanceM, HighM: *p.Finding.DistanceM}
			if v := p.Finding.DistanceLowM; v != nil {
				place.LowM = *v
			}
			if v := p.Finding.DistanceHighM; v != nil {
				place.HighM = *v
			}
			return place
		}
	}
	return nil
}
