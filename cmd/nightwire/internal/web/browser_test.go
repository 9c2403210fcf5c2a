package web

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"nightwire/sim/outside"
)

// chromium starts a headless browser, or skips the test when there is none and peers are not required.
func chromium(t *testing.T) context.Context {
	t.Helper()
	path := outside.Program(t, "chromium")
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.NoFirstRun, chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("host-resolver-rules", "MAP farm.test 127.0.0.1"), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	return ctx
}

// tab is a browser window of its own, with its own cookies, that keeps count of what must not happen.
type tab struct {
	*testing.T
	ctx  context.Context
	base string

	mu     sync.Mutex
	faults []string
}

// openTab opens a window. Errors on the console, and requests to any host but base, fail the test at its end.
func openTab(t *testing.T, browser context.Context, base string) *tab {
	t.Helper()
	b := &tab{T: t, base: base}
	ctx, cancel := chromedp.NewContext(browser, chromedp.WithNewBrowserContext(), chromedp.WithListener(b.heard))
	t.Cleanup(cancel)
	b.ctx = ctx
	on := chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, network.Enable, network.EnableParams{})
		return err
	})
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(390, 844), on); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		for _, f := range b.faults {
			t.Error(f)
		}
	})
	return b
}

func (b *tab) heard(ev any) {
	fault := ""
	switch ev := ev.(type) {
	case *runtime.EventConsoleAPICalled:
		if ev.Type == "error" || ev.Type == "warning" {
			fault = fmt.Sprintf("console says %s: %s", ev.Type, ev.Args[0].Value)
		}
	case *runtime.EventExceptionThrown:
		fault = fmt.Sprintf("script broke: %+v", *ev.ExceptionDetails)
	case *log.EventEntryAdded:
		if ev.Entry.Level == "error" || ev.Entry.Level == "warning" {
			fault = fmt.Sprintf("log says %s: %s %s", ev.Entry.Level, ev.Entry.Text, ev.Entry.URL)
		}
	case *network.EventRequestWillBeSent:
		if u := ev.Request.URL; !strings.HasPrefix(u, b.base) && !strings.HasPrefix(u, "data:") {
			fault = "request to another host: " + u
		}
	}
	if fault != "" {
		b.mu.Lock()
		b.faults = append(b.faults, fault)
		b.mu.Unlock()
	}
}

// forgive drops the faults so far, after a step that breaks the link on purpose.
func (b *tab) forgive() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = nil
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.Fatal(err)
	}
}

// open goes to a path.
func (b *tab) open(path string) { b.Helper(); b.do(chromedp.Navigate(b.base + path)) }

// follow does something that leads to another page and waits for that.
func (b *tab) follow(steps ...chromedp.Action[chromedp.Void]) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	res, err := chromedp.RunResponse(ctx, steps...)
	if err != nil {
		b.Fatal(err)
	}
	if res.Status != 200 {
		b.Fatalf("%s answered %d", res.URL, res.Status)
	}
}

// press clicks what a selector finds, which leads to another page.
func (b *tab) press(css string) { b.Helper(); b.follow(chromedp.Click(chromedp.CSS(css))) }

// text returns the text of what a selector finds.
func (b *tab) text(css string) string {
	b.Helper()
	s, err := chromedp.Run(b.ctx, chromedp.Text(chromedp.CSS(css)))
	if err != nil {
		b.Fatalf("%s: %v", css, err)
	}
	return s
}

// wants fails unless the text of what a selector finds contains want.
func (b *tab) wants(css, want string) {
	b.Helper()
	if got := b.text(css); !strings.Contains(got, want) {
		b.Errorf("%s says %q, want %q in it", css, got, want)
	}
}

// comes waits until a script's expression is true.
func (b *tab) comes(expression string) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	if _, err := chromedp.Run(ctx, chromedp.Poll[chromedp.Void](expression)); err != nil {
		b.Fatalf("never came true: %s: %v", expression, err)
	}
}

func eval[T any](b *tab, expression string) T {
	b.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.Fatalf("%s: %v", expression, err)
	}
	return v
}

// colours makes the browser prefer light or dark.
func colours(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}
