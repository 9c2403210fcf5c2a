package chart

import (
	"math"
	"slices"
	"strconv"
)

// Fence draws the fence of one energizer as a strip, from the energizer outward, and the voltage along it below.
type Fence struct {
	Root    string
	RootKV  *float64
	Runs    []Run // each after the run that feeds it
	Suspect *Suspect
	Title   string
	Here    string // the label at the suspected place
}

// Run is one zone of the fence.
type Run struct {
	Name, FedBy string
	LengthM     float64
	Length      string // the same for people
	EndKV       *float64
	EndText     string // the same for people
	LowKV       float64
	Curve       []AlongKV // metres from the run's start
	Bad         bool
}

// AlongKV is a voltage at a place.
type AlongKV struct{ M, KV float64 }

// Suspect is where a fault is thought to be: metres from the start of a run.
type Suspect struct {
	Run            string
	M, LowM, HighM float64
}

const (
	rowHeight     = 56
	stripTop      = 34
	stripFoot     = 40 // from the last wire to the profile, with a line of names between
	profileHeight = 170
	leftInset     = 46 // frame units, room for the numbers of the scale
	rightInset    = 22 // so that the last dot is whole
	leastSuspect  = 14 // frame units: a precise place must still be seen
)

// laid is a run with its place on the drawing.
type laid struct {
	Run
	from, to float64 // metres from the energizer
	row      int
	nth      int // in its row
}

// layOut places each run at the end of the one that feeds it. The first fed run goes on in the same row, others start
// a row of their own.
func (c Fence) layOut() (runs []laid, reach float64, rows int) {
	end := map[string]float64{c.Root: 0}
	row := map[string]int{}
	taken := map[string]bool{}
	nth := map[int]int{}
	for _, r := range c.Runs {
		l := laid{Run: r, from: end[r.FedBy]}
		l.to = l.from + r.LengthM
		if taken[r.FedBy] {
			l.row = rows
		} else {
			l.row = row[r.FedBy]
		}
		taken[r.FedBy] = true
		rows = max(rows, l.row+1)
		l.nth = nth[l.row]
		nth[l.row]++
		end[r.Name], row[r.Name] = l.to, l.row
		reach = max(reach, l.to)
		runs = append(runs, l)
	}
	return runs, max(reach, 1), max(rows, 1)
}

// SVG draws the fence.
func (c Fence) SVG() string {
	runs, reach, rows := c.layOut()
	x := func(m float64) float64 { return leftInset + m/reach*(frameWidth-leftInset-rightInset) }
	top := 0.0
	if c.RootKV != nil {
		top = *c.RootKV
	}
	for _, r := range runs {
		for _, p := range r.Curve {
			top = max(top, p.KV)
		}
		if r.EndKV != nil {
			top = max(top, *r.EndKV)
		}
		top = max(top, r.LowKV)
	}
	strip := float64(stripTop + (rows-1)*rowHeight + stripFoot)
	scale := math.Max(math.Ceil(top/2)*2, 2)
	y := func(kv float64) float64 { return strip + profileHeight - kv/scale*(profileHeight-16) }
	d := drawing{x: x, y: y, strip: strip, height: strip + profileHeight, runs: runs}
	var s svg
	s.raw(`<svg class="fence" width="100%" height="`).num(d.height + 22).raw(`" role="img" aria-label="`).text(c.Title).raw(`">`)
	d.suspect(&s, c)
	d.grid(&s, scale, reach)
	d.lines(&s, c)
	d.letters(&s, c)
	return string(s.raw(`</svg>`).b)
}

// drawing holds the scales while one fence is drawn.
type drawing struct {
	x, y          func(float64) float64
	strip, height float64
	runs          []laid
}

func (d drawing) rowY(row int) float64 { return stripTop + float64(row)*rowHeight }

func (d drawing) suspect(s *svg, c Fence) {
	if c.Suspect == nil {
		return
	}
	for _, r := range d.runs {
		if r.Name != c.Suspect.Run {
			continue
		}
		a, b := d.x(r.from+c.Suspect.LowM), d.x(r.from+c.Suspect.HighM)
		if b-a < leastSuspect {
			mid := (a + b) / 2
			a, b = mid-leastSuspect/2, mid+leastSuspect/2
		}
		yRow := d.rowY(r.row)
		s.raw(`<rect class="suspect" x="`).pct(a).raw(`" width="`).pct(b - a).raw(`" y="`).num(yRow - 9).raw(`" height="18"/>`)
		s.raw(`<rect class="suspect" x="`).pct(a).raw(`" width="`).pct(b - a).raw(`" y="`).num(d.strip).raw(`" height="`).num(profileHeight).raw(`"/>`)
		m := d.x(r.from + c.Suspect.M)
		s.raw(`<line class="suspected" x1="`).pct(m).raw(`" x2="`).pct(m).raw(`" y1="`).num(yRow - 9).raw(`" y2="`).num(yRow + 9).raw(`"/>`)
		s.raw(`<line class="suspected" x1="`).pct(m).raw(`" x2="`).pct(m).raw(`" y1="`).num(d.strip + 15).raw(`" y2="`).num(d.height).raw(`"/>`)
		s.label("here", m, d.strip+11, c.Here)
	}
}

func (d drawing) grid(s *svg, scale, reach float64) {
	for kv := 0.0; kv <= scale; kv += 2 {
		s.raw(`<line class="grid" x1="0" x2="100%" y1="`).num(d.y(kv)).raw(`" y2="`).num(d.y(kv)).raw(`"/>`)
		if kv > 0 {
			s.raw(`<text x="2" y="`).num(d.y(kv)+12).raw(`">`, strconv.Itoa(int(kv)), `</text>`)
		}
	}
	step := niceMetres(reach)
	for m := 0.0; m <= reach; m += step {
		unit := ""
		if m == 0 {
			unit = " m"
		}
		s.label("", d.x(m), d.height+17, strconv.Itoa(int(m))+unit)
	}
}

// niceMetres returns a round distance that divides reach into about five.
func niceMetres(reach float64) float64 {
	step := math.Pow(10, math.Floor(math.Log10(reach/4)))
	switch r := reach / 4 / step; {
	case r >= 5:
		return step * 5
	case r >= 2:
		return step * 2
	}
	return step
}

// lines draws the wires of the strip and the curves of the profile in one stretching frame.
func (d drawing) lines(s *svg, c Fence) {
	s.raw(`<svg width="100%" height="`).num(d.height).raw(`" viewBox="0 0 1000 `).num(d.height).raw(`" preserveAspectRatio="none">`)
	rowOf, endKV := map[string]int{}, map[string]*float64{c.Root: c.RootKV}
	for _, r := range d.runs {
		rowOf[r.Name], endKV[r.Name] = r.row, r.EndKV
		a, b, y := d.x(r.from), d.x(r.to), d.rowY(r.row)
		class := "wire"
		if r.Bad {
			class = "wire bad"
		}
		if from := rowOf[r.FedBy]; from != r.row {
			s.path("drop", [][]xy{{{a, d.rowY(from)}, {a, y}}})
		}
		s.path(class, [][]xy{{{a, y}, {b, y}}})
		s.path("low", [][]xy{{{a, d.y(r.LowKV)}, {b, d.y(r.LowKV)}}})
		var curve []xy
		for _, p := range r.Curve {
			curve = append(curve, xy{d.x(r.from + p.M), d.y(p.KV)})
		}
		class = "line"
		if r.row > 0 {
			class = "line branch"
		}
		switch from := endKV[r.FedBy]; {
		case len(curve) > 0:
			s.path(class, [][]xy{curve})
		case r.EndKV != nil && from != nil: // no curve goes through: join what was measured, faintly
			s.path("between", [][]xy{{{a, d.y(*from)}, {b, d.y(*r.EndKV)}}})
		}
	}
	s.raw(`</svg>`)
}

// letters draws the dots and names.
func (d drawing) letters(s *svg, c Fence) {
	s.raw(`<circle class="root" r="7" cx="`).pct(d.x(0)).raw(`" cy="`).num(d.rowY(0)).raw(`"/>`)
	s.raw(`<text class="zone-name" x="0" y="12">`).text(c.Root).raw(`</text>`)
	if c.RootKV != nil {
		s.raw(`<circle class="dot" r="4" cx="`).pct(d.x(0)).raw(`" cy="`).num(d.y(*c.RootKV)).raw(`"/>`)
	}
	for _, r := range d.runs {
		y := d.rowY(r.row)
		s.raw(`<circle class="post" r="4" cx="`).pct(d.x(r.to)).raw(`" cy="`).num(y).raw(`"/>`)
		// Names of neighbours stand below and above the wire in turn, so that short runs do not run together.
		mid, up := (d.x(r.from)+d.x(r.to))/2, r.nth%2 == 1
		class := "zone-name"
		if r.Bad {
			class = "zone-name bad"
		}
		if up {
			s.label(class, mid, y-10, r.Name+" "+r.Length)
		} else {
			s.label(class, mid, y+20, r.Name+" "+r.Length)
		}
	}
	d.readings(s)
}

// readings draws what was measured at the end of each run, highest first: a name that the next one would strike through
// is above its dot, the next one's below.
func (d drawing) readings(s *svg) {
	measured := slices.DeleteFunc(slices.Clone(d.runs), func(r laid) bool { return r.EndKV == nil })
	slices.SortStableFunc(measured, func(a, b laid) int { return compare(*b.EndKV, *a.EndKV) })
	var dots []xy
	for _, r := range measured {
		dot, class := xy{d.x(r.to), d.y(*r.EndKV)}, "dot"
		if r.Bad {
			class = "dot bad"
		}
		s.raw(`<circle class="`, class, `" r="4.5" cx="`).pct(dot.x).raw(`" cy="`).num(dot.y).raw(`"/>`)
		y := dot.y - 9
		if slices.ContainsFunc(dots, func(o xy) bool { return math.Abs(o.x-dot.x) < 90 && dot.y-o.y < 26 }) {
			y = dot.y + 18
		}
		dots = append(dots, dot)
		s.label("dot-name", dot.x, y, r.EndText)
	}
}
