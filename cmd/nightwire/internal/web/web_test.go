package web

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

// options joins the fake to every part.
func options(f *fakeFarm) Options {
	return Options{Overview: f, Actions: f, History: f, Lines: f, Alarms: f, Links: f, Changes: f, Turnouts: f, Upkeeps: f, Key: []byte("a key for tests only, 32 bytes.."),
		Location: dublin, Now: func() time.Time { return f.now }}
}

// serve starts the pages on a free port.
func serve(tb testing.TB, opts Options) *httptest.Server {
	tb.Helper()
	if opts.Log == nil {
		opts.Log = slog.New(slog.NewTextHandler(tb.Output(), nil))
	}
	s, err := New(opts)
	if err != nil {
		tb.Fatal(err)
	}
	srv := httptest.NewServer(s.Handler())
	tb.Cleanup(func() { s.Close(); srv.Close() })
	return srv
}

// browser is a client with cookies that does not follow redirects.
type browser struct {
	testing.TB
	*http.Client
	base string
}

func newBrowser(tb testing.TB, srv *httptest.Server) *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		tb.Fatal(err)
	}
	c := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return &browser{tb, c, srv.URL}
}

func (b *browser) do(method, path string, form url.Values, header ...string) (*http.Response, string) {
	b.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	req, err := http.NewRequestWithContext(b.Context(), method, b.base+path, body)
	if err != nil {
		b.Fatal(err)
	}
	req.Header.Set("Accept", "text/html")
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := b.Do(req)
	if err != nil {
		b.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		b.Fatal(err)
	}
	return res, string(text)
}

var tokenField = regexp.MustCompile(`name="token" value="([^"]+)"`)

// token opens a page and returns its form token.
func (b *browser) token(path string) string {
	b.Helper()
	_, page := b.do("GET", path, nil)
	m := tokenField.FindStringSubmatch(page)
	if m == nil {
		b.Fatalf("no form token on %s:\n%s", path, page)
	}
	return m[1]
}

func TestHomeSaysHowTheFarmIs(t *testing.T) {
	for _, tt := range []struct {
		name string
		farm *fakeFarm
		want []string
		not  []string
	}{
		{"calm", newFake(), []string{"All five zones hot. Lowest: ", "07:13"}, []string{`class="alarm`, "I have it"}},
		{"alarmed", newFake().alarmed(), []string{"Lane is dead. The other four zones are hot.", "I have it",
			"sensor.</p>\n<p>Walk there first.</p>", "Tom has it since"}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			res, page := newBrowser(t, serve(t, options(tt.farm))).do("GET", "/", nil)
			if res.StatusCode != 200 {
				t.Fatalf("status %d: %s", res.StatusCode, page)
			}
			for _, w := range tt.want {
				if !strings.Contains(page, w) {
					t.Errorf("page lacks %q", w)
				}
			}
			for _, w := range tt.not {
				if strings.Contains(page, w) {
					t.Errorf("page has %q", w)
				}
			}
		})
	}
}

func TestAcknowledgeIsKeptWithWho(t *testing.T) {
	f := newFake().alarmed()
	b := newBrowser(t, serve(t, options(f)))
	b.do("POST", "/name", url.Values{"token": {b.token("/")}, "name": {"Ines\n"}, "back": {"/"}})
	res, _ := b.do("POST", "/act", url.Values{"token": {b.token("/")}, "action": {"ack"}, "alarm": {f.alarms[0].ID}, "back": {"/"}})
	if got := res.Header.Get("Location"); res.StatusCode != http.StatusSeeOther || got != "/?done=ack" {
		t.Errorf("got %d to %q, want 303 to /?done=ack", res.StatusCode, got)
	}
	got := f.taken()
	if len(got) != 1 || got[0].Kind != alerts.Acknowledge || got[0].By != "Ines" || !got[0].Time.Equal(f.now) {
		t.Errorf("acts are %+v, want one acknowledgement by Ines", got)
	}
	if _, page := b.do("GET", "/?done=ack", nil); !strings.Contains(page, "Kept: you have it.") || !strings.Contains(page, "Ines has it since 07:13") {
		t.Errorf("page does not say that Ines has it")
	}
}

func TestSignedLinkActsOnlyWhenPressed(t *testing.T) {
	f := newFake().alarmed()
	opts := options(f)
	opts.Password = "horse"
	b := newBrowser(t, serve(t, opts))
	if res, page := b.do("GET", "/a/good-token", nil); res.StatusCode != 200 || !strings.Contains(page, "I have it") {
		t.Errorf("got %d and %s, want a page with the button", res.StatusCode, page)
	}
	if n := len(f.taken()); n != 0 {
		t.Fatalf("opening the link did %d things, want none", n)
	}
	if res, page := b.do("POST", "/a/good-token", url.Values{}); res.StatusCode != 200 || !strings.Contains(page, "You have it") {
		t.Errorf("got %d and %s, want thanks", res.StatusCode, page)
	}
	if got := f.taken(); len(got) != 1 || got[0].By != "Tom" {
		t.Errorf("acts are %+v, want one by Tom", got)
	}
	for _, method := range []string{"GET", "POST"} {
		if res, _ := b.do(method, "/a/bad-token", nil); res.StatusCode != http.StatusGone {
			t.Errorf("%s with a bad token: got %d, want 410", method, res.StatusCode)
		}
	}
}

func TestCheckListen(t *testing.T) {
	for _, tt := range []struct {
		addr     string
		password bool
		ok       bool
	}{
		{"127.0.0.1:8080", false, true}, {"localhost:0", false, true}, {"[::1]:80", false, true}, {"[::ffff:127.0.0.1]:80", false, true},
		{":8080", false, false}, {"0.0.0.0:80", false, false}, {"[::]:80", false, false}, {"192.168.1.4:80", false, false},
		{"farm.local:80", false, false}, {":8080", true, true}, {"nonsense", true, false},
	} {
		t.Run(tt.addr, func(t *testing.T) {
			err := CheckListen(tt.addr, tt.password)
			if (err == nil) != tt.ok {
				t.Errorf("got %v, want ok %t", err, tt.ok)
			}
			if err != nil && !strings.Contains(err.Error(), "hint: ") {
				t.Errorf("error %q has no hint", err)
			}
		})
	}
}
