package webhook

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

const secret = "0123456789abcdef0123456789abcdef"

func sentAt() time.Time { return time.Date(2026, 4, 21, 1, 10, 7, 0, time.UTC) }

func message(address string) alerts.Message {
	return alerts.Message{
		Key: "x|raised|Orla", Kind: alerts.TellRaised, Farm: "alder-bank", Person: "Orla", Priority: alerts.High, Answers: true,
		Route: farm.Route{Channel: "webhook", Address: address}, Created: sentAt().Add(-time.Second), Link: "https://farm.example/a/t",
		Subject: "Brook is dead", Body: "Brook is dead.\n",
		Alarms: []alerts.Event{{ID: "x", Time: sentAt().Add(-time.Minute), Kind: alerts.Raised, Finding: alerts.Finding{
			Source: "zone/brook", Condition: alerts.Dead, Cause: alerts.Open, Priority: alerts.High, KV: new(0.1), Text: "Brook <is> dead."}}},
	}
}

// receive is a receiver as the package comment tells people to write one, kept apart from the code under test.
func receive(r *http.Request, now time.Time) ([]byte, error) {
	data, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	stamp := r.Header.Get("X-Nightwire-Timestamp")
	sec, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil {
		return nil, err
	}
	if d := now.Sub(time.Unix(sec, 0)); d > 5*time.Minute || d < -5*time.Minute {
		return nil, errors.New("stale")
	}
	mac := hmac.New(sha256.New, []byte(secret))
	io.WriteString(mac, stamp+"."+string(data))
	got, err := hex.DecodeString(strings.TrimPrefix(r.Header.Get("X-Nightwire-Signature"), "sha256="))
	if err != nil || !hmac.Equal(mac.Sum(nil), got) {
		return nil, errors.New("forged")
	}
	return data, nil
}

func TestSend(t *testing.T) {
	var got []byte
	var problem error
	var ids []string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got, problem = receive(r, sentAt().Add(time.Minute))
		ids = append(ids, r.Header.Get("X-Nightwire-Message"))
		if ct := r.Header.Get("Content-Type"); ct != "application/json" || r.Method != http.MethodPost {
			t.Errorf("%s of %s", r.Method, ct)
		}
	}))
	defer srv.Close()
	hook, err := New(Config{Secret: secret, Now: sentAt})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if retry, err := hook.Send(t.Context(), message(srv.URL+"/h")); err != nil || problem != nil {
			t.Fatalf("%v, again %t; the receiver: %v", err, retry, problem)
		}
	}
	if ids[0] != ids[1] || len(ids[0]) != 32 {
		t.Errorf("the same message had the ids %v", ids)
	}
	want := `{"version":1,"message":"` + ids[0] + `","kind":"raised","farm":"alder-bank","person":"Orla","priority":"high",` +
		`"time":"2026-04-21T01:10:06Z","subject":"Brook is dead","text":"Brook is dead.\n","acknowledge_url":"https://farm.example/a/t",` +
		`"alarms":[{"id":"x","time":"2026-04-21T01:09:07Z","event":"raised","source":"zone/brook","condition":"dead","cause":"open",` +
		`"priority":"high","kv":0.1,"text":"Brook \u003cis\u003e dead."}]}`
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestReceiverSeesForgeryAndReplay(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(r *http.Request)
		now    time.Time
	}{
		{"played again later", func(*http.Request) {}, sentAt().Add(time.Hour)},
		{"with a new stamp", func(r *http.Request) {
			r.Header.Set("X-Nightwire-Timestamp", strconv.FormatInt(sentAt().Add(time.Hour).Unix(), 10))
		}, sentAt().Add(time.Hour)},
		{"another body", func(r *http.Request) { r.Body = io.NopCloser(strings.NewReader("{}")) }, sentAt()},
		{"no signature", func(r *http.Request) { r.Header.Del("X-Nightwire-Signature") }, sentAt()},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var problem error
			srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
				tt.change(r)
				_, problem = receive(r, tt.now)
			}))
			defer srv.Close()
			hook, err := New(Config{Secret: secret, Now: sentAt})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := hook.Send(t.Context(), message(srv.URL)); err != nil {
				t.Fatal(err)
			}
			if problem == nil {
				t.Error("the receiver took it")
			}
		})
	}
}

func TestAnswerDecides(t *testing.T) {
	for _, tt := range []struct {
		status int
		retry  bool
	}{{404, false}, {429, true}, {500, true}} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(tt.status) }))
		hook, err := New(Config{Secret: secret})
		if err != nil {
			t.Fatal(err)
		}
		m := message(srv.URL + "/very-secret")
		m.Alarms = nil
		retry, err := hook.Send(t.Context(), m)
		if err == nil || retry != tt.retry || strings.Contains(err.Error(), "very-secret") {
			t.Errorf("%d: got %v, again %t", tt.status, err, retry)
		}
		srv.Close()
	}
}

func TestNoAlarmsIsAnEmptyList(t *testing.T) {
	var got map[string]any
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		if err := json.NewDecoder(r.Body).Decode(&got); err != nil {
			t.Error(err)
		}
	}))
	defer srv.Close()
	hook, err := New(Config{Secret: secret})
	if err != nil {
		t.Fatal(err)
	}
	m := message(srv.URL)
	m.Alarms = nil
	if _, err := hook.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	if list, ok := got["alarms"].([]any); !ok || len(list) != 0 {
		t.Errorf("alarms are %v", got["alarms"])
	}
}

func TestShortSecretRefused(t *testing.T) {
	if _, err := New(Config{Secret: "fence"}); err == nil || strings.Contains(err.Error(), "fence") {
		t.Errorf("got %v, want a refusal that does not show it", err)
	}
}
