package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
)

// formPaths are the routes that take a post.
func formPaths() []string {
	return []string{"/act", "/turnout", "/name", "/logout", "/login", "/a/good-token", "/a/bad-token", "/nowhere"}
}

// FuzzForms posts anything to every form, with the form's own token or without. Without it nothing is done; what is
// refused has done nothing; what is done can be kept, ends by itself and holds no more than a form may; and nobody is
// sent elsewhere.
func FuzzForms(f *testing.F) {
	farm := newFake().alarmed()
	o, err := farm.Overview(f.Context())
	if err != nil {
		f.Fatal(err)
	}
	opts := options(farm)
	opts.Overview, opts.History, opts.Lines = still(o), kept{}, nil
	s, err := New(opts)
	if err != nil {
		f.Fatal(err)
	}
	for i, body := range []string{
		"action=ack&alarm=20260618T060200Z-lane-dead&by=Tom&back=/zone/lane", "zone=lane&zone=brook", "name=%00%0aEve&back=//elsewhere", "back=/", "name=Ann&next=/%5Celsewhere",
	} {
		f.Add(byte(i), true, body)
	}
	for _, body := range []string{"action=shelve&alarm=a&for=4h", "action=out_of_service&source=zone/lane&for=24h&note=%ff", "action=note&source=site&note=x&on=2026-06-17",
		"action=trimmed&source=zone/lane&on=2026-06-01", "action=weather&sky=rain&when=yesterday&mm=3,5", "action=done&task=walk", "action=done&task=earth-test&stake_v=200&fence_kv=0.9"} {
		f.Add(byte(0), true, body)
	}
	f.Add(byte(5), false, "")
	h := s.headers(s.sameSite(s.mux)) // without the recovery, so that a panic is seen
	hidden := regexp.MustCompile(`name="token" value="([^"]+)"`)
	f.Fuzz(func(t *testing.T, path byte, ours bool, body string) {
		farm.acts, farm.asks = nil, nil
		login := httptest.NewRecorder()
		h.ServeHTTP(login, localRequest("/login")) // each has a session of its own, since one of the forms ends it
		cookie, token := login.Result().Cookies()[0], hidden.FindStringSubmatch(login.Body.String())[1]
		to := formPaths()[int(path)%len(formPaths())]
		if ours {
			body = "token=" + token + "&" + body
		}
		r := httptest.NewRequest(http.MethodPost, "http://localhost"+to, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.AddCookie(cookie)
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		did := len(farm.taken()) + len(farm.asks)
		switch {
		case rec.Code >= 500:
			t.Errorf("%s got %d: %s", to, rec.Code, rec.Body)
		case rec.Code >= 400 && did > 0:
			t.Errorf("%s was refused with %d, and did %+v", to, rec.Code, farm.taken())
		case did > 0 && !strings.Contains(body, token) && to != "/a/good-token":
			t.Errorf("%s did %+v without the form's token", to, farm.taken())
		}
		if at := rec.Header().Get("Location"); rec.Code == http.StatusSeeOther && localPath(at) != at {
			t.Errorf("%s sends people to %q", to, at)
		}
		for _, a := range farm.taken() {
			checkAct(t, a, farm.now)
		}
	})
}

// checkAct checks what came of a form.
func checkAct(t *testing.T, a alerts.Action, now time.Time) {
	t.Helper()
	if !a.Time.Equal(now) {
		t.Errorf("it was done at %s, want now", a.Time)
	}
	if utf8.RuneCountInString(a.By) > maxNameRunes || strings.ContainsFunc(a.By, unicode.IsControl) {
		t.Errorf("done by %q", a.By)
	}
	if utf8.RuneCountInString(a.Note) > maxNoteRunes || len(a.Alarm) > 200 || len(a.Source) > 200 {
		t.Errorf("too much was taken: %+v", a)
	}
	if ends := offered(a.Kind) != nil; ends != (a.Until.After(now) && a.Until.Sub(now) <= 24*time.Hour) {
		t.Errorf("%s ends at %s", a.Kind, a.Until)
	}
	text, err := json.Marshal(a)
	var back alerts.Action
	if err == nil {
		err = json.Unmarshal(text, &back)
	}
	if err != nil {
		t.Fatalf("%+v cannot be kept: %v", a, err)
	}
	if diff := cmp.Diff(a, back); diff != "" {
		t.Errorf("kept and read back (-was +is):\n%s", diff)
	}
}

// over is a farm in which nothing will change any more.
type over struct{}

func (over) Changes(context.Context) <-chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}

// FuzzLastEventID asks for live news as a browser does that had some before. Ours have no numbers, so whatever it claims
// to have had, it gets what any other gets: one whole event at once.
func FuzzLastEventID(f *testing.F) {
	farm := newFake()
	opts := options(farm)
	opts.Changes = over{}
	s, err := New(opts)
	if err != nil {
		f.Fatal(err)
	}
	for _, id := range []string{"", "0", "17", "-1", "99999999999999999999", "\x00", "a\nevent: change", strings.Repeat("9", 5000), "ü"} {
		f.Add(id, "text/event-stream")
	}
	want := fmt.Sprintf("event: beat\ndata: %d\n\n", farm.now.Unix())
	h := s.headers(s.sameSite(s.mux))
	f.Fuzz(func(t *testing.T, id, accept string) {
		r := localRequest("/live")
		r.Header.Set("Last-Event-ID", id)
		r.Header.Set("Accept", accept)
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		if rec.Code != http.StatusOK || rec.Body.String() != want || rec.Header().Get("Content-Type") != "text/event-stream" {
			t.Errorf("got %d %q, want %q", rec.Code, rec.Body, want)
		}
		if len(s.slots) != 0 {
			t.Error("a stream that ended still takes a place")
		}
	})
}
