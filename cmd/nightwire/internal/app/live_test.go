package app

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
)

// testWait bounds what a test waits for. Machines that build are slow now and then.
const testWait = 20 * time.Second

// handClock shows what it was set to.
type handClock struct {
	mu sync.Mutex
	at time.Time
}

func (c *handClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *handClock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = t
}

// liveRun is a night watch with its own broker, under test.
type liveRun struct {
	addresses chan Addresses
	arrived   chan struct{}
	looked    chan int

	mu     sync.Mutex
	events []alerts.Event
}

// deaths returns how many zones were called dead so far.
func (l *liveRun) deaths() (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range l.events {
		if e.Kind == alerts.Raised && e.Condition == alerts.Dead {
			n++
		}
	}
	return n
}

// startLive runs a watch until the returned function is called, which waits for its end.
func startLive(t *testing.T, cfg *config.Config, dir string, clock *handClock) (*liveRun, func()) {
	t.Helper()
	return startLiveWith(t, cfg, dir, clock, func(*Options) {})
}

// startLiveWith is startLive with other options.
func startLiveWith(t *testing.T, cfg *config.Config, dir string, clock *handClock, change func(*Options)) (*liveRun, func()) {
	t.Helper()
	l := &liveRun{addresses: make(chan Addresses, 1), arrived: make(chan struct{}, 1000), looked: make(chan int, 1000)}
	opts := Options{
		Config: cfg, DataDir: dir, Log: slog.New(slog.NewTextHandler(testLog{t}, nil)), Now: clock.now,
		Arrived: func() time.Time { l.arrived <- struct{}{}; return clock.now() },
		Started: func(a Addresses) { l.addresses <- a }, Looked: func(n int) { l.looked <- n },
		Said: func(e alerts.Event) {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.events = append(l.events, e)
		},
	}
	change(&opts)
	app, err := New(opts)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- app.Run(ctx) }()
	var once sync.Once
	stop := func() {
		once.Do(func() {
			cancel()
			if err := wait(t, ended); err != nil {
				t.Errorf("the watch ended with %v", err)
			}
		})
	}
	t.Cleanup(stop)
	return l, stop
}

// testLog writes a log to the test that it is of.
type testLog struct{ t *testing.T }

func (l testLog) Write(p []byte) (int, error) {
	l.t.Logf("%s", bytes.TrimSuffix(p, []byte("\n")))
	return len(p), nil
}

func wait[T any](t testing.TB, ch <-chan T) T {
	t.Helper()
	select {
	case v := <-ch:
		return v
	case <-time.After(testWait):
		t.Fatal("nothing came")
		panic("unreachable")
	}
}

// hookedFarm returns a small farm whose two people have their messages posted here.
func hookedFarm(t *testing.T) (*config.Config, <-chan map[string]any) {
	t.Helper()
	messages := make(chan map[string]any, 100)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m map[string]any
		if err := json.NewDecoder(r.Body).Decode(&m); err == nil {
			messages <- m
		}
	}))
	t.Cleanup(hook.Close)
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "secret"), []byte("not so much of a secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(smallFarm+twoPeople, "http://127.0.0.1:9/", hook.URL+"/") +
		"broker: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\", url: \"http://farm.test\"}\n"
	cfg, err := config.Parse(filepath.Join(dir, "farm.yaml"), []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if err := cfg.ReadSecrets(); err != nil {
		t.Fatal(err)
	}
	return cfg, messages
}

// TestLiveAndReplayAgree plays a night through the broker, the store and the page, with one alarm answered from its
// message, and holds what was said against a replay of the same messages and answers.
func TestLiveAndReplayAgree(t *testing.T) {
	cfg, messages := hookedFarm(t)
	clock, data := &handClock{at: start}, t.TempDir()
	live, stop := startLive(t, cfg, data, clock)
	at := wait(t, live.addresses)
	p, err := newPublisher(t.Context(), "mqtt://"+at.Broker, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	// Two faults: the first goes to the second person, the second is answered in time.
	capture := troubledNight(30*time.Minute, 55*time.Minute, 80*time.Minute) +
		strings.ReplaceAll(troubledNight(20*time.Minute, 45*time.Minute, 60*time.Minute), start.Format("2006-01-02T"), "2026-05-02T")
	raised := 0
	for line := range strings.Lines(capture) {
		m, err := parseCaptured([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		clock.set(m.at)
		if err := p.send(t.Context(), string(m.topic), m.payload); err != nil {
			t.Fatal(err)
		}
		wait(t, live.arrived)
		wait(t, live.looked)
		if n := live.deaths(); n > raised {
			raised = n
			if msg := waitRaised(t, messages, "hazel-dead"); n == 2 {
				acknowledge(t, at.Page, msg)
			}
		}
	}
	if err := p.close(); err != nil {
		t.Fatal(err)
	}
	stop()
	var actions, out bytes.Buffer
	if err := ExportActions(t.Context(), data, &actions); err != nil {
		t.Fatal(err)
	}
	if strings.Count(actions.String(), "\n") != 1 {
		t.Errorf("actions are %q, want the one answer", actions.String())
	}
	if _, err := Replay(t.Context(), ReplayOptions{Config: cfg, Capture: strings.NewReader(capture), Journal: &actions, Out: &out}); err != nil {
		t.Fatal(err)
	}
	want := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(want) < 5 || strings.Count(out.String(), `"escalated"`) != 1 {
		t.Fatalf("the replay said %q, want two faults and one escalation", want)
	}
	if diff := cmp.Diff(want, eventLines(t, live.events)); diff != "" {
		t.Errorf("live against replay (-replay +live):\n%s", diff)
	}
}

func eventLines(t *testing.T, events []alerts.Event) (out []string) {
	t.Helper()
	for _, e := range events {
		var b bytes.Buffer
		enc := json.NewEncoder(&b)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(e); err != nil {
			t.Fatal(err)
		}
		out = append(out, strings.TrimSpace(b.String()))
	}
	return out
}

// waitRaised waits for the message that says first that an alarm is on.
func waitRaised(t *testing.T, messages <-chan map[string]any, alarm string) map[string]any {
	t.Helper()
	for {
		if m := wait(t, messages); m["kind"] == "raised" && strings.Contains(fmt.Sprint(m["alarms"]), alarm) {
			return m
		}
	}
}

// acknowledge opens the link of a message and presses its button.
func acknowledge(t *testing.T, page string, message map[string]any) {
	t.Helper()
	link, _ := message["acknowledge_url"].(string)
	u, err := url.Parse(link)
	if err != nil || link == "" {
		t.Fatalf("message %v has no link", message)
	}
	resp, err := http.Post(strings.TrimSuffix(page, "/")+u.Path, "application/x-www-form-urlencoded", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, _ := io.ReadAll(resp.Body); resp.StatusCode != http.StatusOK {
		t.Fatalf("acknowledging gave %s: %s", resp.Status, body)
	}
}

// TestRestartsTakeUpWhatWasKnown stops a watch in the middle of a fault, and starts another on its data, with the
// detectors' memory and without: neither tells anybody again, and both see the end.
func TestRestartsTakeUpWhatWasKnown(t *testing.T) {
	for _, forget := range []bool{false, true} {
		t.Run(fmt.Sprintf("forget=%t", forget), func(t *testing.T) {
			cfg := parse(t, smallFarm+"broker: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\n")
			data := t.TempDir()
			clock := &handClock{at: start}
			lines := strings.Split(strings.TrimSpace(troubledNight(30*time.Minute, 55*time.Minute, 70*time.Minute)), "\n")
			first := runLines(t, cfg, data, clock, lines[:3*40])
			if forget {
				if err := os.Remove(filepath.Join(data, memoryFile)); err != nil {
					t.Fatal(err)
				}
			}
			second := runLines(t, cfg, data, clock, lines[3*40:])
			if n := kinds(first)[alerts.Raised]; n != 1 {
				t.Errorf("before the restart %d alarms were raised, want 1: %q", n, outline(first))
			}
			if got := kinds(second); got[alerts.Raised] != 0 || got[alerts.Returned] != 1 {
				t.Errorf("after the restart it said %q, want only the end", outline(second))
			}
			if len(first) > 0 && len(second) > 0 && first[0].ID != second[len(second)-1].ID {
				t.Errorf("the alarm was %s and is %s", first[0].ID, second[len(second)-1].ID)
			}
		})
	}
}

func kinds(events []alerts.Event) map[alerts.EventKind]int {
	n := map[alerts.EventKind]int{}
	for _, e := range events {
		n[e.Kind]++
	}
	return n
}

// runLines starts a watch, plays the lines of a capture through its broker, stops it, and returns what it said.
func runLines(t *testing.T, cfg *config.Config, data string, clock *handClock, lines []string) []alerts.Event {
	t.Helper()
	live, stop := startLive(t, cfg, data, clock)
	at := wait(t, live.addresses)
	p, err := newPublisher(t.Context(), "mqtt://"+at.Broker, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range lines {
		m, err := parseCaptured([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		clock.set(m.at)
		if err := p.send(t.Context(), string(m.topic), m.payload); err != nil {
			t.Fatal(err)
		}
		wait(t, live.arrived)
		wait(t, live.looked)
	}
	if err := p.close(); err != nil {
		t.Fatal(err)
	}
	stop()
	return live.events
}
