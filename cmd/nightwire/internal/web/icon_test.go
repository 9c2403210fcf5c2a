package web

import (
	"bytes"
	"encoding/xml"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"regexp"
	"strconv"
	"testing"
)

var update = flag.Bool("update", false, "draw the icon for older phones anew")

// iconSize is what phones ask for that know no SVG icons; smaller ones are made of it.
const iconSize = 192

// TestIconIsDrawnFromOurSVG holds the picture for older phones against icon.svg, which it is drawn from.
func TestIconIsDrawnFromOurSVG(t *testing.T) {
	source, err := assetFiles.ReadFile("assets/icon.svg")
	if err != nil {
		t.Fatal(err)
	}
	want := drawIcon(t, source)
	if *update {
		var b bytes.Buffer
		enc := png.Encoder{CompressionLevel: png.BestCompression}
		if err := enc.Encode(&b, want); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile("assets/icon.png", b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	kept, err := assetFiles.ReadFile("assets/icon.png")
	if err != nil {
		t.Fatal(err)
	}
	got, err := png.Decode(bytes.NewReader(kept))
	if err != nil || got.Bounds() != want.Bounds() {
		t.Fatalf("icon.png is %v, %v; draw it anew with -update", got, err)
	}
	off := 0
	for y := range iconSize {
		for x := range iconSize {
			r, g, b, a := got.At(x, y).RGBA()
			wr, wg, wb, wa := want.At(x, y).RGBA()
			if [4]uint32{r, g, b, a} != [4]uint32{wr, wg, wb, wa} {
				off++
			}
		}
	}
	if off > 0 {
		t.Errorf("%d points of icon.png are not as icon.svg has them; draw it anew with -update", off)
	}
}

// stroke is a line with round ends, in the SVG's own units.
type stroke struct {
	lines [][]point
	color color.NRGBA
	width float64
}

type point struct{ x, y float64 }

// drawIcon draws what icon.svg is made of: one filled square with round corners, and strokes of straight lines. The
// square goes to the edges here, as phones cut the corners themselves.
func drawIcon(t *testing.T, source []byte) image.Image {
	t.Helper()
	var svg struct {
		ViewBox string `xml:"viewBox,attr"`
		Rect    struct {
			Fill string `xml:"fill,attr"`
		} `xml:"rect"`
		Paths []struct {
			D      string  `xml:"d,attr"`
			Stroke string  `xml:"stroke,attr"`
			Width  float64 `xml:"stroke-width,attr"`
		} `xml:"path"`
	}
	if err := xml.Unmarshal(source, &svg); err != nil {
		t.Fatal(err)
	}
	var side float64
	if _, err := fmt.Sscanf(svg.ViewBox, "0 0 %f", &side); err != nil || len(svg.Paths) == 0 {
		t.Fatalf("cannot draw view box %q with %d paths: %v", svg.ViewBox, len(svg.Paths), err)
	}
	var strokes []stroke
	for _, p := range svg.Paths {
		strokes = append(strokes, stroke{pathLines(t, p.D), hexColor(t, p.Stroke), p.Width})
	}
	out := image.NewNRGBA(image.Rect(0, 0, iconSize, iconSize))
	for y := range iconSize {
		for x := range iconSize {
			at := point{(float64(x) + .5) * side / iconSize, (float64(y) + .5) * side / iconSize}
			c := hexColor(t, svg.Rect.Fill)
			for _, s := range strokes {
				// Half a point outside the edge nothing is covered, half a point inside all.
				cover := min(max((s.width/2-s.distance(at))*iconSize/side+.5, 0), 1)
				c = color.NRGBA{blend(c.R, s.color.R, cover), blend(c.G, s.color.G, cover), blend(c.B, s.color.B, cover), 255}
			}
			out.SetNRGBA(x, y, c)
		}
	}
	return out
}

func blend(under, over uint8, share float64) uint8 {
	return uint8(math.Round(float64(under) + (float64(over)-float64(under))*share))
}

func hexColor(t *testing.T, s string) color.NRGBA {
	t.Helper()
	v, err := strconv.ParseUint(s[min(1, len(s)):], 16, 32)
	if err != nil {
		t.Fatalf("color %q: %v", s, err)
	}
	return color.NRGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 255}
}

// distance returns how far a point is from the middle of a stroke.
func (s stroke) distance(p point) float64 {
	best := math.Inf(1)
	for _, l := range s.lines {
		for i := 1; i < len(l); i++ {
			a, b := l[i-1], l[i]
			dx, dy := b.x-a.x, b.y-a.y
			k := min(max(((p.x-a.x)*dx+(p.y-a.y)*dy)/(dx*dx+dy*dy), 0), 1)
			best = min(best, math.Hypot(p.x-a.x-k*dx, p.y-a.y-k*dy))
		}
	}
	return best
}

var (
	pathPart   = regexp.MustCompile(`([A-Za-z])([^A-Za-z]*)`)
	pathNumber = regexp.MustCompile(`-?[0-9.]+`)
)

// pathLines reads a path of moves and straight lines: M, l, h and v.
func pathLines(t *testing.T, d string) (lines [][]point) {
	t.Helper()
	var at point
	for _, m := range pathPart.FindAllStringSubmatch(d, -1) {
		var ns []float64
		for _, text := range pathNumber.FindAllString(m[2], -1) {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			ns = append(ns, v)
		}
		switch m[1] {
		case "M":
			at = point{ns[0], ns[1]}
			lines = append(lines, []point{at})
			continue
		case "h":
			ns = []float64{ns[0], 0}
		case "v":
			ns = []float64{0, ns[0]}
		case "l":
		default:
			t.Fatalf("path command %q is not known here", m[1])
		}
		for i := 0; i+1 < len(ns); i += 2 {
			at = point{at.x + ns[i], at.y + ns[i+1]}
			lines[len(lines)-1] = append(lines[len(lines)-1], at)
		}
	}
	return lines
}
