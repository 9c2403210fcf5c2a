package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// address fills a route's wildcards.
func address(path string) string {
	return strings.NewReplacer("{$}", "", "/zone/{name}", "/zone/lane", "/energizer/{name}", "/energizer/cartshed", "/static/{name}", "/static/none",
		"{id}", "20260618T060200Z-lane-dead", "{token}", "bad-token").Replace(path)
}

// openRoutes are what strangers may see, with what they get. A route that is added to the table but not here must
// refuse them.
func openRoutes() map[string]int {
	return map[string]int{
		"GET /login": 200, "GET /-/healthy": 200, "GET /-/ready": 200, "GET /offline": 200, "GET /manifest.webmanifest": 200, "GET /worker.js": 200,
		"GET /static/{name}": 404, "GET /a/{token}": 410, "POST /a/{token}": 410,
		"POST /login": 403, // without the token of a login page
	}
}

func TestEveryRouteRefusesStrangersAndStolenForms(t *testing.T) {
	f := newFake().alarmed()
	opts := options(f)
	opts.Password = "horse"
	opts.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("lane 0.1")) })
	s, err := New(opts)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(s.Handler())
	defer srv.Close()
	defer s.Close()
	member := newBrowser(t, srv)
	member.do("POST", "/login", url.Values{"token": {member.token("/login")}, "password": {"horse"}, "name": {"Ines"}})
	stolen := newBrowser(t, srv).token("/login") // a token of another session
	form := func(token string) url.Values {
		return url.Values{"token": {token}, "action": {"ack"}, "alarm": {f.alarms[0].ID}, "password": {"horse"}, "name": {"Eve"}}
	}
	for _, rt := range s.routes {
		key, path := rt.method+" "+rt.path, address(rt.path)
		t.Run(key, func(t *testing.T) {
			var body url.Values
			if rt.method == "POST" {
				body = form("made up")
			}
			res, page := newBrowser(t, srv).do(rt.method, path, body)
			want, isOpen := openRoutes()[key]
			login := res.StatusCode == http.StatusSeeOther && strings.HasPrefix(res.Header.Get("Location"), "/login")
			switch {
			case isOpen && res.StatusCode != want:
				t.Errorf("stranger got %d, want %d", res.StatusCode, want)
			case !isOpen && res.StatusCode != http.StatusUnauthorized && !login:
				t.Errorf("stranger got %d to %q, want 401 or the login", res.StatusCode, res.Header.Get("Location"))
			}
			tellsNothing(t, page)
			if rt.method != "POST" {
				return
			}
			if res, _ := member.do("POST", path, form("")); res.StatusCode < 400 {
				t.Errorf("member without a token got %d", res.StatusCode)
			}
			if res, _ := member.do("POST", path, form(stolen)); res.StatusCode < 400 {
				t.Errorf("member with another session's token got %d", res.StatusCode)
			}
			for _, h := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "https://elsewhere.example"}} {
				if res, _ := member.do("POST", path, form(member.token("/")), h...); res.StatusCode != http.StatusForbidden {
					t.Errorf("member with %v got %d, want 403", h, res.StatusCode)
				}
			}
		})
	}
	if got := f.taken(); len(got) != 0 {
		t.Errorf("these got through: %+v", got)
	}
	if res, _ := member.do("POST", "/act", form(member.token("/"))); res.StatusCode != http.StatusSeeOther || len(f.taken()) != 1 {
		t.Errorf("the real form got %d, so the test proves nothing", res.StatusCode)
	}
}

// tellsNothing fails when a page that a stranger got speaks of the farm.
func tellsNothing(t *testing.T, page string) {
	t.Helper()
	for _, secret := range []string{"top-field", "alder-bank", "Ines", "kV"} {
		if strings.Contains(page, secret) {
			t.Errorf("stranger is told of %q", secret)
		}
	}
}

func TestEveryAnswerHasTheSecurityHeaders(t *testing.T) {
	b := newBrowser(t, serve(t, options(newFake())))
	for _, path := range []string{"/", "/login", "/none", "/static/none", "/-/healthy", "/worker.js", "/zone/lane.csv"} {
		res, _ := b.do("GET", path, nil)
		csp := res.Header.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
			if !strings.Contains(csp, want) {
				t.Errorf("%s: policy %q lacks %q", path, csp, want)
			}
		}
		if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") {
			t.Errorf("%s: policy %q is too wide", path, csp)
		}
		for k, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "X-Frame-Options": "DENY",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin"} {
			if got := res.Header.Get(k); got != want {
				t.Errorf("%s: %s is %q, want %q", path, k, got, want)
			}
		}
	}
	for _, page := range everyPage() {
		if _, text := b.do("GET", page, nil); strings.Contains(text, " style=") || strings.Contains(text, "<style") || strings.Contains(text, " onclick") || strings.Contains(text, "<script>") {
			t.Errorf("%s has an inline style or script", page)
		}
	}
}

func TestSessionCookie(t *testing.T) {
	opts := options(newFake())
	opts.Password, opts.SecureCookies = "horse", true
	res, _ := newBrowser(t, serve(t, opts)).do("GET", "/login", nil)
	c := res.Cookies()[0]
	if c.Name != "__Host-nightwire" || !c.HttpOnly || !c.Secure || c.SameSite != http.SameSiteLaxMode || c.Path != "/" {
		t.Errorf("cookie is %+v", c)
	}
	k := newKeyring(opts.Key, []byte("horse"))
	sealed := k.seal(session{made: time.Unix(1e9, 0), trusted: true, name: "Ines"})
	if got, ok := k.unseal(sealed); !ok || got.name != "Ines" || !got.trusted {
		t.Errorf("unsealed %+v, %t", got, ok)
	}
	if _, ok := newKeyring(opts.Key, []byte("other")).unseal(sealed); ok {
		t.Error("a session outlives a change of the password")
	}
	for i := range len(sealed) {
		if sealed[i] == '.' || i == len(sealed)-1 { // the last letter of base64 has spare bits
			continue
		}
		b := []byte(sealed)
		b[i] ^= 1
		if _, ok := k.unseal(string(b)); ok {
			t.Errorf("a session with letter %d changed still opens", i)
		}
	}
}

func FuzzUnseal(f *testing.F) {
	k := newKeyring([]byte("key"), nil)
	f.Add(k.seal(session{name: "Ines"}))
	f.Add(".")
	f.Fuzz(func(t *testing.T, v string) {
		if s, ok := k.unseal(v); ok && k.seal(s) != v && s.trusted {
			t.Errorf("%q opened as %+v", v, s)
		}
	})
}

func TestLoginIsSlowedAfterFailures(t *testing.T) {
	now := time.Date(2026, 6, 18, 7, 0, 0, 0, time.UTC)
	f := newFake()
	opts := options(f)
	hash, err := bcrypt.GenerateFromPassword([]byte("horse"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	opts.PasswordHash, opts.Wall = string(hash), func() time.Time { return now }
	b := newBrowser(t, serve(t, opts))
	try := func(password string) (int, time.Duration) {
		res, _ := b.do("POST", "/login", url.Values{"token": {b.token("/login")}, "password": {password}, "next": {"//evil.example"}})
		s, _ := strconv.Atoi(res.Header.Get("Retry-After"))
		if to := res.Header.Get("Location"); res.StatusCode == http.StatusSeeOther && to != "/" {
			t.Errorf("login leads to %q, want /", to)
		}
		return res.StatusCode, time.Duration(s) * time.Second
	}
	for range freeTries {
		if code, _ := try("cow"); code != http.StatusUnauthorized {
			t.Fatalf("wrong password got %d, want 401", code)
		}
	}
	for _, want := range []time.Duration{time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second} {
		code, wait := try("horse")
		if code != http.StatusTooManyRequests || wait != want {
			t.Fatalf("got %d and %v, want 429 and %v", code, wait, want)
		}
		now = now.Add(wait)
		if code, _ := try("cow"); code != http.StatusUnauthorized {
			t.Fatalf("after the wait a wrong password got %d, want 401", code)
		}
	}
	now = now.Add(longestLag)
	if code, _ := try("horse"); code != http.StatusSeeOther {
		t.Errorf("the right password got %d after the wait, want 303", code)
	}
}

func TestOnlyOurOwnNameWithoutAPassword(t *testing.T) {
	b := newBrowser(t, serve(t, options(newFake())))
	req, err := http.NewRequestWithContext(t.Context(), "GET", b.base+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Host = "evil.example:8080" // a name elsewhere that was pointed at 127.0.0.1
	res, err := b.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("got %d, want 421", res.StatusCode)
	}
}

func TestLocalPath(t *testing.T) {
	for in, want := range map[string]string{"/zone/lane?view=week": "/zone/lane?view=week", "": "/", "//evil.example": "/", "https://evil.example/": "/",
		`/\evil.example`: "/", "javascript:alert(1)": "/", "/a\r\nSet-Cookie: x": "/", "zone": "/", "/\t/evil.example": "/"} {
		if got := localPath(in); got != want {
			t.Errorf("localPath(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestLogoutEndsACopiedSession(t *testing.T) {
	opts := options(newFake())
	opts.Password = "horse"
	srv := serve(t, opts)
	b := newBrowser(t, srv)
	res, _ := b.do("POST", "/login", url.Values{"token": {b.token("/login")}, "password": {"horse"}})
	copied := res.Cookies()[0]
	b.do("POST", "/logout", url.Values{"token": {b.token("/")}})
	thief := newBrowser(t, srv)
	res, _ = thief.do("GET", "/", nil, "Cookie", copied.Name+"="+copied.Value)
	if res.StatusCode != http.StatusSeeOther {
		t.Errorf("a copy of an ended session got %d, want the login", res.StatusCode)
	}
}

func TestMetricsTakeTheToken(t *testing.T) {
	opts := options(newFake())
	opts.Password, opts.MetricsToken = "horse", "sesame"
	opts.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("up 1\n")) })
	b := newBrowser(t, serve(t, opts))
	for header, want := range map[string]int{"": 401, "Bearer wrong": 401, "Bearer sesame": 200} {
		if res, _ := b.do("GET", "/metrics", nil, "Authorization", header); res.StatusCode != want {
			t.Errorf("with %q got %d, want %d", header, res.StatusCode, want)
		}
	}
}
