package web

import (
	"context"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// chartsByTouch moves, zooms and reads a chart with fingers, as Chromium gets them from a touch screen.
func chartsByTouch(t *testing.T, browser context.Context) {
	b := openTab(t, browser, serve(t, options(newFake())).URL)
	b.do(touchScreen())
	b.open("/zone/lane")
	c := chartOf(b)

	c.touch(input.DispatchTouchEventTypeTouchStart, 100)
	c.touch(input.DispatchTouchEventTypeTouchEnd)
	if got := b.text("output"); !strings.Contains(got, "kV (") {
		t.Errorf("a tap reads %q", got)
	}
	first := b.text("output")
	c.touch(input.DispatchTouchEventTypeTouchStart, 250)
	c.touch(input.DispatchTouchEventTypeTouchEnd)
	if got := b.text("output"); got == first {
		t.Errorf("a tap elsewhere reads the same: %q", got)
	}

	// Two fingers 60 px apart about a third from the left go to 180 px apart: three times as close, and the moment
	// between them stays where it is.
	was := c.window()
	at := c.width / 3
	between := was.from + (was.to-was.from)*at/c.width
	c.gesture([]float64{at - 30, at + 30}, []float64{at - 60, at + 60}, []float64{at - 90, at + 90})
	got := c.waitWindow(was)
	if span, want := got.to-got.from, (was.to-was.from)/3; math.Abs(span-want) > want*.03 {
		t.Errorf("pinched open it shows %.0f s, want about %.0f", span, want)
	}
	if now := got.from + (got.to-got.from)*at/c.width; math.Abs(now-between) > (got.to-got.from)*.03 {
		t.Errorf("what was between the fingers moved by %.0f s of %.0f", now-between, got.to-got.from)
	}

	// Together again: half as close.
	was = got
	mid := c.width / 2
	c.gesture([]float64{mid - 80, mid + 80}, []float64{mid - 60, mid + 60}, []float64{mid - 40, mid + 40})
	got = c.waitWindow(was)
	if span, want := got.to-got.from, (was.to-was.from)*2; math.Abs(span-want) > want*.03 {
		t.Errorf("pinched shut it shows %.0f s, want about %.0f", span, want)
	}

	// One finger to the right: into the past, as far as the finger went.
	was = got
	c.gesture([]float64{100}, []float64{150}, []float64{200})
	got = c.waitWindow(was)
	if moved, want := was.from-got.from, 100/c.width*(was.to-was.from); math.Abs(moved-want) > want*.05 || math.Abs((got.to-got.from)-(was.to-was.from)) > 2 {
		t.Errorf("dragged, it moved by %.0f s and shows %.0f, want %.0f and %.0f", moved, got.to-got.from, want, was.to-was.from)
	}
	if over := eval[int](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
		t.Errorf("the page is %d px wider than the phone afterwards", over)
	}
}

// touchScreen gives the browser one.
func touchScreen() chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 2})
		return err
	})
}

// touched is the voltage's chart on a touch screen; xs are measured from its left.
type touched struct {
	*tab
	left, top, width float64
}

// chartOf scrolls the chart into sight.
func chartOf(b *tab) *touched {
	b.Helper()
	b.do(chromedp.ScrollIntoView(chromedp.CSS("svg.plot")))
	box := eval[[]float64](b, `(() => { const r = document.querySelector(".clip").getBoundingClientRect(); return [r.left, r.top, r.width]; })()`)
	return &touched{b, box[0], box[1], box[2]}
}

func (c *touched) touch(kind input.DispatchTouchEventType, xs ...float64) {
	c.Helper()
	points := []*input.TouchPoint{}
	for i, x := range xs {
		points = append(points, &input.TouchPoint{X: c.left + x, Y: c.top + 110, ID: ptr(float64(i))})
	}
	c.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		return err
	}))
}

// gesture puts fingers down, moves them, and lifts them one after the other.
func (c *touched) gesture(from []float64, moves ...[]float64) {
	c.Helper()
	for i := range from {
		c.touch(input.DispatchTouchEventTypeTouchStart, from[:i+1]...)
	}
	for _, xs := range moves {
		c.touch(input.DispatchTouchEventTypeTouchMove, xs...)
	}
	c.touch(input.DispatchTouchEventTypeTouchEnd)
}

// shownSpan is the stretch of time that the chart shows, Unix seconds.
type shownSpan struct{ from, to float64 }

func (c *touched) window() shownSpan {
	c.Helper()
	v := eval[[]float64](c.tab, `[+document.querySelector("#chart-kv").dataset.from, +document.querySelector("#chart-kv").dataset.to]`)
	return shownSpan{v[0], v[1]}
}

// waitWindow waits until the chart shows another stretch.
func (c *touched) waitWindow(was shownSpan) shownSpan {
	c.Helper()
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	c.comes(`+document.querySelector("#chart-kv").dataset.from !== ` + number(was.from) + ` || +document.querySelector("#chart-kv").dataset.to !== ` + number(was.to))
	return c.window()
}
