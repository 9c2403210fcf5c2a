package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var noon = time.Date(2026, 6, 18, 12, 0, 0, 0, time.UTC)

func TestCutSplitsAtGaps(t *testing.T) {
	line := []xy{{0, 0}, {10, 10}, {20, 20}, {30, 30}}
	for _, tt := range []struct {
		name string
		gaps []interval
		want [][]xy
	}{
		{"no gap", nil, [][]xy{line}},
		{"between points", []interval{{12, 18}}, [][]xy{{{0, 0}, {10, 10}, {12, 12}}, {{18, 18}, {20, 20}, {30, 30}}}},
		{"over a point", []interval{{8, 12}}, [][]xy{{{0, 0}, {8, 8}}, {{12, 12}, {20, 20}, {30, 30}}}},
		{"from point to point", []interval{{10, 20}}, [][]xy{{{0, 0}, {10, 10}}, {{20, 20}, {30, 30}}}},
		{"before all", []interval{{-9, -3}}, [][]xy{line}},
		{"after all", []interval{{31, 40}}, [][]xy{line}},
		{"over all", []interval{{-1, 40}}, nil},
		{"two between the same points", []interval{{12, 13}, {15, 16}}, [][]xy{{{0, 0}, {10, 10}, {12, 12}}, {{13, 13}, {15, 15}}, {{16, 16}, {20, 20}, {30, 30}}}},
		{"over the first", []interval{{-5, 5}}, [][]xy{{{5, 5}, {10, 10}, {20, 20}, {30, 30}}}},
		{"over the last", []interval{{25, 35}}, [][]xy{{{0, 0}, {10, 10}, {20, 20}, {25, 25}}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := cut(line, tt.gaps)
			if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(xy{})); diff != "" {
				t.Errorf("pieces differ (-want +got):\n%s", diff)
			}
		})
	}
}

var pathData = regexp.MustCompile(`<path class="(line|band)" d="([^"]*)"`)

// strokes returns the x ranges of all pieces of the line and the band.
func strokes(t *testing.T, svg string) (out []interval) {
	t.Helper()
	for _, m := range pathData.FindAllStringSubmatch(svg, -1) {
		for _, piece := range places(t, m[2]) {
			iv := interval{1e9, -1e9}
			for _, p := range piece {
				iv.from, iv.to = min(iv.from, p.x), max(iv.to, p.x)
			}
			out = append(out, iv)
		}
	}
	return out
}

var pathNumber = regexp.MustCompile(`-?(?:\d+(?:\.\d+)?|\.\d+)`)

// places reads a path: each piece begins at a place, and goes on by ways from point to point.
func places(t *testing.T, path string) (out [][]xy) {
	t.Helper()
	for _, piece := range strings.Split(path, "M")[1:] {
		var line []xy
		numbers := pathNumber.FindAllString(strings.TrimSuffix(piece, "h.1"), -1)
		if len(numbers) == 0 || len(numbers)%2 != 0 {
			t.Fatalf("path %q has %d numbers", piece, len(numbers))
		}
		at := xy{}
		for i := 0; i < len(numbers); i += 2 {
			dx, err1 := strconv.ParseFloat(numbers[i], 64)
			dy, err2 := strconv.ParseFloat(numbers[i+1], 64)
			if err := errors.Join(err1, err2); err != nil {
				t.Fatalf("path %q: %v", piece, err)
			}
			at = xy{at.x + dx, at.y + dy}
			line = append(line, at)
		}
		out = append(out, line)
	}
	return out
}

// TestPathGoesWhereItShould reads long paths back: however many points, each is where it was to within its rounding.
func TestPathGoesWhereItShould(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	lines := [][]xy{{{7, -.04}}, {{.25, .04}, {.2, .31}, {-.06, 0}, {-.06, 0}, {1000, 100}, {999, 99.9}}, nil}
	for i := range 2000 {
		lines[2] = append(lines[2], xy{float64(i) / 2.03, 200 * r.Float64()})
	}
	var s svg
	d := strings.Split(string(s.path("line", lines).b), `"`)[3]
	if !strings.HasPrefix(d, "M7 0h.1M.3 0l-.1 .3-.3-.3 0 0 1000.1 100-1-.1M") {
		t.Errorf("path begins %.60q", d)
	}
	got := places(t, d)
	if len(got) != len(lines) {
		t.Fatalf("%d pieces, want %d", len(got), len(lines))
	}
	for i, line := range lines {
		if len(got[i]) != len(line) {
			t.Fatalf("piece %d has %d points, want %d", i, len(got[i]), len(line))
		}
		for k, p := range line {
			if q := got[i][k]; math.Abs(q.x-p.x) > .0501 || math.Abs(q.y-p.y) > .0501 {
				t.Fatalf("point %d of piece %d is at %v, want %v", k, i, q, p)
			}
		}
	}
}

// TestDropoutShowsAtEveryZoom draws two silent hours in charts from six hours to two years long. Nothing may be drawn
// across them, and what is left free must be wide enough to be seen: 2 px on a phone 360 px wide.
func TestDropoutShowsAtEveryZoom(t *testing.T) {
	const least = 2.0 / 360 * frameWidth
	down := Span{noon.Add(-time.Hour), noon.Add(time.Hour)}
	for _, days := range []float64{.25, .5, 1, 3, 7, 11, 30, 120, 365, 730} {
		t.Run(strconv.FormatFloat(days, 'g', -1, 64)+" days", func(t *testing.T) {
			length := time.Duration(days * 24 * float64(time.Hour))
			c := Time{Span: Span{noon.Add(-length / 2), noon.Add(length / 2)}, Gaps: []Span{down}, Tick: tickName}
			c.Width = max(length/360, time.Minute)
			if days > 12 {
				c.Width = 24 * time.Hour
			}
			for at := c.From; at.Before(c.To); at = at.Add(c.Width) {
				end := at.Add(c.Width)
				if !at.Before(down.From) && !end.After(down.To) {
					continue // no readings at all in this one
				}
				c.Band = append(c.Band, Range{at, 5, 6})
				c.Line = append(c.Line, Point{at.Add(c.Width / 2), 5.5})
			}
			svg := c.SVG()
			got := strokes(t, svg)
			if len(got) != 4 { // line and band, before and after
				t.Fatalf("%d pieces %v, want 4", len(got), got)
			}
			left, right := max(got[0].to, got[2].to), min(got[1].from, got[3].from)
			if right-left < least {
				t.Errorf("free from %.2f to %.2f: %.2f wide, want at least %.2f", left, right, right-left, least)
			}
			if sc := newScale(c.Span); left > (sc.x(down.From)+sc.x(down.To))/2 || right < (sc.x(down.From)+sc.x(down.To))/2 {
				t.Errorf("free from %.2f to %.2f is not where the dropout was", left, right)
			}
			if !strings.Contains(svg, `class="gap"`) {
				t.Error("the gap is not marked")
			}
		})
	}
}

func tickName(at time.Time, _ time.Duration) string { return at.Format("2 Jan 15:04") }

func TestEmptyChartHasAScaleForPeople(t *testing.T) {
	svg := Time{Span: Span{noon, noon.Add(time.Hour)}, Unit: "V", Tick: tickName, Floor: 12}.SVG()
	if !strings.Contains(svg, ">12.5<") || !strings.Contains(svg, ">13.5 V<") {
		t.Errorf("the scale is not by half volts from 12:\n%s", svg)
	}
}

func TestMissingDayIsAGapWithoutBeingToldSo(t *testing.T) {
	c := Time{Span: Span{noon, noon.AddDate(0, 0, 20)}, Width: 24 * time.Hour, Tick: tickName}
	for d := range 20 {
		if d != 9 {
			c.Band = append(c.Band, Range{noon.AddDate(0, 0, d), 5, 6})
		}
	}
	if got := strokes(t, c.SVG()); len(got) != 2 || got[0].to > 450.1 || got[1].from < 499.9 {
		t.Errorf("pieces %v, want one to 450 and one from 500", got)
	}
}

func TestChartsAreWellFormedAndEscaped(t *testing.T) {
	nasty := `<b>"&' ]]>`
	kv := 4.2
	for name, svg := range map[string]string{
		"spark": Spark{Label: nasty, Points: []Point{{noon, 1}}, Span: Span{noon, noon.Add(time.Hour)}, Low: 2}.SVG(),
		"bar":   Bar{Label: nasty, Known: true, Value: 3, Low: 2, Full: 5, Bad: true}.SVG(),
		"empty": Time{Title: nasty, Tick: tickName}.SVG(),
		"time": Time{Title: nasty, Span: Span{noon, noon.Add(time.Hour)}, Band: []Range{{noon, 1, 2}}, Width: time.Minute, Lows: []Level{{V: 1, Text: nasty}},
			Marks: []Mark{{noon.Add(time.Minute), nasty}}, Unit: nasty, Rain: []Span{{noon, noon.Add(time.Minute)}}, Out: []Span{{noon, noon.Add(time.Minute)}},
			Fan:  &Fan{Point{noon, 5}, 2, noon.Add(30 * time.Minute), noon.Add(20 * time.Minute), noon.Add(50 * time.Minute)},
			Tick: func(time.Time, time.Duration) string { return nasty }}.SVG(),
		"fence": Fence{Root: nasty, RootKV: &kv, Title: nasty, Here: nasty, Suspect: &Suspect{nasty, 20, 10, 30},
			Runs: []Run{{Name: nasty, FedBy: nasty, LengthM: 100, Length: nasty, EndKV: &kv, EndText: nasty, Bad: true}}}.SVG(),
	} {
		t.Run(name, func(t *testing.T) {
			d := xml.NewDecoder(strings.NewReader(svg))
			for {
				tok, err := d.Token()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatalf("not well formed: %v\n%s", err, svg)
				}
				if e, ok := tok.(xml.StartElement); ok && e.Name.Local == "b" {
					t.Fatalf("text became an element:\n%s", svg)
				}
			}
			if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
				t.Errorf("a coordinate is not a number:\n%s", svg)
			}
		})
	}
}

func TestTicksAreRoundAcrossClockChange(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	// 2026-03-29: clocks go from 01:00 to 02:00.
	from := time.Date(2026, 3, 28, 18, 0, 0, 0, dublin)
	var got []string
	for _, at := range ticks(Span{from, from.Add(29 * time.Hour)}, 6*time.Hour, dublin) {
		got = append(got, at.Format("2 15:04"))
	}
	want := []string{"28 18:00", "29 00:00", "29 06:00", "29 12:00", "29 18:00"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("ticks differ (-want +got):\n%s", diff)
	}
}

// TestLabelsStayInTheFrame draws long names in the middle and near the sides.
func TestLabelsStayInTheFrame(t *testing.T) {
	long := strings.Repeat("lane-", 9)
	for _, tt := range []struct {
		x    float64
		text string
		want string
	}{
		{500, "lane 90 m", `"middle" x="50%" y="1">lane 90 m<`},
		{500, long, `"middle" x="50%" y="1">` + long + `<`},
		{300, long, `"start" x="0%" y="1">` + long + `<`},
		{800, long, `"end" x="100%" y="1">` + long + `<`},
		{10, "5.1", `"start" x="1%" y="1">5.1<`},
		{990, "5.1", `"end" x="99%" y="1">5.1<`},
		{500, strings.Repeat("ä", 60), `"middle" x="50%" y="1">` + strings.Repeat("ä", 49) + `…<`},
	} {
		var s svg
		if got := string(s.label("", tt.x, 1, tt.text).b); !strings.Contains(got, tt.want) {
			t.Errorf("at %g: %s lacks %s", tt.x, got, tt.want)
		}
	}
}

func TestFenceIsLaidOutAsTree(t *testing.T) {
	c := Fence{Root: "cartshed", Runs: []Run{{Name: "brook", FedBy: "cartshed", LengthM: 180}, {Name: "hazel", FedBy: "brook", LengthM: 240},
		{Name: "orchard", FedBy: "brook", LengthM: 150}, {Name: "yard", FedBy: "cartshed", LengthM: 50}}}
	runs, reach, rows := c.layOut()
	type place struct {
		Name     string
		From, To float64
		Row      int
	}
	var got []place
	for _, r := range runs {
		got = append(got, place{r.Name, r.from, r.to, r.row})
	}
	want := []place{{"brook", 0, 180, 0}, {"hazel", 180, 420, 0}, {"orchard", 180, 330, 1}, {"yard", 0, 50, 2}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("places differ (-want +got):\n%s", diff)
	}
	if reach != 420 || rows != 3 {
		t.Errorf("reach %g and %d rows, want 420 and 3", reach, rows)
	}
}
