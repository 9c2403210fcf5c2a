package chart

import (
	"math"
	"strconv"
)

// Profile is a chart of volts along a fence, as a picture by itself: a file to keep, print or send.
type Profile struct {
	Title string
	Lines []ProfileLine
	Needs []Stretch // what the stock need, zone by zone
	Unit  string    // of the distance: m
}

// ProfileLine is the voltage along the fence in one state of it.
type ProfileLine struct {
	Name   string
	Points []AlongKV
}

// Stretch is a zone on the way, with a level that holds along it.
type Stretch struct {
	Name           string
	FromM, ToM, KV float64
}

const (
	pictureWide = 720
	pictureHigh = 400
	pictureLeft = 48 // room for the numbers of the scale
	pictureTop  = 40 // and for the title
	pictureFoot = 60
)

// pictureStyle goes into the file, for a picture by itself has no style sheet. Lines differ by dashes too, so that
// colour is never alone.
const pictureStyle = `<style>text{font:13px sans-serif;fill:#222}.title{font-size:15px}.paper{fill:#fff}` +
	`.grid{stroke:#ddd}.line{fill:none;stroke:#222;stroke-width:2}.n1{stroke:#3a6ea5;stroke-dasharray:8 4}` +
	`.n2{stroke:#a5533a;stroke-dasharray:3 3}.low{fill:none;stroke:#777;stroke-dasharray:1 3;stroke-width:2}.end{stroke:#999}</style>`

// SVG draws the picture.
func (c Profile) SVG() string {
	reach, top := 1e-9, 1.0
	for _, l := range c.Lines {
		for _, p := range l.Points {
			reach, top = max(reach, p.M), max(top, p.KV)
		}
	}
	for _, n := range c.Needs {
		top = max(top, n.KV)
	}
	top = math.Ceil(top)
	place := func(p AlongKV) xy {
		return xy{pictureLeft + p.M/reach*(pictureWide-pictureLeft-16), pictureHigh - pictureFoot - p.KV/top*(pictureHigh-pictureFoot-pictureTop)}
	}
	var s svg
	s.raw(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 720 400" role="img" aria-label="`).text(c.Title).raw(`">`, pictureStyle)
	s.raw(`<rect class="paper" width="720" height="400"/><text class="title" x="16" y="24">`).text(c.Title).raw(`</text>`)
	c.scale(&s, top, place)
	for _, n := range c.Needs {
		s.path("low", [][]xy{{place(AlongKV{n.FromM, n.KV}), place(AlongKV{n.ToM, n.KV})}})
		c.end(&s, n, place)
	}
	for i, l := range c.Lines {
		var line []xy
		for _, p := range l.Points {
			line = append(line, place(p))
		}
		s.path("line n"+strconv.Itoa(i), [][]xy{line})
		if n := len(line); n > 0 {
			s.raw(`<text text-anchor="end" x="`).num(line[n-1].x).raw(`" y="`).num(line[n-1].y - 6).raw(`">`).text(l.Name).raw(`</text>`)
		}
	}
	return string(s.raw(`</svg>`, "\n").b)
}

// scale draws a line for every kilovolt, or for every second one where there are many.
func (c Profile) scale(s *svg, top float64, place func(AlongKV) xy) {
	step := math.Ceil(top / 10)
	for kv := 0.0; kv <= top; kv += step {
		y := place(AlongKV{0, kv}).y
		s.raw(`<line class="grid" x1="48" x2="704" y1="`).num(y).raw(`" y2="`).num(y).raw(`"/>`)
		s.raw(`<text text-anchor="end" x="42" y="`).num(y + 4).raw(`">`).num(kv).raw(`</text>`)
	}
	s.raw(`<text x="16" y="38">kV</text>`)
}

// end marks a zone's far end with its name and the distance.
func (c Profile) end(s *svg, n Stretch, place func(AlongKV) xy) {
	p := place(AlongKV{n.ToM, 0})
	s.raw(`<line class="end" x1="`).num(p.x).raw(`" x2="`).num(p.x).raw(`" y1="`).num(p.y).raw(`" y2="`).num(p.y + 6).raw(`"/>`)
	s.raw(`<text text-anchor="end" x="`).num(p.x + 8).raw(`" y="`).num(p.y + 22).raw(`">`).text(n.Name).raw(`</text>`)
	s.raw(`<text text-anchor="end" x="`).num(p.x + 8).raw(`" y="`).num(p.y + 38).raw(`">`).num(math.Round(n.ToM)).raw(" ").text(c.Unit).raw(`</text>`)
}
