package web

import (
	"context"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// keyed is a window that is used by the keyboard alone: nothing in it is clicked or focused by a script.
type keyed struct {
	*tab
	f *fakeFarm
}

// to presses Tab until what has the focus fits a selector. Whatever has the focus on the way must be seen to have it.
func (k *keyed) to(css string) {
	k.Helper()
	const look = `((e) => [e.matches(CSS), e === document.body || e.matches(":focus-visible") && getComputedStyle(e).outlineStyle !== "none" &&
		e.getClientRects().length > 0, e.outerHTML.slice(0, 100)])(document.activeElement)`
	for range 80 {
		k.do(chromedp.KeyEvent(kb.Tab))
		got := eval[[]any](k.tab, strings.Replace(look, "CSS", strconv.Quote(css), 1))
		if seen, ok := got[1].(bool); !ok || !seen {
			k.Errorf("focus cannot be seen on %v", got[2])
		}
		if here, ok := got[0].(bool); ok && here {
			return
		}
	}
	k.Fatalf("80 tabs did not reach %s", css)
}

// write types into the field that has the focus.
func (k *keyed) write(text string) { k.Helper(); k.do(chromedp.KeyEvent(text)) }

// enter presses a key on something, which leads to another page.
func (k *keyed) enter(css, key string) {
	k.Helper()
	k.to(css)
	k.follow(chromedp.KeyEvent(key))
}

// did fails unless the last thing done was of a kind, by Ines, and as it should be.
func (k *keyed) did(kind alerts.ActionKind, fits func(a alerts.Action) bool) {
	k.Helper()
	if a := last(k.T, k.f); a.Kind != kind || a.By != "Ines" || !fits(a) {
		k.Errorf("the keys did %+v, want %s", a, kind)
	}
}

// keyboardAlone comes in, does everything there is to do, and goes out again, with nothing but the keyboard.
func keyboardAlone(t *testing.T, browser context.Context) {
	f := newFake().alarmed()
	opts := options(f)
	opts.Password = "horse"
	k := &keyed{openTab(t, browser, serve(t, opts).URL), f}
	k.open("/")
	k.to("input[name=name]")
	k.write("Ines")
	k.to("input[name=password]")
	k.write("horse")
	k.follow(chromedp.KeyEvent(kb.Enter))

	k.do(chromedp.KeyEvent(kb.Tab))
	if first := eval[string](k.tab, `document.activeElement.className`); first != "skip" {
		t.Errorf("the first tab leads to %q, want the way past the navigation", first)
	}
	k.do(chromedp.KeyEvent(kb.Enter))
	if on := eval[string](k.tab, `document.activeElement.id`); on != "main" {
		t.Errorf("skipping leads to %q, want main", on)
	}
	k.enter("button[value=ack]", kb.Enter)
	k.did(alerts.Acknowledge, func(a alerts.Action) bool { return a.Alarm == f.alarms[0].ID })
	k.wants("main", "Ines has it since 07:13")
	k.to("summary")
	k.do(chromedp.KeyEvent(kb.Enter))
	k.to("select[name=for]")
	k.do(chromedp.KeyEvent(kb.ArrowDown))
	k.enter("button[value=shelve]", " ")
	k.did(alerts.Shelve, func(a alerts.Action) bool { return a.Until.Sub(a.Time).Hours() == 4 })
	k.enter("button[value=unshelve]", kb.Enter)
	k.did(alerts.Unshelve, func(a alerts.Action) bool { return a.Alarm == f.alarms[0].ID })

	k.to("#say-sky summary")
	k.do(chromedp.KeyEvent(kb.Enter))
	k.to("#weather select")
	k.do(chromedp.KeyEvent(kb.ArrowDown))
	k.to("#weather input[name=mm]")
	k.write("4,5")
	k.enter("#weather button[value=rain]", kb.Enter)
	k.did(alerts.Weathered, func(a alerts.Action) bool { return a.Weather.Sky == alerts.Rain && *a.Weather.RainMM == 4.5 })
	k.wants(".sky", "Rain 4.5 mm")

	k.keysOnUpkeep()
	k.keysOnAZone()
	k.keysOnAChart()
	k.keysInTheHistory()
	k.enter(`form[action="/logout"] button`, kb.Enter)
	k.open("/")
	k.wants("h1", "Log in")
}

// keysOnUpkeep keeps a task as done, a test of the earth stakes and a turnout check, and comes back to the first page.
func (k *keyed) keysOnUpkeep() {
	k.Helper()
	k.enter(`a[href="/upkeep"]`, kb.Enter)
	k.enter("#task-battery button", kb.Enter)
	k.did(alerts.Done, func(a alerts.Action) bool { return a.Task == "battery" })
	k.to("#earth-test select")
	k.to("#earth-test input[name=fence_kv]")
	k.write("1.2")
	k.to("#earth-test input[name=stake_v]")
	k.write("240")
	k.enter("#earth-test button", " ")
	k.did(alerts.Done, func(a alerts.Action) bool {
		return a.Earth != nil && *a.Earth == alerts.EarthTest{StakeVolts: 240, FenceVolts: 1200}
	})
	k.enter("a.farm", kb.Enter)
	k.enter(`a[href="/turnout"]`, kb.Enter)
	k.enter("#keep button", kb.Enter)
	k.wants(".flash", "Kept: yes.")
	k.to(`#ask input[value="lane"]`)
	k.do(chromedp.KeyEvent(" "))
	k.enter("#ask button", kb.Enter)
	if got := eval[bool](k.tab, `document.querySelector('#ask input[value="lane"]').checked`); got {
		k.Error("the keys did not leave lane out")
	}
	k.enter("a.farm", kb.Enter)
}

// keysOnAZone keeps what was done at a zone, and takes it out of service and back.
func (k *keyed) keysOnAZone() {
	k.Helper()
	k.enter(`a[href="/zone/orchard"]`, kb.Enter)
	for _, kind := range []alerts.ActionKind{alerts.Trimmed, alerts.Restrung, alerts.Note} {
		k.to("#did textarea")
		k.write("by the oak")
		k.enter(`#did button[value="`+string(kind)+`"]`, kb.Enter)
		k.did(kind, func(a alerts.Action) bool { return a.Source == farm.ZoneSource("orchard") && a.Note == "by the oak" })
	}
	k.to("#service select")
	k.do(chromedp.KeyEvent(kb.ArrowDown))
	k.enter("#service button[value=out_of_service]", kb.Enter)
	k.did(alerts.OutOfService, func(a alerts.Action) bool { return a.Until.Sub(a.Time).Hours() == 2 })
	k.enter("#service button[value=in_service]", kb.Enter)
	k.did(alerts.InService, func(a alerts.Action) bool { return a.Source == farm.ZoneSource("orchard") })
}

// keysOnAChart reads, zooms and moves a chart, by its own keys and by its links.
func (k *keyed) keysOnAChart() {
	k.Helper()
	c := &touched{tab: k.tab}
	was := c.window()
	k.to("#chart-kv")
	k.do(chromedp.KeyEvent(kb.End), chromedp.KeyEvent(kb.ArrowLeft))
	if got := k.text("output"); !strings.Contains(got, "kV (") {
		k.Errorf("an arrow reads %q", got)
	}
	for _, step := range []struct {
		key  string
		want func(was, now shownSpan) bool
	}{
		{"+", func(was, now shownSpan) bool { return now.to-now.from < was.to-was.from }},
		{"-", func(was, now shownSpan) bool { return now.to-now.from > was.to-was.from }},
		{kb.PageUp, func(was, now shownSpan) bool { return now.from < was.from }},
		{kb.PageDown, func(was, now shownSpan) bool { return now.from > was.from }},
	} {
		k.do(chromedp.KeyEvent(step.key))
		now := c.waitWindow(was)
		if !step.want(was, now) {
			k.Errorf("%q led from %v to %v", step.key, was, now)
		}
		was = now
	}
	k.enter(`a[href$="view=season"]`, kb.Enter)
	k.wants(".legend", "dry-hour level")
	k.enter(`a[aria-label="Closer"]`, kb.Enter)
	if now := c.window(); now.to-now.from > 70*day.Seconds() {
		k.Errorf("closer shows %v", now)
	}
}

// keysInTheHistory chooses among the alarms.
func (k *keyed) keysInTheHistory() {
	k.Helper()
	k.enter(`a[href="/alarms"]`, kb.Enter)
	k.to("select[name=priority]")
	k.write("M") // chooses Medium
	k.enter(".filter button", kb.Enter)
	if text := k.text(".alarmlist"); strings.Contains(text, "Hazel is under") || !strings.Contains(text, "sensor is silent") {
		k.Errorf("filtered alarms are %q", text)
	}
}
