// Package chart draws the fence's charts as SVG: voltages over time and along the wire, sparklines and bars. It knows
// nothing of stores or pages; colours come from style sheet classes, texts from the caller.
//
// Charts are as wide as the page lets them be. Shapes are drawn in a frame that stretches sideways, with strokes that
// do not; texts and dots are placed by per cent, so that letters keep their size on a phone.
package chart

import (
	"slices"
	"strconv"
	"time"
)

// Frame units across any chart; a phone shows it in about 360 px, a desk in about 900.
const frameWidth = 1000

// minGap is the least width at which a gap is drawn, in frame units: 2.2 px on a phone. Two hours out of a season are
// half a pixel and would vanish.
const minGap = 6

// Span is a stretch of time.
type Span struct{ From, To time.Time }

// Point is a value at a time.
type Point struct {
	At time.Time
	V  float64
}

// Range is the least and the most of a stretch of time that begins at At.
type Range struct {
	At       time.Time
	Min, Max float64
}

// xy is a place in the frame.
type xy struct{ x, y float64 }

// interval is a stretch of the frame, left to right.
type interval struct{ from, to float64 }

// svg collects markup.
type svg struct{ b []byte }

func (s *svg) raw(parts ...string) *svg {
	for _, p := range parts {
		s.b = append(s.b, p...)
	}
	return s
}

// num writes a coordinate with one decimal, short.
func (s *svg) num(v float64) *svg {
	s.b = strconv.AppendFloat(s.b, float64(tenths(v))/10, 'f', -1, 64)
	return s
}

// tenths rounds a coordinate to what is written of it.
func tenths(v float64) int { return int(v*10 + half(v)) }

func half(v float64) float64 {
	if v < 0 {
		return -0.5
	}
	return 0.5
}

// pct writes a frame x as a share of the width.
func (s *svg) pct(x float64) *svg {
	s.b = strconv.AppendFloat(s.b, float64(int64(x/frameWidth*10000+half(x)))/100, 'f', -1, 64)
	s.b = append(s.b, '%')
	return s
}

// text writes escaped text.
func (s *svg) text(t string) *svg {
	for _, r := range t {
		switch r {
		case '<':
			s.raw("&lt;")
		case '>':
			s.raw("&gt;")
		case '&':
			s.raw("&amp;")
		case '"':
			s.raw("&#34;")
		default:
			s.b = append(s.b, string(r)...)
		}
	}
	return s
}

// path writes one path through all the lines. Each point is written as its way from the one before, in whole tenths so
// that no error adds up: half as long as the places themselves.
func (s *svg) path(class string, lines [][]xy) *svg {
	if len(lines) == 0 {
		return s
	}
	s.raw(`<path class="`, class, `" d="`)
	for _, l := range lines {
		lastX, lastY := 0, 0
		for i, p := range l {
			x, y := tenths(p.x), tenths(p.y)
			switch i {
			case 0:
				s.raw("M")
			case 1:
				s.raw("l")
			}
			s.way(x-lastX, i < 2).way(y-lastY, false)
			lastX, lastY = x, y
		}
		if len(l) == 1 { // a lone reading still shows: round line ends make it a dot
			s.raw("h.1")
		}
	}
	return s.raw(`"/>`)
}

// way writes tenths within a path: .3 for 0.3, and nothing before a minus, which parts it from the number before it.
func (s *svg) way(n int, first bool) *svg {
	switch {
	case n < 0:
		s.raw("-")
		n = -n
	case !first:
		s.raw(" ")
	}
	if n >= 10 || n == 0 {
		s.b = strconv.AppendInt(s.b, int64(n/10), 10)
	}
	if n%10 != 0 {
		s.b = append(s.b, '.', '0'+byte(n%10))
	}
	return s
}

// scale maps times to frame units.
type scale struct {
	from time.Time
	span float64 // seconds
}

func newScale(s Span) scale { return scale{s.From, max(s.To.Sub(s.From).Seconds(), 1)} }

func (s scale) x(t time.Time) float64 { return t.Sub(s.from).Seconds() / s.span * frameWidth }

// gapIntervals maps gaps to the frame, each at least minGap wide, sorted and joined where they meet.
func (s scale) gapIntervals(gaps []Span) []interval {
	var out []interval
	for _, g := range gaps {
		a, b := s.x(g.From), s.x(g.To)
		if b < 0 || a > frameWidth {
			continue
		}
		if b-a < minGap {
			mid := (a + b) / 2
			a, b = mid-minGap/2, mid+minGap/2
		}
		out = append(out, interval{max(a, 0), min(b, frameWidth)})
	}
	slices.SortFunc(out, func(a, b interval) int { return compare(a.from, b.from) })
	return joined(out)
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// joined merges sorted intervals that overlap.
func joined(in []interval) []interval {
	var out []interval
	for _, v := range in {
		if n := len(out); n > 0 && v.from <= out[n-1].to {
			out[n-1].to = max(out[n-1].to, v.to)
			continue
		}
		out = append(out, v)
	}
	return out
}

// cut splits a line where gaps are, so that no stroke crosses one. Points inside a gap are dropped; the line ends on
// the gap's edges.
func cut(line []xy, gaps []interval) [][]xy {
	if len(line) == 0 {
		return nil
	}
	var out [][]xy
	var cur []xy
	end := func() {
		if len(cur) > 0 {
			out, cur = append(out, cur), nil
		}
	}
	g := 0
	for i, p := range line {
		for g < len(gaps) && gaps[g].to <= p.x {
			if i > 0 && line[i-1].x < gaps[g].to && len(cur) > 0 { // the gap lies between two points
				cur = append(cur, at(line[i-1], p, gaps[g].from))
			}
			end()
			if i > 0 && line[i-1].x < gaps[g].to && gaps[g].to < p.x {
				cur = append(cur, at(line[i-1], p, gaps[g].to))
			}
			g++
		}
		if g < len(gaps) && p.x >= gaps[g].from {
			if len(cur) > 0 && i > 0 && line[i-1].x < gaps[g].from {
				cur = append(cur, at(line[i-1], p, gaps[g].from))
			}
			end()
			continue
		}
		cur = append(cur, p)
	}
	end()
	return out
}

// at returns the point at x on the line from a to b.
func at(a, b xy, x float64) xy {
	if b.x == a.x {
		return xy{x, a.y}
	}
	return xy{x, a.y + (b.y-a.y)*(x-a.x)/(b.x-a.x)}
}
