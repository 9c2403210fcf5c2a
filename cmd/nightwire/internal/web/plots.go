package web

import (
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"nightwire/cmd/nightwire/internal/web/chart"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
)

const (
	day          = 24 * time.Hour
	seasonLength = 120 * day
	dailyOver    = 12 * day // longer charts show days instead of readings
	leastSpan    = 30 * time.Minute
	mostSpan     = 3 * 366 * day
	plotBuckets  = 360      // one for each two pixels on a desk, each pixel on a phone
	mostAhead    = 45 * day // of a forecast, so that it does not squeeze the season
)

// quantity is one thing that can be charted.
type quantity struct {
	field  pulse.Field
	factor float64 // from the base unit to the shown one
	unit   string
	digits int
	floor  float64 // foot of the scale; below all values it is chosen by them
}

func quantities() map[string]quantity {
	return map[string]quantity{
		"kv":       {pulse.Volts, .001, "kV", 2, 0},
		"supply":   {pulse.SupplyVolts, 1, "V", 2, math.Inf(-1)},
		"interval": {pulse.IntervalMS, .001, "s", 2, 0},
		"earth":    {pulse.EarthVolts, .001, "kV", 2, 0},
	}
}

// window is the stretch of time that a chart shows, and how it was asked for.
type window struct {
	Span
	View string // day, week, season, or "" for one of its own
}

// readWindow reads view, or from and to (Unix seconds), from a query.
func readWindow(q url.Values, now, ahead time.Time) window {
	from, err1 := strconv.ParseInt(q.Get("from"), 10, 64)
	to, err2 := strconv.ParseInt(q.Get("to"), 10, 64)
	if err1 == nil && err2 == nil && to > from && from > -1e11 && to < 1e11 {
		s := Span{time.Unix(from, 0).UTC(), time.Unix(to, 0).UTC()}
		if d := s.To.Sub(s.From); d < leastSpan || d > mostSpan {
			mid, half := s.From.Add(d/2), min(max(d, leastSpan), mostSpan)/2
			s = Span{mid.Add(-half), mid.Add(half)}
		}
		return window{Span: s}
	}
	switch q.Get("view") {
	case "week":
		return window{Span{now.Add(-7 * day), now}, "week"}
	case "season":
		if limit := now.Add(mostAhead); ahead.After(limit) {
			ahead = limit
		}
		to := now
		if ahead.After(now) {
			to = ahead.Add(2 * day)
		}
		return window{Span{now.Add(-seasonLength), to}, "season"}
	}
	return window{Span{now.Add(-day), now}, "day"}
}

// plot is one chart with what stands around it.
type plot struct {
	ID      string
	Heading string
	Path    string // of the page, for the links
	CSV     string
	What    string // the key of the quantity
	SVG     template.HTML
	Data    string // values for reading with pointer or keys, as JSON
	Window  window
	Range   string // the stretch of time, for people
	Summary string
	Marks   []Mark
	Daily   bool
	Rain    bool
	Gaps    int
	Fan     *Forecast
	MinKV   float64
	Unit    string
}

// Link returns the address of the same chart moved by a share of its length and made longer by a factor.
func (p plot) Link(move, factor float64) string {
	d := p.Window.To.Sub(p.Window.From)
	mid := p.Window.From.Add(d/2 + time.Duration(move*float64(d)))
	half := time.Duration(float64(d) * factor / 2)
	return fmt.Sprintf("%s?from=%d&to=%d", p.Path, mid.Add(-half).Unix(), mid.Add(half).Unix())
}

// plotAsk says what to plot.
type plotAsk struct {
	source    farm.Source
	path, csv string
	what      string
	heading   string
	every     time.Duration
	window    window
	zone      *Zone // whose minimum is drawn; nil for none
	forecast  *Forecast
}

// plot reads the history and draws it.
func (s *Server) plot(ctx context.Context, f *frame, ask plotAsk) (plot, error) {
	q := quantities()[ask.what]
	p := plot{ID: ask.what, Heading: ask.heading, Path: ask.path, CSV: ask.csv, What: ask.what, Window: ask.window, Unit: q.unit}
	c := chart.Time{Span: chart.Span(ask.window.Span), Unit: q.unit, Location: f.Location, Now: f.Now, Tick: f.tick, Floor: q.floor}
	n := max(1, min(plotBuckets, int(ask.window.To.Sub(ask.window.From)/max(2*ask.every, time.Second))))
	p.Daily = ask.window.To.Sub(ask.window.From) > dailyOver && ask.what == "kv"
	series, err := s.opts.History.Series(ctx, ask.source, q.field, ask.window.Span, n)
	if err != nil {
		return p, fmt.Errorf("read history of %s: %w", ask.source, err)
	}
	p.Window.From = begin(ask.window, series)
	c.From = p.Window.From
	for _, g := range series.Gaps {
		if g.From.Before(f.Now) { // what has not been yet is not a gap
			c.Gaps = append(c.Gaps, chart.Span{From: g.From, To: earlier(g.To, f.Now)})
		}
	}
	p.Gaps = len(c.Gaps)
	if p.Daily {
		days, err := s.opts.History.Days(ctx, ask.source, ask.window.Span)
		if err != nil {
			return p, fmt.Errorf("read days of %s: %w", ask.source, err)
		}
		dailyInto(&c, days, q.factor)
	} else {
		seriesInto(&c, series, q.factor)
	}
	if err := s.marksInto(ctx, f, ask, &c, &p); err != nil {
		return p, err
	}
	if ask.zone != nil {
		p.MinKV = ask.zone.MinimumKV
		for _, m := range f.minimums(*ask.zone) {
			c.Lows = append(c.Lows, chart.Level{From: m.From, V: m.Volts / 1000, Text: s.words.text("plot.minimum", "kv", f.VoltsKV(m.Volts))})
		}
	}
	if fc := ask.forecast; fc != nil && ask.window.To.After(f.Now) {
		from := chart.Point{At: fc.FromAt, V: fc.FromKV}
		if n := len(c.Line); n > 0 {
			from = c.Line[n-1] // where the drawn line ends: the forecast itself may be some hours old
		}
		if len(c.Line) > 0 || fc.FromKV > 0 { // a zone without a sensor has no level to fall from
			p.Fan = fc
			c.Fan = &chart.Fan{From: from, Level: p.MinKV, On: fc.On, Earliest: fc.Earliest, Last: fc.Latest}
		}
	}
	if math.IsInf(c.Floor, -1) {
		c.Floor = floorOf(c.Band)
	}
	p.Range = f.span(p.Window.Span)
	p.Summary = f.summary(c, q, p.Daily)
	c.Title = ask.heading + ", " + p.Range + ". " + p.Summary
	p.SVG = template.HTML(c.SVG()) // chart escapes all text in it
	p.Data = readout(c, q)
	return p, nil
}

// leastSeason is the least that a season's plot shows.
const leastSeason = 14 * day

// begin returns where a plot begins: a season where its readings do, with a little of what was before. The first weeks
// of a new sensor would else stand squeezed at the end of a time without it.
func begin(w window, s Series) time.Time {
	if w.View != "season" || len(s.Buckets) == 0 {
		return w.From
	}
	from := s.Buckets[0].Start.Add(-w.To.Sub(s.Buckets[0].Start) / 12)
	return later(w.From, earlier(from, w.To.Add(-leastSeason)))
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func seriesInto(c *chart.Time, s Series, factor float64) {
	c.Width = s.Width
	c.Band, c.Line = make([]chart.Range, 0, len(s.Buckets)), make([]chart.Point, 0, len(s.Buckets))
	for _, b := range s.Buckets {
		c.Band = append(c.Band, chart.Range{At: b.Start, Min: b.Min * factor, Max: b.Max * factor})
		c.Line = append(c.Line, chart.Point{At: b.Start.Add(s.Width / 2), V: b.Mean * factor})
	}
}

func dailyInto(c *chart.Time, days []Day, factor float64) {
	c.Width = day
	for _, d := range days {
		c.Band = append(c.Band, chart.Range{At: d.Start, Min: d.Min * factor, Max: d.Max * factor})
		c.Line = append(c.Line, chart.Point{At: d.Start.Add(day / 2), V: d.Level * factor})
	}
}

// marksInto adds what happened: rain as a line along the foot, acts as numbered marks that a list explains.
func (s *Server) marksInto(ctx context.Context, f *frame, ask plotAsk, c *chart.Time, p *plot) error {
	marks, err := s.opts.History.Marks(ctx, ask.source, ask.window.Span)
	if err != nil {
		return fmt.Errorf("read marks of %s: %w", ask.source, err)
	}
	for _, m := range marks {
		if m.Until.IsZero() && (m.At.Before(c.From) || m.At.After(c.To)) {
			continue
		}
		switch m.Kind {
		case MarkRain:
			p.Rain = true
			c.Rain = append(c.Rain, chart.Span{From: m.At, To: m.Until})
			continue
		case MarkOut:
			c.Out = append(c.Out, chart.Span{From: m.At, To: earlier(m.Until, f.Now)})
		}
		if m.Kind == MarkAlarm {
			m.Text, _, _ = strings.Cut(m.Text, ". ") // what it was; what to do first is over
		}
		p.Marks = append(p.Marks, m)
		c.Marks = append(c.Marks, chart.Mark{At: m.At, Label: strconv.Itoa(len(p.Marks))})
	}
	return nil
}

// floorOf chooses the foot of a scale that need not start at nothing: a battery's volts move little.
func floorOf(band []chart.Range) float64 {
	lo := math.Inf(1)
	for _, r := range band {
		lo = min(lo, r.Min)
	}
	if math.IsInf(lo, 1) {
		return 0
	}
	return math.Floor(lo - .2)
}

// summary says in a line what the chart shows, for those who do not see it and for everybody.
func (f *frame) summary(c chart.Time, q quantity, daily bool) string {
	if len(c.Band) == 0 {
		return f.words.text("plot.empty")
	}
	lo, hi := c.Band[0], c.Band[0]
	for _, r := range c.Band {
		if r.Min < lo.Min {
			lo = r
		}
		if r.Max > hi.Max {
			hi = r
		}
	}
	when := f.Clock
	if daily {
		when = f.Date
	}
	return f.words.text("plot.summary", "low", f.words.decimal(lo.Min, q.digits), "lowat", when(lo.At), "high", f.words.decimal(hi.Max, q.digits),
		"highat", when(hi.At), "unit", q.unit)
}

// readout packs the values for the script: seconds from the start, least, line, most.
func readout(c chart.Time, q quantity) string {
	scale := math.Pow(10, float64(q.digits))
	round := func(v float64) float64 { return math.Round(v*scale) / scale }
	rows := make([][4]float64, 0, len(c.Band))
	for i, r := range c.Band {
		rows = append(rows, [4]float64{r.At.Add(c.Width / 2).Sub(c.From).Round(time.Second).Seconds(), round(r.Min), round(c.Line[i].V), round(r.Max)})
	}
	b, err := json.Marshal(rows)
	if err != nil { // not a number; the chart itself shows what can be shown
		return "[]"
	}
	return string(b)
}

// tick writes the label of a moment on the time axis.
func (f *frame) tick(t time.Time, step time.Duration) string {
	month := f.words.text("month." + strconv.Itoa(int(t.Month())))
	switch {
	case step >= 28*day:
		return month
	case step >= 7*day:
		return strconv.Itoa(t.Day()) + " " + month
	case step >= day, t.Hour() == 0 && t.Minute() == 0:
		return f.words.text("weekday."+strconv.Itoa(int(t.Weekday()))) + " " + strconv.Itoa(t.Day())
	}
	return t.Format("15:04")
}

// span writes a stretch of time.
func (f *frame) span(s Span) string {
	if s.To.Sub(s.From) > dailyOver {
		return f.words.text("plot.span", "from", f.Date(s.From), "to", f.Date(s.To))
	}
	return f.words.text("plot.span", "from", f.Date(s.From)+" "+f.local(s.From).Format("15:04"), "to", f.Date(s.To)+" "+f.local(s.To).Format("15:04"))
}
