package web

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/sim/outside"
)

// everyPage lists one address of each page.
func everyPage() map[string]string {
	return map[string]string{"home": "/", "zone-season": "/zone/lane?view=season", "zone-week": "/zone/lane?view=week", "zone-day": "/zone/lane",
		"energizer": "/energizer/cartshed", "alarms": "/alarms", "alarm": "/alarm/20260618T060200Z-lane-dead", "night": "/night",
		"week": "/week", "turnout": "/turnout", "upkeep": "/upkeep", "login": "/login", "link": "/a/good-token", "offline": "/offline"}
}

// TestInBrowser does everything in a real browser, which is started once.
func TestInBrowser(t *testing.T) {
	browser := chromium(t)
	for _, tt := range []struct {
		name string
		run  func(t *testing.T, browser context.Context)
	}{
		{"every action by clicking", clickEveryAction},
		{"every action without a script", clickWithoutScript},
		{"by keyboard alone", keyboardAlone},
		{"password", passwordDoor},
		{"live, and old when the link drops", liveAndOld},
		{"held back by what is being written", heldBack},
		{"no link, no old page", offlineShowsNothingOld},
		{"charts by keys and pointer", chartsByKeysAndPointer},
		{"charts by touch", chartsByTouch},
		{"all in the first view", allInFirstView},
		{"every page is quiet and at home", everyPageQuiet},
		{"every page is accessible", everyPageAccessible},
	} {
		t.Run(tt.name, func(t *testing.T) { tt.run(t, browser) })
	}
}

// last returns what was done last.
func last(t *testing.T, f *fakeFarm) alerts.Action {
	t.Helper()
	acts := f.taken()
	if len(acts) == 0 {
		t.Fatal("nothing was done")
	}
	return acts[len(acts)-1]
}

func clickEveryAction(t *testing.T, browser context.Context) {
	f := newFake().alarmed()
	actEvery(t, f, openTab(t, browser, serve(t, options(f)).URL))
}

func clickWithoutScript(t *testing.T, browser context.Context) {
	f := newFake().alarmed()
	b := openTab(t, browser, serve(t, options(f)).URL)
	b.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}))
	actEvery(t, f, b)
}

// actEvery presses each button there is and looks at what reached the farm.
func actEvery(t *testing.T, f *fakeFarm, b *tab) {
	lane := f.alarms[0].ID
	card := `[id="alarm-` + lane + `"] `
	b.open("/")
	b.do(chromedp.SendKeys(chromedp.CSS(".who input[name=name]"), "Ines"))
	b.press(".who button")
	b.press(card + "button[value=ack]")
	b.wants(".flash", "you have it")
	b.wants(card, "Ines has it since 07:13")
	if a := last(t, f); a.Kind != alerts.Acknowledge || a.By != "Ines" || a.Alarm != lane {
		t.Errorf("acknowledging did %+v", a)
	}
	b.do(chromedp.Click(chromedp.CSS(card+"summary")), chromedp.WaitVisible(chromedp.CSS(card+"button[value=shelve]")))
	b.do(chromedp.SendKeys(chromedp.CSS(card+"select"), "4 h"))
	b.press(card + "button[value=shelve]")
	b.wants(".hushed", "shelved until 11:13")
	if a := last(t, f); a.Kind != alerts.Shelve || a.Until.Sub(a.Time).Hours() != 4 {
		t.Errorf("shelving did %+v", a)
	}
	b.press("button[value=unshelve]")
	if a := last(t, f); a.Kind != alerts.Unshelve || a.Alarm != lane {
		t.Errorf("bringing back did %+v", a)
	}
	b.open("/")
	b.press(`a[href="/zone/hazel"]`)
	for _, kind := range []alerts.ActionKind{alerts.Trimmed, alerts.Restrung, alerts.Note} {
		b.do(chromedp.SendKeys(chromedp.CSS("#did textarea"), "by the oak & <gate>"))
		b.press(`#did button[value="` + string(kind) + `"]`)
		if a := last(t, f); a.Kind != kind || a.Source != farm.ZoneSource("hazel") || a.Note != "by the oak & <gate>" || a.By != "Ines" {
			t.Errorf("%s did %+v", kind, a)
		}
	}
	for _, kept := range []string{"Trimmed, 07:13, Ines: by the oak & <gate>", "Re-strung, 07:13, Ines: by", "Note, 07:13, Ines: by"} {
		b.wants(".marks", kept)
	}
	b.press("#service button[value=out_of_service]")
	b.wants("main", "Out of service until 08:13. Stock may be behind a dead fence.")
	b.press("#service button[value=in_service]")
	if a := last(t, f); a.Kind != alerts.InService {
		t.Errorf("putting back did %+v", a)
	}
	sayTheWeather(t, f, b)
	keepUp(t, f, b)
	askTurnout(t, f, b)
	n := len(f.taken())
	b.open("/a/good-token")
	if len(f.taken()) != n {
		t.Error("opening a signed link did something")
	}
	b.press("button.main")
	b.wants("h1", "You have it")
	if a := last(t, f); a.Kind != alerts.Acknowledge || a.By != "Tom" {
		t.Errorf("the signed link did %+v", a)
	}
	filterAlarms(t, b)
}

// filterAlarms chooses among the alarms of the past.
func filterAlarms(t *testing.T, b *tab) {
	b.open("/alarms")
	b.do(chromedp.SendKeys(chromedp.CSS("select[name=priority]"), "Medium"))
	b.press(".filter button")
	if text := b.text(".alarmlist"); strings.Contains(text, "Hazel is under") || !strings.Contains(text, "sensor is silent") {
		t.Errorf("filtered alarms are %q", text)
	}
}

// sayTheWeather presses each of the weather's buttons.
func sayTheWeather(t *testing.T, f *fakeFarm, b *tab) {
	b.open("/")
	for _, sky := range skies() {
		b.do(chromedp.Click(chromedp.CSS("#say-sky summary")), chromedp.WaitVisible(chromedp.CSS("#weather button")))
		b.do(chromedp.SendKeys(chromedp.CSS("#weather select"), "last night"), chromedp.SendKeys(chromedp.CSS("#weather input[name=mm]"), "12"))
		b.press(`#weather button[value="` + string(sky) + `"]`)
		a := last(t, f)
		if a.Kind != alerts.Weathered || a.By != "Ines" || a.Weather.Sky != sky || a.Weather.From.Hour() != nightFrom-1 {
			t.Errorf("saying %s did %+v", sky, a)
		}
		if mm := a.Weather.RainMM; (mm != nil) != (sky == alerts.Rain) || mm != nil && *mm != 12 {
			t.Errorf("saying %s kept %v mm", sky, mm)
		}
	}
	b.wants(".sky .list", "Rain 12.0 mm, Wed 17 Jun 18:00 to 07:13 said Ines, 07:13")
}

// keepUp presses each button of the upkeep and keeps a test of the earth stakes.
func keepUp(t *testing.T, f *fakeFarm, b *tab) {
	b.open("/")
	b.press(`a[href="/upkeep"]`)
	b.wants("#task-walk", "Due now")
	for _, task := range []string{"walk", "battery", "insulators", "spares"} {
		b.press("#task-" + task + " button")
		b.wants(".flash", "Kept: done.")
		b.wants("#task-"+task, "last done Thu 18 Jun")
		if a := last(t, f); a.Kind != alerts.Done || a.Task != task || a.Source != farm.Site || a.By != "Ines" || a.Earth != nil {
			t.Errorf("done with %s kept %+v", task, a)
		}
	}
	b.do(chromedp.Click(chromedp.CSS(`a[href="#earth"]`)))
	n := len(f.taken())
	b.do(chromedp.SendKeys(chromedp.CSS("input[name=fence_kv]"), "1,4"), chromedp.Click(chromedp.CSS("#earth-test button")))
	if got := eval[string](b, `document.querySelector(":invalid:not(form)").name`); got != "stake_v" || len(f.taken()) != n {
		t.Errorf("half an earth test is held up at %q, and %d were kept", got, len(f.taken())-n)
	}
	b.do(chromedp.SendKeys(chromedp.CSS("input[name=stake_v]"), "180"))
	b.press("#earth-test button")
	b.wants(".flash", "Kept: done.")
	b.wants("main", "Earth of energizer/cartshed: 180 V on the stakes")
	if a := last(t, f); a.Kind != alerts.Done || a.Task != "earth-test" || a.Source != farm.EnergizerSource("cartshed") || a.By != "Ines" ||
		a.Earth == nil || *a.Earth != (alerts.EarthTest{StakeVolts: 180, FenceVolts: 1400}) {
		t.Errorf("the earth test kept %+v, %+v", a, a.Earth)
	}
}

// askTurnout leaves a zone out, looks again, and keeps the answer.
func askTurnout(t *testing.T, f *fakeFarm, b *tab) {
	b.open("/")
	b.press(`a[href="/turnout"]`)
	b.do(chromedp.Click(chromedp.CSS(`#ask input[value="brook"]`)))
	b.press("#ask button")
	if got := eval[int](b, `document.querySelectorAll("#ask input:checked").length`); got != 4 {
		t.Errorf("looking again is about %d zones, want 4", got)
	}
	b.press("#keep button")
	b.wants(".flash", "Kept: yes.")
	f.mu.Lock()
	defer f.mu.Unlock()
	kept := slices.IndexFunc(f.asks, func(a TurnoutAsk) bool { return a.Keep })
	if want := (TurnoutAsk{Zones: []string{"hazel", "lane", "orchard", "top-field"}, By: "Ines", Keep: true}); kept < 0 || !cmp.Equal(f.asks[kept], want) {
		t.Errorf("asked %+v, want %+v among them", f.asks, want)
	}
}

// passwordDoor comes in by a name on the local network over plain HTTP, where browsers do not say where a post is from.
func passwordDoor(t *testing.T, browser context.Context) {
	f := newFake().alarmed()
	opts := options(f)
	opts.Password = "horse"
	b := openTab(t, browser, strings.Replace(serve(t, opts).URL, "127.0.0.1", "farm.test", 1))
	b.open("/zone/lane?view=week")
	b.wants("h1", "Log in")
	b.do(chromedp.SendKeys(chromedp.CSS("input[name=name]"), "Tom"), chromedp.SendKeys(chromedp.CSS("input[name=password]"), "horse"))
	b.press("button.main")
	b.wants("h1", "lane")
	b.press("button[value=ack]")
	if a := last(t, f); a.Kind != alerts.Acknowledge || a.By != "Tom" {
		t.Errorf("acknowledging did %+v", a)
	}
	b.press(`form[action="/logout"] button`)
	b.open("/")
	b.wants("h1", "Log in")
}

func liveAndOld(t *testing.T, browser context.Context) {
	f := newFake()
	srv := serve(t, options(f))
	b := openTab(t, browser, srv.URL)
	b.open("/")
	b.wants("h1", "All five zones hot")
	isLive(f, b)
	f.mu.Lock()
	f.alarmed()
	f.mu.Unlock()
	f.changed()
	b.comes(`document.querySelector("h1").textContent.includes("Lane is dead")`)
	b.wants("main", " s ago")
	srv.CloseClientConnections()
	srv.Listener.Close()
	b.comes(`!document.getElementById("old").hidden`)
	b.wants("#old", "No link. This page is ")
	if seen := eval[string](b, `document.querySelector("main").innerText`); strings.Contains(seen, "ago") {
		t.Errorf("under the banner stands how long ago something was when the page was made: %s", seen)
	}
	b.forgive() // the link was cut on purpose
}

// isLive waits until the page is told of changes.
func isLive(f *fakeFarm, b *tab) {
	b.Helper()
	select {
	case <-f.watched:
	case <-b.ctx.Done():
		b.Fatal("the page did not ask to be kept live")
	}
}

// heldBack writes a note and leaves it: the page that must not change meanwhile says how old it is, until it is sent.
func heldBack(t *testing.T, browser context.Context) {
	f := newFake()
	b := openTab(t, browser, serve(t, options(f)).URL)
	b.open("/zone/hazel")
	isLive(f, b)
	b.do(chromedp.SendKeys(chromedp.CSS("#did textarea"), "by the oak"))
	f.mu.Lock()
	f.alarmed().zones[1].kv = ptr(1.7)
	f.mu.Unlock()
	eval[chromedp.Void](b, `{ const now = Date.now; Date.now = () => now() + 180000; }`)
	f.changed()
	b.comes(`document.getElementById("old").textContent.startsWith("This page is 3 min old: it waits")`)
	b.wants(".old main", "over minimum")
	b.press("#did button[value=note]")
	b.wants("main", "under minimum")
	if eval[bool](b, `document.body.classList.contains("old") || !document.getElementById("old").hidden`) {
		t.Error("a fresh page says that it is old")
	}
}

func offlineShowsNothingOld(t *testing.T, browser context.Context) {
	srv := serve(t, options(newFake()))
	b := openTab(t, browser, srv.URL)
	b.open("/")
	b.comes(`navigator.serviceWorker.controller !== null`)
	b.open("/")
	srv.CloseClientConnections()
	srv.Listener.Close()
	b.open("/zone/lane")
	b.wants("h1", "No link to the farm")
	if text := b.text("body"); strings.Contains(text, "kV") {
		t.Errorf("the page without a link shows a reading: %q", text)
	}
	b.comes(`/^Last reached [A-Z][a-z]{2} \d+ [A-Z][a-z]{2} \d\d:\d\d\.$/.test(document.getElementById("reached").textContent)`)
	b.forgive()
}

func chartsByKeysAndPointer(t *testing.T, browser context.Context) {
	b := openTab(t, browser, serve(t, options(newFake())).URL)
	b.open("/zone/lane")
	b.do(chromedp.Focus(chromedp.CSS("#chart-kv")), chromedp.KeyEvent(kb.ArrowLeft))
	first := b.text("output")
	if !strings.Contains(first, "kV (") {
		t.Fatalf("arrow reads %q", first)
	}
	b.do(chromedp.KeyEvent(kb.ArrowLeft))
	if second := b.text("output"); second == first {
		t.Error("a second arrow reads the same")
	}
	span := func() int {
		return eval[int](b, `document.querySelector("#chart-kv").dataset.to - document.querySelector("#chart-kv").dataset.from`)
	}
	from := func() int { return eval[int](b, `+document.querySelector("#chart-kv").dataset.from`) }
	start, day := from(), span()
	b.do(chromedp.KeyEvent("+"))
	b.comes(`document.querySelector("#chart-kv").dataset.to - document.querySelector("#chart-kv").dataset.from < ` + strconv.Itoa(day))
	if got := span(); got != day/2 {
		t.Errorf("+ shows %d s, want %d", got, day/2)
	}
	b.do(chromedp.KeyEvent(kb.PageUp))
	b.comes(`+document.querySelector("#chart-kv").dataset.from < ` + strconv.Itoa(start+day/4))
	box, err := chromedp.Run(b.ctx, chromedp.Dimensions(chromedp.CSS("svg.plot")))
	if err != nil {
		t.Fatal(err)
	}
	x, y := box.Content[0], box.Content[1]
	was := b.text("output")
	b.do(chromedp.MouseEvent("mouseMoved", x+150, y+100))
	if got := b.text("output"); got == was || !strings.Contains(got, "kV (") {
		t.Errorf("hovering reads %q, before it %q", got, was)
	}
	at := from()
	b.do(chromedp.DragAndDropXY(x+250, y+100, x+100, y+100))
	b.comes(`+document.querySelector("#chart-kv").dataset.from > ` + strconv.Itoa(at))
	b.press(`a[href$="view=season"]`)
	b.wants(".legend", "dry-hour level")
	b.wants(".forecast", "Trim before then")
}

// allInFirstView looks at a phone of 390 by 844: the sentence, an open alarm with its button, and five zones.
func allInFirstView(t *testing.T, browser context.Context) {
	one := newFake().alarmed()
	one.alarms = one.alarms[:1]
	for name, f := range map[string]*fakeFarm{"calm": newFake(), "one alarm": one} {
		b := openTab(t, browser, serve(t, options(f)).URL)
		b.open("/")
		bottom := eval[float64](b, `[...document.querySelectorAll("h1, button.main, li.zone")].reduce((m, e) => Math.max(m, e.getBoundingClientRect().bottom), 0)`)
		if bottom > 844 {
			t.Errorf("%s: the last zone ends at %.0f px, below a phone's 844", name, bottom)
		}
	}
}

// smallTargets lists what is too small for a wet thumb: fields, buttons, and links that do not stand within a text. A
// tick box is as large as its label, and a row that is a link as large as the row.
const smallTargets = `[...document.querySelectorAll("button, select, summary, textarea, input:not([type=hidden]), a[href]:not(.skip)")].filter((e) => {
	const text = e.closest("p, li, td, th, dd, h3");
	const rest = text && e.matches("a") ? text.cloneNode(true) : null;
	rest && rest.querySelectorAll("a").forEach((a) => a.remove());
	const within = rest && rest.textContent.replace(/[·‹›\s]/g, "") && getComputedStyle(e, "::after").position !== "absolute";
	const box = e.closest("label.tick") || (getComputedStyle(e, "::after").position === "absolute" ? e.closest("li, .source, article") : e);
	return e.offsetParent && !within && box.getBoundingClientRect().height < 44;
}).map((e) => e.outerHTML.slice(0, 90))`

// everyPageQuiet opens every page on a phone and on a desk: nothing is said on the console, no other host is asked,
// nothing is wider than the screen, and everything can be hit.
func everyPageQuiet(t *testing.T, browser context.Context) {
	for name, size := range screens() {
		t.Run(name, func(t *testing.T) {
			f := newFake().alarmed().dryTurn()
			f.zones[4].name = "the-long-lane-behind-the-old-orchard"
			b := openTab(t, browser, serve(t, options(f)).URL)
			b.do(chromedp.EmulateViewport(size[0], size[1]))
			for name, path := range everyPage() {
				b.open(path)
				b.do(chromedp.WaitReady(chromedp.CSS("h1")))
				eval[chromedp.Void](b, openAll)
				if over := eval[int](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("%s is %d px wider than the screen", name, over)
				}
				for _, e := range eval[[]string](b, smallTargets) {
					t.Errorf("%s: too small to hit: %s", name, e)
				}
			}
		})
	}
}

// screens are the sizes that pages are looked at in.
func screens() map[string][2]int64 {
	return map[string][2]int64{"phone": {390, 844}, "desk": {1280, 800}}
}

// openAll opens whatever can be opened on a page.
const openAll = `document.querySelectorAll("details").forEach((d) => { d.open = true; })`

// everyPageAccessible runs axe over every page, also that which refuses and that after a signed link was pressed.
func everyPageAccessible(t *testing.T, browser context.Context) {
	axe := axeCore(t)
	pages := everyPage()
	pages["refused"] = "/zone/none"
	for _, scheme := range []string{"light", "dark"} {
		for screen, size := range screens() {
			b := openTab(t, browser, serve(t, options(newFake().alarmed().dryTurn())).URL)
			b.do(colours(scheme), chromedp.EmulateViewport(size[0], size[1]))
			for name, path := range pages {
				t.Run(name+" "+scheme+" "+screen, func(t *testing.T) {
					b.T = t
					b.open(path)
					accessible(b, axe)
					if name == "refused" {
						b.forgive() // the browser notes the answer
					}
				})
			}
			t.Run("pressed link "+scheme+" "+screen, func(t *testing.T) {
				b.T = t
				b.open("/a/good-token")
				b.press("button.main")
				accessible(b, axe)
			})
		}
	}
}

// accessible fails for whatever axe finds on the page that is open.
func accessible(b *tab, axe string) {
	b.Helper()
	eval[chromedp.Void](b, openAll)
	eval[chromedp.Void](b, axe)
	found, err := chromedp.Run(b.ctx, chromedp.Evaluate[[]string](`axe.run().then((r) => r.violations.flatMap((v) => v.nodes.map((n) =>
		v.id + ": " + v.help + ": " + n.html.slice(0, 200) + " " + n.any.concat(n.all).map((c) => c.message).join("; "))))`, chromedp.EvalAwaitPromise))
	if err != nil {
		b.Fatal(err)
	}
	for _, v := range found {
		b.Error(v)
	}
	// That axe can see anything at all: a picture without a name must be found.
	n, err := chromedp.Run(b.ctx, chromedp.Evaluate[int](`(() => { document.body.append(document.createElement("img"));
		return axe.run().then((r) => r.violations.filter((v) => v.id === "image-alt").length); })()`, chromedp.EvalAwaitPromise))
	if err != nil || n != 1 {
		b.Errorf("axe found %d nameless pictures (%v), want 1", n, err)
	}
}

// axeCore returns the accessibility checker's source: from NIGHTWIRE_AXE, else fetched by npm.
func axeCore(t *testing.T) string {
	t.Helper()
	path := os.Getenv("NIGHTWIRE_AXE")
	if path == "" {
		dir := t.TempDir()
		cmd := exec.CommandContext(t.Context(), "npm", "install", "--silent", "--no-audit", "--no-fund", "--ignore-scripts", "axe-core@4.14.1")
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			outside.Missing(t, fmt.Sprintf("axe-core (%v: %s)", err, out))
		}
		path = filepath.Join(dir, "node_modules", "axe-core", "axe.min.js")
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b) + "; undefined"
}
