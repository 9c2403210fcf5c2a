package chart

import (
	"math"
	"slices"
	"strconv"
	"time"
	"unicode/utf8"
)

// Time is a chart of one quantity over time: a band from least to most, a line, and what happened meanwhile.
type Time struct {
	Span
	Width    time.Duration // of one Range
	Band     []Range
	Line     []Point
	Gaps     []Span // no reports: nothing is drawn across them
	Rain     []Span
	Out      []Span // out of service
	Marks    []Mark
	Lows     []Level // what the values should stay over, oldest first; the first holds from the start
	Fan      *Fan
	Now      time.Time // where the future begins, if that is in sight
	Unit     string
	Floor    float64 // the foot of the scale; 0 for a voltage, so that height means volts
	Location *time.Location
	Tick     func(t time.Time, step time.Duration) string
	Title    string // what a screen reader says
}

// Level is what values should stay over from a time on.
type Level struct {
	From time.Time
	V    float64 // 0 for nothing
	Text string
}

// Mark is a moment with a short label.
type Mark struct {
	At    time.Time
	Label string
}

// Fan is a forecast: from a value now to a level that is reached between two moments, most likely at On.
type Fan struct {
	From               Point
	Level              float64
	On, Earliest, Last time.Time
}

const (
	plotHeight  = 216 // pixels
	plotTop     = 18  // room for the marks' labels
	axisHeight  = 22
	labelMargin = 55 // frame units from the sides within which a label is not centred
)

// frame is the vertical scale of a plot.
type frame struct{ foot, top float64 }

func (f frame) y(v float64) float64 {
	return plotHeight - (v-f.foot)/(f.top-f.foot)*(plotHeight-plotTop)
}

// SVG draws the chart.
func (c Time) SVG() string {
	sc := newScale(c.Span)
	fr, step := c.vertical()
	gaps := sc.gapIntervals(slices.Concat(c.Gaps, c.implied()))
	var s svg
	s.b = make([]byte, 0, 16<<10)
	s.raw(`<svg class="plot" width="100%" height="`).num(plotHeight + axisHeight).raw(`" role="img" aria-label="`).text(c.Title).raw(`">`)
	c.behind(&s, sc, gaps)
	c.grid(&s, fr, step)
	s.raw(`<svg x="0" y="0" width="100%" height="216" viewBox="0 0 1000 216" preserveAspectRatio="none">`)
	c.band(&s, sc, fr, gaps)
	line := make([]xy, 0, len(c.Line))
	for _, p := range c.Line {
		line = append(line, xy{sc.x(p.At), fr.y(p.V)})
	}
	s.path("line", cut(line, gaps))
	for _, l := range c.levelsSeen(sc) {
		s.path("low", [][]xy{{{l.from, fr.y(l.V)}, {l.to, fr.y(l.V)}}})
	}
	c.fan(&s, sc, fr)
	s.raw(`</svg>`)
	c.levels(&s, fr, step)
	c.labels(&s, sc, fr)
	return string(s.raw(`</svg>`).b)
}

// vertical chooses the scale and the distance of its lines: 1, 2 or 5 times a power of ten, about four of them.
func (c Time) vertical() (frame, float64) {
	top := c.Floor
	for _, l := range c.levelsSeen(newScale(c.Span)) {
		top = max(top, l.V)
	}
	for _, r := range c.Band {
		top = max(top, r.Max)
	}
	for _, p := range c.Line {
		top = max(top, p.V)
	}
	if c.Fan != nil {
		top = max(top, c.Fan.From.V)
	}
	if top <= c.Floor { // nothing to draw; the scale must not be of millionths
		top = c.Floor + 1
	}
	span := (top - c.Floor) * 1.02
	step := math.Pow(10, math.Floor(math.Log10(span)))
	switch r := span / step; {
	case r < 2:
		step /= 2
	case r > 5:
		step *= 2
	}
	return frame{c.Floor, c.Floor + math.Ceil(span/step)*step}, step
}

// implied finds gaps that nobody reported: ranges that do not follow each other. Two missing in a row may be lost
// reports; a missing day is a gap.
func (c Time) implied() []Span {
	slack := c.Width * 5 / 2
	if c.Width > 20*time.Hour {
		slack = c.Width * 3 / 2
	}
	var out []Span
	for i := 1; i < len(c.Band); i++ {
		if a, b := c.Band[i-1].At, c.Band[i].At; c.Width > 0 && b.Sub(a) > slack {
			out = append(out, Span{a.Add(c.Width), b})
		}
	}
	return out
}

// behind draws what lies behind the values: gaps, being out of service, and rain along the foot.
func (c Time) behind(s *svg, sc scale, gaps []interval) {
	box := func(class, fill string, a, b, y, h float64) {
		s.raw(`<rect class="`, class, `" x="`).pct(a).raw(`" width="`).pct(b - a).raw(`" y="`).num(y).raw(`" height="`).num(h)
		if fill != "" {
			s.raw(`" fill="`, fill)
		}
		s.raw(`"/>`)
	}
	for _, o := range sc.gapIntervals(c.Out) {
		box("out", "", o.from, o.to, plotTop, plotHeight-plotTop)
	}
	for _, g := range gaps {
		box("gap", "url(#hatch)", g.from, g.to, plotTop, plotHeight-plotTop)
	}
	for _, r := range sc.gapIntervals(c.Rain) {
		box("rain", "", r.from, r.to, plotHeight-5, 5)
	}
}

// grid draws the level lines.
func (c Time) grid(s *svg, fr frame, step float64) {
	for i := 0; ; i++ {
		v := fr.foot + float64(i)*step
		if v > fr.top+step/10 {
			return
		}
		y := fr.y(v)
		s.raw(`<line class="grid" x1="0" x2="100%" y1="`).num(y).raw(`" y2="`).num(y).raw(`"/>`)
	}
}

// levels writes the numbers of the level lines, over all that is drawn. They stand on the lines so that the plot keeps
// the whole width.
func (c Time) levels(s *svg, fr frame, step float64) {
	digits := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	for v := fr.foot + step; v <= fr.top+step/10; v += step {
		s.raw(`<text x="2" y="`).num(fr.y(v) + 12).raw(`">`).text(strconv.FormatFloat(v, 'f', digits, 64))
		if v+step > fr.top+step/10 {
			s.raw(" ").text(c.Unit)
		}
		s.raw(`</text>`)
	}
}

// band draws least to most as steps, cut at the gaps.
func (c Time) band(s *svg, sc scale, fr frame, gaps []interval) {
	var upper, lower []xy
	for _, r := range c.Band {
		a, b := sc.x(r.At), sc.x(r.At.Add(c.Width))
		upper = append(upper, xy{a, fr.y(r.Max)}, xy{b, fr.y(r.Max)})
		lower = append(lower, xy{a, fr.y(r.Min)}, xy{b, fr.y(r.Min)})
	}
	lows := cut(lower, gaps)
	var areas [][]xy
	for i, u := range cut(upper, gaps) { // cut at the same places, as both have the same xs
		l := slices.Clone(lows[i])
		slices.Reverse(l)
		areas = append(areas, append(slices.Clone(u), l...))
	}
	s.path("band", areas)
}

// fan draws the forecast: certain now, wider with time, ending on the level.
func (c Time) fan(s *svg, sc scale, fr frame) {
	f := c.Fan
	if f == nil {
		return
	}
	from, y := xy{sc.x(f.From.At), fr.y(f.From.V)}, fr.y(f.Level)
	s.path("fan", [][]xy{{from, {sc.x(f.Earliest), y}, {sc.x(f.Last), y}}})
	s.path("likely", [][]xy{{from, {sc.x(f.On), y}}})
}

// labels draws the letters: times along the foot, marks along the top, the name of the level.
func (c Time) labels(s *svg, sc scale, fr frame) {
	step := tickStep(c.To.Sub(c.From))
	for _, t := range ticks(c.Span, step, c.Location) {
		x := sc.x(t)
		s.raw(`<line class="tick" x1="`).pct(x).raw(`" x2="`).pct(x).raw(`" y1="216" y2="221"/>`)
		s.label("", x, plotHeight+18, c.Tick(t, step))
	}
	if x := sc.x(c.Now); x > 0 && x < frameWidth {
		s.raw(`<line class="now" x1="`).pct(x).raw(`" x2="`).pct(x).raw(`" y1="18" y2="216"/>`)
	}
	for _, m := range c.Marks {
		x := sc.x(m.At)
		if x < 0 || x > frameWidth {
			continue
		}
		s.raw(`<line class="mark" x1="`).pct(x).raw(`" x2="`).pct(x).raw(`" y1="14" y2="216"/>`)
		s.label("marked", x, 11, m.Label)
	}
	for i, l := range c.levelsSeen(sc) {
		if i == 0 || l.to-l.from > 4*labelMargin { // room for its name
			s.raw(`<text class="lowname" x="`).pct(l.from + 50).raw(`" y="`).num(fr.y(l.V) - 4).raw(`">`).text(l.Text).raw(`</text>`)
		}
	}
}

// levelSeen is a level's stretch of the frame.
type levelSeen struct {
	Level
	interval
}

// levelsSeen returns the levels that are in sight.
func (c Time) levelsSeen(sc scale) []levelSeen {
	var out []levelSeen
	for i, l := range c.Lows {
		v := interval{0, frameWidth}
		if i > 0 {
			v.from = max(sc.x(l.From), 0)
		}
		if i+1 < len(c.Lows) {
			v.to = min(sc.x(c.Lows[i+1].From), frameWidth)
		}
		if l.V > 0 && v.from < v.to {
			out = append(out, levelSeen{l, v})
		}
	}
	return out
}

// letterWidth is about how wide a letter of a label is on a phone, in frame units: a little over half of its 12 px.
const letterWidth = 20

// label writes text centred on x, unless that would run over a side on a phone. What is longer than a phone is cut.
func (s *svg) label(class string, x, y float64, text string) *svg {
	if letters := []rune(text); len(letters) > frameWidth/letterWidth {
		text = string(letters[:frameWidth/letterWidth-1]) + "…"
	}
	anchor, half := "middle", letterWidth*float64(utf8.RuneCountInString(text))/2
	switch {
	case x < labelMargin:
		anchor = "start"
	case x > frameWidth-labelMargin:
		anchor = "end"
	case x < half:
		anchor, x = "start", 0
	case x > frameWidth-half:
		anchor, x = "end", frameWidth
	}
	return s.raw(`<text class="`, class, `" text-anchor="`, anchor, `" x="`).pct(x).raw(`" y="`).num(y).raw(`">`).text(text).raw(`</text>`)
}

// tickStep returns the time between labels: at most about seven, which fit on a phone.
func tickStep(span time.Duration) time.Duration {
	const day = 24 * time.Hour
	for _, step := range []time.Duration{5 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour,
		12 * time.Hour, day, 2 * day, 7 * day, 14 * day} {
		if span/step <= 7 {
			return step
		}
	}
	return 30 * day
}

// ticks returns the moments to label: round ones in the farm's own time, across changes of the clock.
func ticks(span Span, step time.Duration, loc *time.Location) []time.Time {
	if loc == nil {
		loc = time.UTC
	}
	from := span.From.In(loc)
	midnight := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, loc)
	next := func(t time.Time) time.Time { return t.Add(step) }
	switch {
	case step >= 30*24*time.Hour:
		midnight = time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, loc)
		next = func(t time.Time) time.Time { return t.AddDate(0, 1, 0) }
	case step >= 7*24*time.Hour: // weeks begin on Monday
		midnight = midnight.AddDate(0, 0, -(int(midnight.Weekday())+6)%7)
		next = func(t time.Time) time.Time { return t.AddDate(0, 0, int(step/(24*time.Hour))) }
	case step >= 24*time.Hour:
		next = func(t time.Time) time.Time { return t.AddDate(0, 0, int(step/(24*time.Hour))) }
	case step > time.Hour: // 03:00 stays 03:00 on the day the clock changes
		next = func(t time.Time) time.Time {
			h := t.Hour() + int(step/time.Hour)
			return time.Date(t.Year(), t.Month(), t.Day(), h, 0, 0, 0, loc)
		}
	}
	var out []time.Time
	for t := midnight; t.Before(span.To) && len(out) < 40; t = next(t) {
		if !t.Before(span.From) {
			out = append(out, t)
		}
	}
	return out
}
