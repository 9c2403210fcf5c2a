package web

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/weather"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

var (
	_ overview = (*fakeFarm)(nil)
	_ actions  = (*fakeFarm)(nil)
	_ history  = (*fakeFarm)(nil)
	_ lines    = (*fakeFarm)(nil)
	_ alarmLog = (*fakeFarm)(nil)
	_ links    = (*fakeFarm)(nil)
	_ changes  = (*fakeFarm)(nil)
)

// fakeFarm is Alder Bank over a whole season: dew every night, rain, growth and trims, a link that was down for two
// hours, alarms and what people did. It is invented, not simulated: the pages need a plausible picture, not a true one.
type fakeFarm struct {
	now, start time.Time
	every      time.Duration
	zones      []fakeZone

	mu       sync.Mutex
	acts     []alerts.Action
	alarms   []Alarm
	troubles []string
	hints    []weather.Hint
	layouts  farm.History
	stale    time.Duration // how long ago everything was last heard
	out      map[farm.Source]time.Time
	watch    []chan struct{}
	actErr   error
	asks     []TurnoutAsk
	asked    *Turnout      // overrides the answer
	watched  chan struct{} // told when somebody begins to watch for changes
}

type fakeZone struct {
	name, fedBy, stock string
	lengthM, cleanKV   float64
	minKV              float64
	ours               bool
	growth             float64 // kV lost a day
	seed               uint64
	kv                 *float64 // overrides the last reading
}

var dublin = func() *time.Location {
	l, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return l
}()

// newFake makes the farm on a June morning.
func newFake() *fakeFarm {
	now := time.Date(2026, 6, 18, 7, 13, 20, 0, dublin).UTC()
	return &fakeFarm{
		now: now, every: time.Minute, start: now.AddDate(0, 0, -95), stale: 24 * time.Second, out: map[farm.Source]time.Time{},
		watched: make(chan struct{}, 1),
		zones: []fakeZone{
			{"brook", "cartshed", "pigs", 180, 7.4, 2.5, false, .012, 1, nil},
			{"hazel", "brook", "pigs", 240, 6.9, 2.5, false, .02, 2, nil},
			{"lane", "hazel", "pigs", 320, 6.3, 2.5, false, .045, 3, nil},
			{"orchard", "brook", "sheep", 150, 6.8, 3, true, .015, 4, nil},
			{"top-field", "orchard", "cattle", 410, 6.1, 2, true, .01, 5, nil},
		},
	}
}

func (f *fakeFarm) zone(src farm.Source) *fakeZone {
	for i := range f.zones {
		if farm.ZoneSource(f.zones[i].name) == src {
			return &f.zones[i]
		}
	}
	return nil
}

// kvAt is the voltage of a zone at a time, before noise.
func (f *fakeFarm) kvAt(z *fakeZone, t time.Time) float64 {
	days := t.Sub(f.start).Hours() / 24
	since := days
	for _, d := range f.trims(z) {
		if at := d.Sub(f.start).Hours() / 24; at <= days {
			since = days - at
		}
	}
	kv := z.cleanKV - z.growth*math.Pow(since, 1.12)
	h := float64(t.In(dublin).Hour()) + float64(t.Minute())/60
	dew := math.Exp(-math.Pow((h-5.5)/3, 2)) + math.Exp(-math.Pow((h-29.5)/3, 2))
	kv *= 1 - .09*dew*(.5+.5*math.Min(1, since/20))
	if rained(t) {
		kv *= .86
	}
	return max(kv, .02)
}

func (f *fakeFarm) trims(z *fakeZone) []time.Time {
	var out []time.Time
	for d := 33 + int(z.seed); d < 95; d += 41 {
		out = append(out, f.start.AddDate(0, 0, d).Truncate(24*time.Hour).Add(14*time.Hour))
	}
	return out
}

// down are the stretches without reports: one two-hour dropout two days ago, and one on a day in May.
func (f *fakeFarm) down() []Span {
	a := f.now.Add(-52 * time.Hour)
	b := time.Date(2026, 5, 9, 11, 0, 0, 0, time.UTC)
	c := f.now.Add(-9 * time.Hour)
	return []Span{{b, b.Add(2 * time.Hour)}, {a, a.Add(2 * time.Hour)}, {c, c.Add(2 * time.Hour)}}
}

// points gives a source's readings in volts, at a step that grows with the span so that tests stay quick.
func (f *fakeFarm) points(src farm.Source, field pulse.Field, span Span, step time.Duration) iter.Seq2[time.Time, float64] {
	z := f.zone(src)
	scale, base := 1.0, 0.0
	if z == nil {
		z = &fakeZone{"", "", "", 0, 8.1, 0, false, .004, 7, nil}
		switch field {
		case pulse.SupplyVolts:
			scale, base = .00004, 12.3
		case pulse.IntervalMS:
			scale, base = .001, 1300
		case pulse.EarthVolts:
			scale = .015
		}
	}
	down := f.down()
	return func(yield func(time.Time, float64) bool) {
		r := rand.New(rand.NewPCG(z.seed, uint64(step)))
		end := f.now.Add(-f.stale)
		for t := span.From; t.Before(span.To) && !t.After(end); t = t.Add(step) {
			if t.Before(f.start) || slices.ContainsFunc(down, func(d Span) bool { return !t.Before(d.From) && t.Before(d.To) }) {
				continue
			}
			kv := f.kvAt(z, t)
			if z.kv != nil && t.After(f.now.Add(-11*time.Minute)) {
				kv = *z.kv
			}
			v := kv*1000*scale + base + math.Abs(r.NormFloat64())*-30*scale
			if !yield(t, v) {
				return
			}
		}
	}
}

func (f *fakeFarm) Series(_ context.Context, src farm.Source, field pulse.Field, span Span, n int) (Series, error) {
	step := max(f.every, span.To.Sub(span.From)/4000)
	to := span.To
	if to.After(f.now) {
		to = f.now
	}
	s := Fold(known(f.points(src, field, Span{span.From, to}, step)), span, n, 2*step)
	s.Gaps = nil
	for _, d := range f.down() {
		if d.To.After(span.From) && d.From.Before(span.To) {
			s.Gaps = append(s.Gaps, d)
		}
	}
	if f.stale > 10*f.every {
		s.Gaps = append(s.Gaps, Span{f.now.Add(-f.stale), to})
	}
	return s, nil
}

func (f *fakeFarm) Days(_ context.Context, src farm.Source, span Span) ([]Day, error) {
	var days []Day
	var vs []float64
	end := func() {
		if len(vs) == 0 {
			return
		}
		slices.Sort(vs)
		d := &days[len(days)-1]
		d.N, d.Min, d.Max, d.Level = len(vs), vs[0], vs[len(vs)-1], vs[len(vs)*3/4]
		vs = vs[:0]
	}
	for t, v := range f.points(src, pulse.Volts, span, 20*time.Minute) {
		l := t.In(dublin)
		start := time.Date(l.Year(), l.Month(), l.Day(), 0, 0, 0, 0, dublin).UTC()
		if len(days) == 0 || !days[len(days)-1].Start.Equal(start) {
			end()
			days = append(days, Day{Start: start})
		}
		vs = append(vs, v)
	}
	end()
	return days, nil
}

func (f *fakeFarm) Marks(_ context.Context, src farm.Source, span Span) ([]Mark, error) {
	var ms []Mark
	if z := f.zone(src); z != nil {
		for _, t := range f.trims(z) {
			ms = append(ms, Mark{At: t, Kind: MarkTrimmed, By: "Ines"})
		}
	}
	f.mu.Lock()
	for _, a := range f.acts {
		if a.Source == src && (a.Kind == alerts.Trimmed || a.Kind == alerts.Restrung || a.Kind == alerts.Note) {
			ms = append(ms, Mark{At: a.Time, Kind: MarkKind(a.Kind), By: a.By, Text: a.Note})
		}
	}
	f.mu.Unlock()
	for t := span.From.Truncate(time.Hour); t.Before(span.To) && t.Before(f.now); t = t.Add(time.Hour) {
		if !rained(t) {
			continue
		}
		if n := len(ms); n > 0 && ms[n-1].Kind == MarkRain && ms[n-1].Until.Equal(t) {
			ms[n-1].Until = t.Add(time.Hour)
			continue
		}
		ms = append(ms, Mark{At: t, Until: t.Add(time.Hour), Kind: MarkRain})
	}
	return slices.DeleteFunc(ms, func(m Mark) bool { return m.At.Before(span.From) && m.Until.Before(span.From) || m.At.After(span.To) }), nil
}

func (f *fakeFarm) Lines(_ context.Context, src farm.Source, span Span) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		for t, v := range f.points(src, pulse.Volts, span, f.every) {
			r := pulse.Reading{Sensor: pulse.SensorID("alder-bank/" + string(src)), At: t, Arrived: t}
			r.Set(pulse.Volts, v)
			if !yield(Line{r, "reading"}, nil) {
				return
			}
		}
	}
}

func ptr[T any](v T) *T { return &v }

func (f *fakeFarm) Overview(ctx context.Context) (Overview, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	o := Overview{Farm: "alder-bank", People: []string{"Ines", "Tom"}, At: f.now, Troubles: f.troubles,
		Alarms: slices.Clone(f.alarms), Layouts: f.layouts,
		Test: &Test{ID: "20260615T090000Z-site-test", Sent: f.now.Add(-70 * time.Hour), AnswerBy: f.now.Add(-66 * time.Hour)}}
	heard := f.now.Add(-f.stale)
	for i := range f.zones {
		z := &f.zones[i]
		src := farm.ZoneSource(z.name)
		sp, _ := f.Series(ctx, src, pulse.Volts, Span{f.now.Add(-24 * time.Hour), f.now}, 96) // as many as the real one
		toKV(&sp)
		zone := Zone{Name: z.name, Source: src, FedBy: z.fedBy, LengthM: z.lengthM, StockKind: z.stock,
			KV: ptr(math.Round(f.kvAt(z, heard)*100) / 100), HeardAt: heard.Add(-time.Duration(i*7) * time.Second), Every: f.every, MinimumKV: z.minKV,
			CleanKV: z.cleanKV, Spark: sp, OutUntil: f.out[src]}
		if z.ours {
			zone.MinimumFrom = MinimumOurs
		}
		if z.kv != nil {
			zone.KV = z.kv
		}
		if z.name == "lane" {
			zone.Forecast = &Forecast{FromAt: f.now.Truncate(24 * time.Hour), FromKV: f.kvAt(z, f.now.Add(-14*time.Hour)),
				On: f.now.AddDate(0, 0, 23), Earliest: f.now.AddDate(0, 0, 17), Latest: f.now.AddDate(0, 0, 34)}
		}
		o.Zones = append(o.Zones, zone)
	}
	e := farm.EnergizerSource("cartshed")
	o.Energizers = []Energizer{{Name: "cartshed", Source: e, Battery: true, HeardAt: heard, Every: f.every, OutputKV: ptr(7.81),
		OpenKV: 8.2, IntervalMS: ptr(1302.0), SupplyV: ptr(12.48), LoadOhms: ptr(4312.0), LoadSDOhms: 423, LoadShare: ptr(.31), EarthKV: ptr(.12),
		EarthMaxKV: .3, EarthOhms: ptr(60.0), SupplyLowOn: f.now.AddDate(0, 0, 9), SupplyLowEarliest: f.now.AddDate(0, 0, 7),
		SupplyLowLatest: f.now.AddDate(0, 0, 12)}}
	o.Fences = []Fence{f.fence()}
	o.Weather = f.weather()
	return o, nil
}

// toKV turns a series of volts into kilovolts.
func toKV(s *Series) {
	for i := range s.Buckets {
		b := &s.Buckets[i]
		b.Min, b.Mean, b.Max = b.Min/1000, b.Mean/1000, b.Max/1000
	}
}

func (f *fakeFarm) fence() Fence {
	fc := Fence{Energizer: "cartshed"}
	at := map[string]float64{"cartshed": 7.81}
	for i := range f.zones {
		z := &f.zones[i]
		end := f.kvAt(z, f.now)
		if z.kv != nil {
			end = *z.kv
		}
		if f.stale > missedReports*f.every { // what was said long ago is not drawn
			fc.Runs = append(fc.Runs, Run{Zone: z.name, FedBy: z.fedBy, LengthM: z.lengthM, MinimumKV: z.minKV})
			continue
		}
		run := Run{Zone: z.name, FedBy: z.fedBy, LengthM: z.lengthM, MinimumKV: z.minKV, EndKV: ptr(end)}
		for k := 0.0; k <= 8; k++ {
			w := k / 8
			run.Curve = append(run.Curve, MetrePoint{w * z.lengthM, at[z.fedBy] + (end-at[z.fedBy])*(2*w-w*w)})
		}
		at[z.name] = end
		fc.Runs = append(fc.Runs, run)
	}
	for _, a := range f.alarms {
		if name, ok := strings.CutPrefix(string(a.Source), "zone/"); ok && a.DistanceM != nil && a.Active() {
			fc.Suspect = &Place{name, *a.DistanceM, *a.DistanceLowM, *a.DistanceHighM}
		}
	}
	return fc
}

// alarmed breaks lane and silences top-field.
func (f *fakeFarm) alarmed() *fakeFarm {
	f.zones[2].kv = ptr(.1)
	raised := f.now.Add(-11 * time.Minute)
	f.alarms = []Alarm{
		{ID: "20260618T060200Z-lane-dead", State: UnackActive, Since: raised, Finding: alerts.Finding{
			Source: "zone/lane", Condition: alerts.Dead, Cause: alerts.Open, Priority: alerts.High, KV: ptr(.1), DistanceM: ptr(120.0),
			DistanceLowM: ptr(90.0), DistanceHighM: ptr(150.0), Text: "Lane is dead: the wire is broken between hazel's end and lane's sensor. Walk there first.",
			Evidence: []string{"lane fell from 5.9 kV to 0.1 kV between two reports", "hazel rose by 0.2 kV at the same moment"}}},
		{ID: "20260617T221000Z-top-field-intermittent", State: AckedActive, Since: f.now.Add(-8 * time.Hour), AckedBy: "Tom",
			AckedAt: f.now.Add(-7 * time.Hour), Finding: alerts.Finding{Source: "zone/top-field", Condition: alerts.Intermittent,
				Cause: alerts.CauseIntermittent, Priority: alerts.Medium, Text: "Top-field dips and comes back: look for a wire that swings against a post."}},
	}
	return f
}

// Upkeep has a walk due, more work, and the test of the earth stakes; what was done is no longer due.
func (f *fakeFarm) Upkeep(context.Context) (Upkeep, error) {
	u := Upkeep{Trips: []string{"lane alarmed 7 times, mostly intermittent, mostly after rain", "brook alarmed once"}, Rule: "after: within 12 h of it", Tasks: []UpkeepTask{
		{Name: "walk", Text: "walk the line", Standing: "each week", Last: f.now.AddDate(0, 0, -9), DueOn: f.now.AddDate(0, 0, -2), Due: true},
		{Name: "battery", Text: "look at the battery, its clamps and the panel", Standing: "common practice, no source", DueOn: f.now.AddDate(0, 0, 12)},
		{Name: "insulators", Text: "go over the insulators", Standing: "yearly, by ear and eye at dusk", DueOn: f.now.AddDate(0, 5, 0)},
		{Name: "earth-test", Text: "test the earth stakes", Standing: "yearly", DueOn: f.now.AddDate(0, 2, 0), Test: true},
		{Name: "spares", Text: "count the spares: insulators, joiners, wire, posts", Standing: "common practice, no source", DueOn: f.now.AddDate(0, 6, 0)}},
		Steps: []UpkeepStep{{"Switch the energizer off.", "common practice, no source"}, {"Measure from the last earth stake to a probe at least 1 m from any stake, 20 cm in the ground. Touch neither.", "a guide: 3 ft, 8 in"}},
		Tests: []string{"2026: Good: 180 V <on> the stakes."}}
	for _, a := range f.taken() {
		if i := slices.IndexFunc(u.Tasks, func(task UpkeepTask) bool { return task.Name == a.Task }); i >= 0 {
			u.Tasks[i].Last, u.Tasks[i].DueOn, u.Tasks[i].Due = a.Time, a.Time.AddDate(0, 0, 7), false
		}
		if a.Earth != nil {
			u.Tests = append([]string{fmt.Sprintf("Earth of %s: %.0f V on the stakes", a.Source, a.Earth.StakeVolts)}, u.Tests...)
		}
	}
	return u, nil
}

// Turnout answers yes, for zones that are over their minimum by a quarter.
func (f *fakeFarm) Turnout(_ context.Context, ask TurnoutAsk) (Turnout, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asks = append(f.asks, ask)
	if f.asked != nil {
		return *f.asked, f.actErr
	}
	a := Turnout{Yes: true, Margins: "The margin of a quarter is this program's own."}
	for i := range f.zones {
		z := &f.zones[i]
		if len(ask.Zones) > 0 && !slices.Contains(ask.Zones, z.name) {
			continue
		}
		a.Zones = append(a.Zones, z.name)
		a.Checks = append(a.Checks, TurnoutCheck{z.name, "yes", fmt.Sprintf("%.1f kV at its far end", f.kvAt(z, f.now))})
	}
	a.Checks = append(a.Checks, TurnoutCheck{"cartshed", "note", "not measured: test the stakes by hand in the driest time"})
	return a, f.actErr
}

func (f *fakeFarm) Act(_ context.Context, a alerts.Action) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.actErr != nil {
		return f.actErr
	}
	f.acts = append(f.acts, a)
	for i := range f.alarms {
		al := &f.alarms[i]
		if al.ID != a.Alarm {
			continue
		}
		switch a.Kind {
		case alerts.Acknowledge:
			al.State, al.AckedBy, al.AckedAt = AckedActive, a.By, a.Time
		case alerts.Shelve:
			al.State, al.Until = Shelved, a.Until
		case alerts.Unshelve:
			al.State, al.Until = UnackActive, time.Time{}
		}
	}
	switch a.Kind {
	case alerts.OutOfService:
		f.out[a.Source] = a.Until
	case alerts.InService:
		delete(f.out, a.Source)
	}
	f.tell()
	return nil
}

// tell wakes those who watch; the caller holds the lock.
func (f *fakeFarm) tell() {
	for _, c := range f.watch {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

func (f *fakeFarm) changed() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.tell()
}

func (f *fakeFarm) taken() []alerts.Action {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.acts)
}

func (f *fakeFarm) Changes(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	f.mu.Lock()
	f.watch = append(f.watch, c)
	select {
	case f.watched <- struct{}{}:
	default:
	}
	f.mu.Unlock()
	context.AfterFunc(ctx, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.watch = slices.DeleteFunc(f.watch, func(o chan struct{}) bool { return o == c })
		close(c)
	})
	return c
}

func (f *fakeFarm) Alarms(_ context.Context, q AlarmFilter) ([]Alarm, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	all := slices.Concat(f.alarms, f.past())
	return slices.DeleteFunc(all, func(a Alarm) bool {
		return q.Source != "" && a.Source != q.Source || q.Condition != "" && a.Condition != q.Condition ||
			q.Priority != 0 && a.Priority != q.Priority || !q.From.IsZero() && a.Since.Before(q.From) && !a.Active() || !q.To.IsZero() && a.Since.After(q.To)
	}), nil
}

// past are the season's alarms that are over.
func (f *fakeFarm) past() []Alarm {
	var out []Alarm
	for i, z := range []string{"hazel", "lane", "brook", "orchard", "lane", "top-field"} {
		since := f.now.AddDate(0, 0, -3-i*9).Add(-time.Duration(i) * time.Hour)
		a := Alarm{ID: alerts.AlarmID(since, farm.ZoneSource(z), alerts.Low), State: Normal, Since: since, Returned: since.Add(50 * time.Minute),
			AckedBy: "Ines", AckedAt: since.Add(9 * time.Minute), Finding: alerts.Finding{Source: farm.ZoneSource(z), Condition: alerts.Low,
				Cause: alerts.Vegetation, Priority: alerts.High, KV: ptr(2.1), Text: upperFirst(z) + " is under its minimum: growth on the wire."}}
		if i%2 == 1 {
			a.Condition, a.Cause, a.Priority, a.Text = alerts.Silent, alerts.SensorSilent, alerts.Medium, upperFirst(z)+"'s sensor is silent."
		}
		out = append(out, a)
	}
	return out
}

func (f *fakeFarm) Alarm(ctx context.Context, id string) (Alarm, error) {
	all, _ := f.Alarms(ctx, AlarmFilter{})
	for _, a := range all {
		if a.ID != id {
			continue
		}
		a.Steps = []Step{{At: a.Since, What: "raised"}, {At: a.Since.Add(20 * time.Second), What: "sent", By: "Tom", Text: "push"}}
		if a.AckedBy != "" {
			a.Steps = append(a.Steps, Step{At: a.AckedAt, What: "ack", By: a.AckedBy})
		}
		return a, nil
	}
	return Alarm{}, ErrNoAlarm
}

func (f *fakeFarm) Check(token string) (string, string, error) {
	if token != "good-token" {
		return "", "", errors.New("the signature does not fit")
	}
	return "20260618T060200Z-lane-dead", "Tom", nil
}
