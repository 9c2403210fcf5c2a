package farms

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// listFront serves two farms' pages.
func listFront(t *testing.T) (f *Front, unmountHill func()) {
	t.Helper()
	says := func(text string) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "<!doctype html><h1>"+text+"</h1>") })
	}
	f = NewFront("127.0.0.1:0", Rest(says("figures"), "", well), slog.New(slog.DiscardHandler))
	if _, err := f.Mount([]string{"alder-bank", "fence.example.org"}, says("the page of alder-bank")); err != nil {
		t.Fatal(err)
	}
	unmountHill, err := f.Mount([]string{"hill"}, says("the page of hill"))
	if err != nil {
		t.Fatal(err)
	}
	return f, unmountHill
}

// TestListOfFarms shows farms' names to a browser on this machine, and to nobody else.
func TestListOfFarms(t *testing.T) {
	f, unmountHill := listFront(t)
	ask := func(host, path, peer, via string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", path, nil)
		r.Host, r.RemoteAddr = host, peer
		r.Header.Set("X-Forwarded-For", via)
		w := httptest.NewRecorder()
		f.ServeHTTP(w, r)
		return w
	}
	const here = "127.0.0.1:4711"
	for _, tt := range []struct {
		name, host, path, peer, via string
		listed                      bool
	}{
		{"this machine", "localhost:8480", "/", here, "", true},
		{"by its address", "127.0.0.1:8480", "/", here, "", true},
		{"by IPv6", "[::1]:8480", "/", "[::1]:4711", "", true},
		{"under the name of a farm that is gone", "oak.localhost:8480", "/", here, "", true},
		{"another machine", "localhost:8480", "/", "192.0.2.7:4711", "", false},
		{"through a proxy here", "localhost:8480", "/", here, "192.0.2.7", false},
		{"another website's name for this machine", "evil.example.org:8480", "/", here, "", false},
		{"another path", "localhost:8480", "/zone/brook", here, "", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := ask(tt.host, tt.path, tt.peer, tt.via)
			if got := strings.Contains(w.Body.String(), "alder-bank"); got != tt.listed || got != (w.Code == http.StatusOK) {
				t.Errorf("listed is %t with %d, want %t", got, w.Code, tt.listed)
			}
		})
	}
	page := ask("localhost:8480", "/", here, "").Body.String()
	for _, want := range []string{`href="http://alder-bank.localhost:8480/"`, `href="http://hill.localhost:8480/"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the list lacks %s", want)
		}
	}
	unmountHill()
	if page := ask("localhost", "/", here, "").Body.String(); strings.Contains(page, "hill") || !strings.Contains(page, `"http://alder-bank.localhost/"`) {
		t.Errorf("after hill is gone the list is %s", page)
	}
}

// TestListInBrowser follows the list to a farm. Nothing is said on the console, axe finds nothing, and every link can
// be hit.
func TestListInBrowser(t *testing.T) {
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("NIGHTWIRE_PEERS") == "required" {
			t.Fatal("chromium is not installed")
		}
		t.Skip("skipped: chromium not installed")
	}
	f, _ := listFront(t)
	srv := httptest.NewServer(f)
	defer srv.Close()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	ctx, cancel = chromedp.NewExecAllocator(ctx, opts...)
	defer cancel()
	var mu sync.Mutex
	heard := func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch ev := ev.(type) {
		case *runtime.EventConsoleAPICalled, *runtime.EventExceptionThrown:
			t.Errorf("the console says %+v", ev)
		case *log.EventEntryAdded:
			t.Errorf("the log says %s: %s", ev.Entry.Level, ev.Entry.Text)
		}
	}
	ctx, cancel = chromedp.NewContext(ctx, chromedp.WithListener(heard))
	defer cancel()
	list := chromedp.Navigate(strings.Replace(srv.URL, "127.0.0.1", "localhost", 1))
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(390, 844), list); err != nil {
		t.Fatal(err)
	}
	small, err := chromedp.Run(ctx, chromedp.Evaluate[int](`[...document.querySelectorAll("a")].filter((a) => a.getBoundingClientRect().height < 44).length`))
	if err != nil || small != 0 {
		t.Errorf("%d links are too small to hit (%v)", small, err)
	}
	if axe := os.Getenv("NIGHTWIRE_AXE"); axe != "" {
		accessible(t, ctx, axe)
	}
	if _, err := chromedp.RunResponse(ctx, chromedp.Click(chromedp.CSS("a[href*=hill]"))); err != nil {
		t.Fatal(err)
	}
	got, err := chromedp.Run(ctx, chromedp.Text(chromedp.CSS("h1")))
	if err != nil || got != "the page of hill" {
		t.Errorf("the link leads to %q (%v)", got, err)
	}
}

// accessible fails for whatever axe finds.
func accessible(t *testing.T, ctx context.Context, axe string) {
	t.Helper()
	source, err := os.ReadFile(axe)
	if err != nil {
		t.Fatal(err)
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](string(source)+`; axe.run().then((r) => r.violations.map((v) => v.id + ": " + v.help))`, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range found {
		t.Error(v)
	}
}
