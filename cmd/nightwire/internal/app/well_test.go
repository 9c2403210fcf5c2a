package app

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/notify"
)

// silentChannel takes no message while err is set.
type silentChannel struct{ err error }

func (c *silentChannel) Send(context.Context, alerts.Message) (bool, error) {
	return c.err != nil, c.err
}

// everyMinute is an outbox with a message for each of some channels, sent again a minute after each try.
type everyMinute struct {
	channels []string
	next     map[string]time.Time // by channel
}

func (o *everyMinute) Pending() (all []alerts.Message) {
	for _, name := range o.channels {
		m := alerts.Message{Key: name, Kind: alerts.TellTest, Person: name, NextTry: o.next[name]}
		m.Route.Channel = name
		all = append(all, m)
	}
	return all
}

func (o *everyMinute) Settle(_ context.Context, ds ...alerts.Delivery) error {
	for _, d := range ds {
		o.next[d.Key] = time.Now().Add(time.Minute)
	}
	return nil
}

func sendEveryMinute(t *testing.T, mail, push notify.Channel) *notify.Sender {
	t.Helper()
	s, err := notify.NewSender(notify.SenderOptions{Outbox: &everyMinute{[]string{"mail", "push"}, map[string]time.Time{}},
		Channels: map[string]notify.Channel{"mail": mail, "push": push}})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestWellMeansReadingsAndMessagesGoThrough takes each part away and gives it back, in faked time.
func TestWellMeansReadingsAndMessagesGoThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNight(Options{Now: time.Now, Speed: 1, Log: slog.New(slog.DiscardHandler)}, parse(t, smallFarm))
		mail, push := &silentChannel{}, &silentChannel{}
		n.sender, n.channels = sendEveryMinute(t, mail, push), []string{"mail", "push"}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { defer close(ended); _ = n.sender.Run(ctx) }()
		turning := true
		pass := func(d time.Duration) { // the watch goes round
			for end := time.Now().Add(d); time.Now().Before(end); <-time.After(10 * time.Second) {
				if turning {
					mark(&n.pulses.turned)
				}
			}
		}
		expect := func(when, want string) {
			t.Helper()
			err := n.well(t.Context())
			if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
				t.Errorf("%s: well is %v, want %q", when, err, want)
			}
		}
		pass(time.Minute)
		expect("at the start", "")
		turning = false
		pass(50 * time.Second)
		expect("a slow turn", "")
		pass(20 * time.Second)
		expect("detection stalls", "has not gone round")
		turning = true
		pass(time.Minute)
		expect("detection goes on", "")
		mark(&n.pulses.storing)
		pass(2 * time.Minute)
		expect("the store hangs", "on its way to the store")
		n.pulses.storing.Store(0)
		n.connected(false)
		pass(2 * time.Minute)
		n.connected(false)
		expect("the built-in broker is gone", "broker")
		n.pulses.unheard.Store(0)
		mail.err = errors.New("down")
		pass(time.Hour)
		expect("one of two channels works", "")
		push.err = errors.New("down")
		pass(5 * time.Minute)
		expect("no channel works, for minutes", "")
		pass(20 * time.Minute)
		expect("no channel works, for long", "no channel works")
		push.err = nil
		pass(10 * time.Minute)
		expect("one is back", "")
		cancel()
		<-ended
		pass(5 * time.Minute)
		expect("the sender is stuck", "not been looked at")
	})
}

// TestHeartbeatFromTheFarmFile beats an outside server from a whole watch, and says so on the page when it cannot. The
// address is nowhere to be read.
func TestHeartbeatFromTheFarmFile(t *testing.T) {
	beats := make(chan string, 10)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { beats <- r.Method + " " + r.URL.Path }))
	t.Cleanup(srv.Close)
	path := filepath.Join(t.TempDir(), "beat")
	if err := os.WriteFile(path, []byte(srv.URL+"/hidden/way\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := parse(t, smallFarm+"broker: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\nheartbeat: {url_file: "+path+"}\n")
	if err := cfg.ReadSecrets(); err != nil {
		t.Fatal(err)
	}
	live, stop := startLive(t, cfg, t.TempDir(), &handClock{at: start})
	wait(t, live.addresses)
	if got := wait(t, beats); got != "GET /hidden/way" {
		t.Errorf("the server got %q", got)
	}
	stop()
}
