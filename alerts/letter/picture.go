package letter

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"
	"time"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"

	"nightwire/alerts"
)

// Season is what the weekly letter draws: the level of each zone, day by day.
type Season struct {
	Farm     string
	From, To time.Time
	Location *time.Location
	Zones    []Course
}

// Course is one zone's season.
type Course struct {
	Name     string
	Minimums []Level // what it needed, from each time on; the first holds from the start
	Days     []Level
	Trims    []time.Time
}

// Level is a zone's level on one day.
type Level struct {
	At time.Time
	KV float64
}

const (
	pictureWidth = 1000
	panelHeight  = 150
	titleHeight  = 46
	plotLeft     = 70
	plotRight    = pictureWidth - 20
	panelHead    = 34 // room for a zone's name
	fontPixels   = 17
	// mostPanels keeps the picture small enough for a phone; who has more zones looks at the page.
	mostPanels = 12
	// wholeDays is how far apart two days may be to be joined by a line: one may be missing.
	wholeDays = 60 * time.Hour
)

// canvas is a picture in the making.
type canvas struct {
	img  *image.RGBA
	face font.Face
}

// Picture draws the season, a panel for each zone with its minimum as a dashed line. It is nil when there is nothing to
// draw.
func (s Season) Picture() (*alerts.Picture, error) {
	if len(s.Zones) == 0 || !s.To.After(s.From) {
		return nil, nil
	}
	zones := s.Zones[:min(len(s.Zones), mostPanels)]
	ttf, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("draw the season: %w", err)
	}
	face, err := opentype.NewFace(ttf, &opentype.FaceOptions{Size: fontPixels, DPI: 72})
	if err != nil {
		return nil, fmt.Errorf("draw the season: %w", err)
	}
	defer face.Close()
	c := canvas{image.NewRGBA(image.Rect(0, 0, pictureWidth, titleHeight+panelHeight*len(zones))), face}
	draw.Draw(c.img, c.img.Bounds(), image.White, image.Point{}, draw.Src)
	c.text(plotLeft, 30, fmt.Sprintf("%s, kV at the far end of each zone, day by day", s.Farm), dark())
	for i, z := range zones {
		s.panel(c, z, titleHeight+float64(i*panelHeight))
	}
	var b bytes.Buffer
	if err := png.Encode(&b, c.img); err != nil {
		return nil, fmt.Errorf("draw the season: %w", err)
	}
	return &alerts.Picture{Name: s.Farm + "-season.png", Type: "image/png", Data: b.Bytes()}, nil
}

func dark() color.Color   { return color.RGBA{0x22, 0x22, 0x22, 0xff} }
func faint() color.Color  { return color.RGBA{0xcc, 0xcc, 0xcc, 0xff} }
func low() color.Color    { return color.RGBA{0xb0, 0x30, 0x20, 0xff} }
func course() color.Color { return color.RGBA{0x1f, 0x5f, 0x8b, 0xff} }

// panel draws one zone from y down.
func (s Season) panel(c canvas, z Course, y float64) {
	top := 1.0
	for _, m := range z.Minimums {
		top = math.Max(top, m.KV*1.3)
	}
	for _, d := range z.Days {
		top = math.Max(top, d.KV*1.1)
	}
	span := s.To.Sub(s.From).Seconds()
	x := func(t time.Time) float64 { return plotLeft + (plotRight-plotLeft)*t.Sub(s.From).Seconds()/span }
	foot, head := y+panelHeight-26, y+panelHead
	height := func(kv float64) float64 { return foot - (foot-head)*kv/top }
	c.text(plotLeft, y+22, z.Name, dark())
	c.line(plotLeft, foot, plotRight, foot, 1, faint())
	c.text(8, height(0)+6, "0", dark())
	c.minimums(z.Minimums, x, height)
	for _, t := range monthsIn(s) {
		c.line(x(t), head, x(t), foot, 1, faint())
		c.text(int(x(t))+3, foot+19, t.Format("2 Jan"), dark())
	}
	for _, t := range z.Trims {
		if t.After(s.From) && t.Before(s.To) {
			c.line(x(t), head, x(t), foot, 1.5, dark())
			c.text(int(x(t))+4, head+12, "trim", dark())
		}
	}
	for i := 1; i < len(z.Days); i++ {
		a, b := z.Days[i-1], z.Days[i]
		if b.At.Sub(a.At) <= wholeDays {
			c.line(x(a.At), height(a.KV), x(b.At), height(b.KV), 2.5, course())
		}
	}
}

// minimums draws what a zone needed, a dashed line that steps where that changed. The number at the side is the last.
func (c canvas) minimums(all []Level, x func(time.Time) float64, height func(float64) float64) {
	for i, m := range all {
		from, to := float64(plotLeft), float64(plotRight)
		if i > 0 {
			from = math.Max(from, x(m.At))
		}
		if i+1 < len(all) {
			to = math.Min(to, x(all[i+1].At))
		}
		if m.KV <= 0 || from >= to {
			continue
		}
		for at := from; at < to; at += 12 {
			c.line(at, height(m.KV), math.Min(at+6, to), height(m.KV), 1.5, low())
		}
		if i == len(all)-1 {
			c.text(8, height(m.KV)+6, fmt.Sprintf("%.1f", m.KV), low())
		}
	}
}

// monthsIn returns the days to label: months of a season, weeks of less.
func monthsIn(s Season) []time.Time {
	loc := s.Location
	if loc == nil {
		loc = time.UTC
	}
	from := s.From.In(loc)
	at := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, loc)
	next := func(t time.Time) time.Time { return t.AddDate(0, 0, 7) }
	if s.To.Sub(s.From) > 56*24*time.Hour {
		at = time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, loc)
		next = func(t time.Time) time.Time { return t.AddDate(0, 1, 0) }
	}
	var out []time.Time
	for ; at.Before(s.To); at = next(at) {
		if !at.Before(s.From) {
			out = append(out, at)
		}
	}
	return out
}

// text writes with its foot on y.
func (c canvas) text(x int, y float64, text string, ink color.Color) {
	d := font.Drawer{Dst: c.img, Src: image.NewUniform(ink), Face: c.face, Dot: fixed.P(x, int(y))}
	d.DrawString(text)
}

// line draws a straight line of a width.
func (c canvas) line(x1, y1, x2, y2, width float64, ink color.Color) {
	dx, dy := x2-x1, y2-y1
	length := math.Hypot(dx, dy)
	if length == 0 {
		return
	}
	ox, oy := -dy/length*width/2, dx/length*width/2
	left, high := int(min(x1, x2)-width), int(min(y1, y2)-width)
	box := image.Rect(left, high, int(max(x1, x2)+width)+1, int(max(y1, y2)+width)+1).Intersect(c.img.Bounds())
	if box.Empty() {
		return
	}
	r := vector.NewRasterizer(box.Dx(), box.Dy())
	at := func(x, y float64) (float32, float32) {
		return float32(x - float64(box.Min.X)), float32(y - float64(box.Min.Y))
	}
	r.MoveTo(at(x1+ox, y1+oy))
	r.LineTo(at(x2+ox, y2+oy))
	r.LineTo(at(x2-ox, y2-oy))
	r.LineTo(at(x1-ox, y1-oy))
	r.ClosePath()
	r.Draw(c.img, box, image.NewUniform(ink), image.Point{})
}
