package chart

import (
	"math"
	"time"
)

// Spark is a small line without axes: the last day of a zone beside its name.
type Spark struct {
	Span
	Points []Point
	Gaps   []Span
	Low    float64   // drawn as a faint line when it is within the values
	LowAt  time.Time // since when it is that; zero for all the time
	Label  string    // what a screen reader says
}

const (
	sparkHeight = 32
	sparkInset  = 2 // so that the stroke is not cut off
)

// SVG draws the sparkline from 0 V up: the height above the foot is the voltage, never a zoomed-in wiggle.
func (c Spark) SVG() string {
	top := c.Low * 1.2
	for _, p := range c.Points {
		top = max(top, p.V)
	}
	y := func(v float64) float64 {
		if top <= 0 {
			return sparkHeight - sparkInset
		}
		return sparkHeight - sparkInset - v/top*(sparkHeight-2*sparkInset)
	}
	sc := newScale(c.Span)
	line := make([]xy, 0, len(c.Points))
	for _, p := range c.Points {
		line = append(line, xy{math.Round(sc.x(p.At)), y(p.V)}) // whole units: a third of a pixel, and a smaller page
	}
	gaps := sc.gapIntervals(c.Gaps)
	var s svg
	s.raw(`<svg class="spark" viewBox="0 0 1000 32" preserveAspectRatio="none" role="img" aria-label="`).text(c.Label).raw(`">`)
	for _, g := range gaps {
		s.raw(`<rect class="gap" x="`).num(g.from).raw(`" y="0" width="`).num(g.to - g.from).raw(`" height="32"/>`)
	}
	if c.Low > 0 {
		s.path("low", [][]xy{{{max(sc.x(c.LowAt), 0), y(c.Low)}, {frameWidth, y(c.Low)}}})
	}
	s.path("line", cut(line, gaps)).raw(`</svg>`)
	return string(s.b)
}

// Bar shows a value against a minimum on a scale from nothing to Full.
type Bar struct {
	Value, Low, Full float64
	Known            bool // false: no value, only the scale
	Bad              bool // coloured, because it needs someone
	Label            string
}

// SVG draws the bar.
func (c Bar) SVG() string {
	full := max(c.Full, c.Value, c.Low*1.25, 1e-9)
	x := func(v float64) float64 { return max(v, 0) / full * frameWidth }
	var s svg
	s.raw(`<svg class="bar" width="100%" height="14" role="img" aria-label="`).text(c.Label).raw(`">`)
	s.raw(`<rect class="track" x="0" y="4" width="100%" height="6" rx="3"/>`)
	if c.Known {
		class := "fill"
		if c.Bad {
			class = "fill bad"
		}
		s.raw(`<rect class="`, class, `" x="0" y="4" height="6" rx="3" width="`).pct(x(c.Value)).raw(`"/>`)
	}
	if c.Low > 0 {
		s.raw(`<line class="min" x1="`).pct(x(c.Low)).raw(`" x2="`).pct(x(c.Low)).raw(`" y1="0" y2="14"/>`)
	}
	s.raw(`</svg>`)
	return string(s.b)
}
