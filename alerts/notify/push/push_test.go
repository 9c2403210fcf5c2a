package push

import (
	"io"
	"mime"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// got is what a server saw.
type got struct {
	Method, Path, Title, Priority, Tags, Click, Actions, Auth, Body string
}

func server(t *testing.T, status int) (address string, seen *got) {
	t.Helper()
	seen = &got{}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		title, err := new(mime.WordDecoder).DecodeHeader(r.Header.Get("Title"))
		if err != nil {
			t.Error(err)
		}
		*seen = got{r.Method, r.URL.EscapedPath(), title, r.Header.Get("Priority"), r.Header.Get("Tags"), r.Header.Get("Click"),
			r.Header.Get("Actions"), r.Header.Get("Authorization"), string(body)}
		w.WriteHeader(status)
	}))
	t.Cleanup(srv.Close)
	return srv.URL, seen
}

func message(kind alerts.MessageKind, p alerts.Priority) alerts.Message {
	return alerts.Message{Key: "k", Kind: kind, Farm: "alder-bank", Person: "Orla", Priority: p,
		Route: farm.Route{Channel: "push", Address: "orla-7f3a"}, Subject: "Brook is dead – since 02:10", Body: "Where: brook.\n"}
}

func TestSend(t *testing.T) {
	address, seen := server(t, 200)
	p, err := New(Config{Server: address + "/", Token: "tk_1"})
	if err != nil {
		t.Fatal(err)
	}
	m := message(alerts.TellRaised, alerts.High)
	m.Link = "https://farm.example/a/abc.def"
	if retry, err := p.Send(t.Context(), m); err != nil {
		t.Fatalf("%v, again %t", err, retry)
	}
	want := got{Method: "POST", Path: "/orla-7f3a", Title: "Brook is dead – since 02:10", Priority: "5", Tags: "rotating_light",
		Click: "https://farm.example/a/abc.def", Auth: "Bearer tk_1", Body: "Where: brook.\n",
		Actions: `[{"action":"http","clear":true,"label":"I have it","method":"POST","url":"https://farm.example/a/abc.def"}]`}
	if diff := cmp.Diff(want, *seen); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestLoudness(t *testing.T) {
	for _, tt := range []struct {
		name     string
		kind     alerts.MessageKind
		p        alerts.Priority
		priority string
		tag      string
	}{
		{"an alarm in the night", alerts.TellRaised, alerts.High, "5", "rotating_light"},
		{"told again", alerts.TellRepeat, alerts.High, "5", "rotating_light"},
		{"to the next person", alerts.TellEscalated, alerts.High, "5", "rotating_light"},
		{"somebody else has it", alerts.TellTaken, alerts.High, "3", "raised_hand"},
		{"over", alerts.TellReturned, alerts.High, "3", "white_check_mark"},
		{"one for the morning", alerts.TellRaised, alerts.Medium, "3", "warning"},
		{"the evening round", alerts.TellRound, alerts.LowPriority, "2", "memo"},
		{"stock behind a fence that is off", alerts.TellReminder, alerts.High, "5", "rotating_light"},
		{"a reminder", alerts.TellReminder, alerts.Medium, "4", "warning"},
		{"a test", alerts.TellTest, alerts.Medium, "4", "bell"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			address, seen := server(t, 200)
			p, err := New(Config{Server: address})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := p.Send(t.Context(), message(tt.kind, tt.p)); err != nil {
				t.Fatal(err)
			}
			if seen.Priority != tt.priority || seen.Tags != tt.tag || seen.Actions != "" || seen.Click != "" || seen.Auth != "" {
				t.Errorf("got %+v, want priority %s, tag %s and no link", *seen, tt.priority, tt.tag)
			}
		})
	}
}

func TestStrangeTexts(t *testing.T) {
	address, seen := server(t, 200)
	p, err := New(Config{Server: address})
	if err != nil {
		t.Fatal(err)
	}
	m := message(alerts.TellRaised, alerts.High)
	m.Subject = "Brook\r\nX-Evil: 1\x00 is dead"
	m.Route.Address = "../v1/account?x=#1"
	m.Body = strings.Repeat("Zeile für Zeile\n", 500)
	if _, err := p.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	if seen.Title != "Brook X-Evil: 1 is dead" {
		t.Errorf("title %q", seen.Title)
	}
	if seen.Path != "/..%2Fv1%2Faccount%3Fx=%231" {
		t.Errorf("path %q is not the topic alone", seen.Path)
	}
	if len(seen.Body) > 4096 || !utf8.ValidString(seen.Body) || !strings.HasSuffix(seen.Body, "Zeile\n…") {
		t.Errorf("a text of %d bytes that ends in %q", len(seen.Body), seen.Body[len(seen.Body)-20:])
	}
}

func TestAnswerDecides(t *testing.T) {
	for _, tt := range []struct {
		status int
		retry  bool
	}{{401, false}, {413, false}, {429, true}, {502, true}} {
		address, _ := server(t, tt.status)
		p, err := New(Config{Server: address, Token: "tk_secret"})
		if err != nil {
			t.Fatal(err)
		}
		retry, err := p.Send(t.Context(), message(alerts.TellRaised, alerts.High))
		if err == nil || retry != tt.retry {
			t.Errorf("%d: got %v, again %t", tt.status, err, retry)
		}
		if err != nil && (strings.Contains(err.Error(), "tk_secret") || strings.Contains(err.Error(), "orla-7f3a")) {
			t.Errorf("%d: the error shows a secret: %v", tt.status, err)
		}
	}
}

func TestConfigRefused(t *testing.T) {
	for _, s := range []string{"", "push.example.org", "ftp://push.example.org", "https://"} {
		if _, err := New(Config{Server: s}); err == nil || !strings.Contains(err.Error(), "\nhint: ") {
			t.Errorf("%q: got %v, want a refusal with a hint", s, err)
		}
	}
}

func FuzzHeader(f *testing.F) {
	f.Add("Brook\r\nis dead – now")
	f.Fuzz(func(t *testing.T, s string) {
		if got := header(s); strings.ContainsAny(got, "\r\n\x00") {
			t.Errorf("%q became %q", s, got)
		}
	})
}
