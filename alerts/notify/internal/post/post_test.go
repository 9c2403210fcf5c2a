package post

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

func TestAnswers(t *testing.T) {
	for _, tt := range []struct {
		name   string
		status int
		header http.Header
		ok     bool
		retry  bool
		after  time.Duration // 0: not asked to wait
	}{
		{name: "taken", status: 200, ok: true},
		{name: "taken for later", status: 202, ok: true},
		{name: "taken, nothing to say", status: 204, ok: true},
		{name: "moved", status: 301, header: http.Header{"Location": {"/elsewhere"}}},
		{name: "bad request", status: 400},
		{name: "not allowed", status: 403},
		{name: "gone", status: 410},
		{name: "too slow", status: 408, retry: true},
		{name: "too early", status: 425, retry: true},
		{name: "too many", status: 429, retry: true},
		{name: "too many, asked to wait", status: 429, header: http.Header{"Retry-After": {"90"}}, retry: true, after: 90 * time.Second},
		{name: "asked to wait until", status: 503, header: http.Header{"Retry-After": {"Tue, 21 Apr 2026 01:12:00 GMT"}, "Date": {"Tue, 21 Apr 2026 01:10:00 GMT"}},
			retry: true, after: 2 * time.Minute},
		{name: "asked nonsense", status: 503, header: http.Header{"Retry-After": {"soon"}}, retry: true},
		{name: "broken over there", status: 500, retry: true},
		{name: "no room over there", status: 507, retry: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var body string
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if r.URL.Path != "/secret-path" {
					t.Errorf("asked for %s", r.URL.Path)
				}
				b, _ := io.ReadAll(r.Body)
				body = string(b) + r.Header.Get("X-Test")
				for k, v := range tt.header {
					w.Header()[k] = v
				}
				w.WriteHeader(tt.status)
				if tt.status != 204 {
					io.WriteString(w, "some\r\nwords")
				}
			}))
			defer srv.Close()
			retry, err := Do(t.Context(), Client(), srv.URL+"/secret-path?token=secret", http.Header{"X-Test": {"!"}}, []byte("hello"))
			if (err == nil) != tt.ok || retry != tt.retry {
				t.Fatalf("got %v, again %t; want taken %t, again %t", err, retry, tt.ok, tt.retry)
			}
			if body != "hello!" {
				t.Errorf("it got %q", body)
			}
			var asked *alerts.RetryAfterError
			if errors.As(err, &asked) != (tt.after > 0) || asked != nil && asked.After != tt.after {
				t.Errorf("asked to wait: %v, want %s", asked, tt.after)
			}
			if err != nil && (strings.Contains(err.Error(), "secret") || strings.ContainsAny(err.Error(), "\r\n")) {
				t.Errorf("the error shows too much: %q", err)
			}
		})
	}
}

func TestNoAnswer(t *testing.T) {
	stop := make(chan struct{})
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-stop }))
	defer srv.Close()
	defer close(stop)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	retry, err := Do(ctx, Client(), srv.URL+"/secret", nil, nil)
	if !errors.Is(err, context.DeadlineExceeded) || !retry || strings.Contains(err.Error(), "secret") {
		t.Errorf("got %v, again %t", err, retry)
	}
}

func TestNobodyThere(t *testing.T) {
	srv := httptest.NewServer(http.NotFoundHandler())
	srv.Close()
	if retry, err := Do(t.Context(), Client(), srv.URL+"/secret", nil, nil); err == nil || !retry || strings.Contains(err.Error(), "secret") {
		t.Errorf("got %v, again %t", err, retry)
	}
}

func TestBadAddress(t *testing.T) {
	if retry, err := Do(t.Context(), Client(), "http://\x7f/secret", nil, nil); err == nil || retry || strings.Contains(err.Error(), "secret") {
		t.Errorf("got %v, again %t", err, retry)
	}
}

func FuzzAfter(f *testing.F) {
	f.Add("90", "")
	f.Add("Tue, 21 Apr 2026 01:12:00 GMT", "Tue, 21 Apr 2026 01:10:00 GMT")
	f.Fuzz(func(t *testing.T, value, date string) {
		if d, _ := after(value, date); d < 0 {
			t.Errorf("%q on %q: %s", value, date, d)
		}
	})
}

// TestWhatServersRepeatIsHushed asks servers that answer with what they were asked.
func TestWhatServersRepeatIsHushed(t *testing.T) {
	for _, tt := range []struct{ name, path, said, want string }{
		{"path", "/hooks/4711-0815", "no hook 4711-0815 here", "no hook *** here"},
		{"whole address", "/hooks/4711-0815?key=abcdef12", "GET /hooks/4711-0815?key=abcdef12", "GET /hooks/***?key=***"},
		{"escaped", "/a%20secret/x?k=un%2Bescaped", "a secret, a%20secret, un+escaped, un%2Bescaped", "***, ***, ***, ***"},
		{"credentials", "/x", "bad token: Bearer tk-123456789", "bad token: *** tk-***"},
		{"one within another", "/abcdef/abcdefgh", "abcdefgh abcdef", "*** ***"},
		{"short words stay", "/v1/send", "v1 send is gone", "v1 send is gone"},
		{"at the cut", "/hooks/4711-0815", strings.Repeat("x", 195) + " 4711-0815", strings.Repeat("x", 195) + " ***"},
		{"long", "/x", strings.Repeat("x", 5000), strings.Repeat("x", 200)},
	} {
		t.Run(tt.name, func(t *testing.T) {
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				w.WriteHeader(http.StatusNotFound)
				io.WriteString(w, tt.said)
			}))
			defer srv.Close()
			_, err := Do(t.Context(), Client(), srv.URL+tt.path, http.Header{"Authorization": {"Bearer 123456789"}}, nil)
			if err == nil || !strings.HasSuffix(err.Error(), "404 Not Found "+tt.want) {
				t.Errorf("got %v, want it to end in %q", err, tt.want)
			}
		})
	}
}
