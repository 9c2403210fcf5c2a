package heartbeat

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// answer is an outside server that needs no network, so that time can be faked.
type answer func(*http.Request) (*http.Response, error)

func (a answer) RoundTrip(r *http.Request) (*http.Response, error) { return a(r) }

func said(code int) *http.Response {
	return &http.Response{StatusCode: code, Status: http.StatusText(code), Body: io.NopCloser(strings.NewReader("OK"))}
}

const secret = "https://beats.example/ping/5f1c-very-secret?k=also-secret"

func newBeat(t *testing.T, o Options) (*Beat, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	o.Log = slog.New(slog.NewTextHandler(&log, nil))
	if o.Every == 0 {
		o.Every = 5 * time.Minute
	}
	b, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return b, &log
}

// TestBeatsOnlyWhileWell follows an hour in which the watch is stuck for a while.
func TestBeatsOnlyWhileWell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var beats []int // minutes
		stuck := func() bool { m := time.Since(began).Minutes(); return m > 14 && m < 33 }
		b, log := newBeat(t, Options{
			URL: secret,
			Well: func(context.Context) error {
				if stuck() {
					return errors.New("the watch has not gone round")
				}
				return nil
			},
			Client: &http.Client{Transport: answer(func(r *http.Request) (*http.Response, error) {
				beats = append(beats, int(time.Since(began).Minutes()))
				if r.Method != http.MethodGet || r.URL.String() != secret || r.Body != nil {
					t.Errorf("sent %s %s", r.Method, r.URL)
				}
				return said(200), nil
			})},
		})
		ctx, cancel := context.WithTimeout(t.Context(), 51*time.Minute)
		defer cancel()
		if err := b.Run(ctx); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff([]int{0, 5, 10, 35, 40, 45, 50}, beats); diff != "" {
			t.Errorf("minutes of beats (-want +got):\n%s", diff)
		}
		if n := strings.Count(log.String(), "\n"); n != 2 || !strings.Contains(log.String(), "has not gone round") {
			t.Errorf("the log has %d lines, want one that it stops and why, and one that it goes on:\n%s", n, log)
		}
	})
}

// TestFailuresAreSaidOnceWithoutTheAddress lets beats fail in several ways.
func TestFailuresAreSaidOnceWithoutTheAddress(t *testing.T) {
	for _, tt := range []struct {
		name   string
		answer func() (*http.Response, error)
		want   string
	}{
		{"refused", func() (*http.Response, error) { return nil, errors.New("connection refused") }, "heartbeat to beats.example: connection refused"},
		{"gone", func() (*http.Response, error) { return said(404), nil }, "heartbeat to beats.example: it answers Not Found"},
		{"elsewhere", func() (*http.Response, error) {
			r := said(302)
			r.Header = http.Header{"Location": {"https://elsewhere.example/"}}
			return r, nil
		}, "heartbeat to beats.example: it answers Found"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				n, told := 0, []error(nil)
				client := &http.Client{Transport: answer(func(r *http.Request) (*http.Response, error) {
					if n++; n > 1 && n < 5 {
						return tt.answer()
					}
					return said(200), nil
				})}
				client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
				b, log := newBeat(t, Options{URL: secret, Client: client, Well: func(context.Context) error { return nil },
					Trouble: func(err error) { told = append(told, err) }})
				ctx, cancel := context.WithTimeout(t.Context(), 26*time.Minute)
				defer cancel()
				if err := b.Run(ctx); err != nil {
					t.Fatal(err)
				}
				if len(told) != 6 || told[0] != nil || told[1] == nil || told[4] != nil || !strings.HasPrefix(told[1].Error(), tt.want) {
					t.Errorf("told %v, want %q for beats 2 to 4", told, tt.want)
				}
				if strings.Count(log.String(), "\n") != 2 || strings.Contains(log.String(), "secret") {
					t.Errorf("the log is\n%s", log)
				}
			})
		})
	}
}

// TestOverTheNetwork beats a real server, also one that hangs up.
func TestOverTheNetwork(t *testing.T) {
	paths := make(chan string, 10)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { paths <- r.Method + " " + r.URL.Path }))
	b, _ := newBeat(t, Options{URL: srv.URL + "/ping/secret", Well: func(context.Context) error { return nil }})
	if err := b.send(t.Context()); err != nil {
		t.Error(err)
	}
	if got := <-paths; got != "GET /ping/secret" {
		t.Errorf("the server got %q", got)
	}
	srv.Close()
	if err := b.send(t.Context()); err == nil || strings.Contains(err.Error(), "secret") {
		t.Errorf("a server that is gone gives %v, want an error without the path", err)
	}
}

func TestBadAddressesAreNotRepeated(t *testing.T) {
	for _, address := range []string{"", "secret", "ftp://secret/", "https://", "https://host:secret/", "\x00secret"} {
		_, err := New(Options{URL: address, Every: time.Minute, Well: func(context.Context) error { return nil }, Log: slog.Default()})
		if err == nil || strings.Contains(err.Error(), "secret") {
			t.Errorf("%q gives %v, want an error that does not repeat it", address, err)
		}
	}
}
