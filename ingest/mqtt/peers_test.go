package mqtt_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"

	"nightwire/ingest/broker"
	"nightwire/ingest/mqtt"
	"nightwire/ingest/pulse"
	"nightwire/sim/outside"
)

const patience = 30 * time.Second

// peer is a broker that can be stopped hard and started again with its sessions.
type peer interface {
	start(tb testing.TB)
	kill(tb testing.TB)
	addr() string
	lossPerKill() int // acknowledged messages that may be gone after kill
	login() (user, password string)
}

// eachBroker runs a test against every kind of broker.
func eachBroker(t *testing.T, f func(t *testing.T, p peer)) {
	t.Run("mosquitto", func(t *testing.T) { f(t, newMosquitto(t, outlivesKill)) })
	t.Run("embedded", func(t *testing.T) { f(t, newEmbedded(t)) })
}

// poll calls f every few milliseconds until it is content.
func poll(tb testing.TB, what string, f func() bool) {
	tb.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for end := time.After(patience); !f(); {
		select {
		case <-tick.C:
		case <-end:
			tb.Fatalf("gave up waiting: %s", what)
		}
	}
}

// mosquitto is the outside broker, with the settings that lose nothing.
type mosquitto struct {
	program, config, at string
	cmd                 *exec.Cmd
	log                 bytes.Buffer
}

// outlivesKill makes mosquitto write its database after every change, which also makes it slow.
const outlivesKill = "autosave_on_changes true\nautosave_interval 1\nlog_type all\n"

// newMosquitto starts one. extra is put at the start of its configuration.
func newMosquitto(tb testing.TB, extra string) *mosquitto {
	tb.Helper()
	program := outside.Program(tb, "mosquitto")
	dir := tb.TempDir()
	m := &mosquitto{program: program, at: outside.Address(tb), config: filepath.Join(dir, "mosquitto.conf")}
	_, port, _ := net.SplitHostPort(m.at)
	conf := fmt.Sprintf(`%s
listener %s 127.0.0.1
max_queued_messages 0
max_inflight_messages 1000
persistence true
persistence_location %s/
user root
`, extra, port, dir)
	if !strings.Contains(extra, "password_file") {
		conf += "allow_anonymous true\n"
	}
	if err := os.WriteFile(m.config, []byte(conf), 0o600); err != nil {
		tb.Fatal(err)
	}
	m.start(tb)
	tb.Cleanup(func() {
		m.kill(tb)
		if tb.Failed() {
			tb.Logf("mosquitto said:\n%s", m.log.String())
		}
	})
	return m
}

func (m *mosquitto) start(tb testing.TB) {
	tb.Helper()
	m.cmd = exec.Command(m.program, "-c", m.config)
	m.cmd.Stdout, m.cmd.Stderr = &m.log, &m.log
	if err := m.cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	poll(tb, "mosquitto listening", func() bool {
		c, err := net.Dial("tcp", m.at)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// kill ends it as a power cut would.
func (m *mosquitto) kill(testing.TB) {
	_ = m.cmd.Process.Kill() // gone already is fine
	_ = m.cmd.Wait()
}

// lossPerKill is what mosquitto was measured to lose with autosave_on_changes.
func (m *mosquitto) lossPerKill() int { return 1 }

func (m *mosquitto) addr() string            { return m.at }
func (m *mosquitto) login() (string, string) { return "", "" }

// embedded is our own broker.
type embedded struct {
	at, dir string
	users   []broker.User
	certs   certificateFiles
	b       *broker.Broker
	stop    func()
}

func newEmbedded(tb testing.TB) *embedded {
	tb.Helper()
	e := &embedded{at: outside.Address(tb), dir: tb.TempDir()}
	e.start(tb)
	tb.Cleanup(func() { e.stop() })
	return e
}

func (e *embedded) start(tb testing.TB) {
	tb.Helper()
	b, err := broker.New(broker.Options{
		Listen: e.at, StoreDir: e.dir, Users: e.users, AckWait: time.Second, Log: slog.New(slog.DiscardHandler),
		CertFile: e.certs.cert, KeyFile: e.certs.key,
	})
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	select {
	case <-b.Ready():
	case err := <-done:
		cancel()
		tb.Fatal(err)
	}
	e.b = b
	e.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			tb.Error(err)
		}
	})
}

func (e *embedded) kill(testing.TB)  { e.stop() }
func (e *embedded) lossPerKill() int { return 0 }

func (e *embedded) addr() string            { return e.at }
func (e *embedded) login() (string, string) { return "", "" }

// sensor returns a client to publish with.
func sensor(tb testing.TB, p peer) paho.Client {
	tb.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + p.addr()).SetClientID("sensor").SetAutoReconnect(false)
	c := paho.NewClient(o)
	if err := wait(c.Connect()); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { c.Disconnect(100) })
	return c
}

func send(tb testing.TB, c paho.Client, topic, payload string) {
	tb.Helper()
	if err := wait(c.Publish(topic, 1, false, payload)); err != nil {
		tb.Fatal(err)
	}
}

func wait(t paho.Token) error {
	if !t.WaitTimeout(patience) {
		return errors.New("no answer")
	}
	return t.Error()
}

// sink is a store in memory that can be made to fail.
type sink struct {
	mu       sync.Mutex
	readings []pulse.Reading
	batches  int
	calls    int
	err      error
	hold     chan struct{} // Append waits until it is closed, when set
}

func (s *sink) Append(ctx context.Context, rs []pulse.Reading) error {
	s.mu.Lock()
	s.calls++
	hold := s.hold
	s.mu.Unlock()
	if hold != nil {
		select {
		case <-hold:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	s.readings = append(s.readings, rs...)
	s.batches++
	return nil
}

func (s *sink) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
}

// block makes Append wait until the returned function is called.
func (s *sink) block() (release func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	hold := make(chan struct{})
	s.hold = hold
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.hold = nil
		close(hold)
	}
}

func (s *sink) called() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.calls
}

func (s *sink) all() []pulse.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]pulse.Reading(nil), s.readings...)
}

// seqs returns the sequence numbers stored, in order.
func (s *sink) seqs() []int {
	var out []int
	for _, r := range s.all() {
		v, _ := r.Get(pulse.Seq)
		out = append(out, int(v))
	}
	return out
}

// decodeSeq takes payloads that are a number, and is upset by two words.
func decodeSeq(topic string, payload []byte, arrived time.Time, retained bool) ([]pulse.Reading, error) {
	if string(payload) == "panic" {
		panic("told to")
	}
	var seq int
	if _, err := fmt.Sscan(string(payload), &seq); err != nil {
		return nil, fmt.Errorf("not a number: %w", err)
	}
	r := pulse.Reading{Sensor: pulse.SensorID(topic), At: arrived, Arrived: arrived}
	r.Set(pulse.Seq, float64(seq))
	if retained {
		r.Set(pulse.RSSI, -1)
	}
	return []pulse.Reading{r}, nil
}

// options returns those of a client of p that stores into s.
func options(p peer, s *sink, topics ...string) mqtt.Options {
	return mqtt.Options{
		Config: mqtt.Config{URL: "mqtt://" + p.addr(), ClientID: "nightwire-test"},
		Topics: topics, Decode: decodeSeq, Sink: s,
		Log: slog.New(slog.DiscardHandler), Metrics: mqtt.NewMetrics(prometheus.NewRegistry()),
	}
}

// run starts a client and returns once it is connected. stop ends it; the end of the test does too.
func run(tb testing.TB, o mqtt.Options) (c *mqtt.Client, stop func()) {
	tb.Helper()
	up := make(chan struct{}, 1)
	told := o.Connected
	o.Connected = func(connected bool) {
		if connected {
			select {
			case up <- struct{}{}:
			default:
			}
		}
		if told != nil {
			told(connected)
		}
	}
	c, stop = runUnconnected(tb, o)
	select {
	case <-up:
	case <-time.After(patience):
		tb.Fatal("not connected")
	}
	return c, stop
}

func runUnconnected(tb testing.TB, o mqtt.Options) (c *mqtt.Client, stop func()) {
	tb.Helper()
	c, err := mqtt.New(o)
	if err != nil {
		tb.Fatal(err)
	}
	c.Hasten()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				tb.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			tb.Error("Run did not end")
		}
	})
	tb.Cleanup(stop)
	return c, stop
}

// lines is a log handler that keeps what it is given.
type lines struct {
	mu  sync.Mutex
	got []string
}

func (l *lines) Enabled(_ context.Context, v slog.Level) bool { return v >= slog.LevelInfo }
func (l *lines) WithAttrs([]slog.Attr) slog.Handler           { return l }
func (l *lines) WithGroup(string) slog.Handler                { return l }
func (l *lines) Handle(_ context.Context, r slog.Record) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := r.Level.String() + " " + r.Message
	r.Attrs(func(a slog.Attr) bool { s += " " + a.String(); return true })
	l.got = append(l.got, s)
	return nil
}

func (l *lines) with(text string) (out []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, s := range l.got {
		if strings.Contains(s, text) {
			out = append(out, s)
		}
	}
	return out
}

// dialer connects to addr and leaves the latest connection in *conn.
func dialer(addr string, conn *net.Conn) func(context.Context) (net.Conn, error) {
	return func(ctx context.Context) (net.Conn, error) {
		c, err := (&net.Dialer{}).DialContext(ctx, "tcp", addr)
		*conn = c
		return c, err
	}
}
