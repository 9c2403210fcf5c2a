package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"
)

const patience = time.Minute

// startBroker runs a broker until the test ends.
func startBroker(tb testing.TB, opts Options) *Broker {
	tb.Helper()
	if opts.Listen == "" {
		opts.Listen = "127.0.0.1:0"
	}
	if opts.StoreDir == "" {
		opts.StoreDir = tb.TempDir()
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	b, err := New(opts)
	if err != nil {
		tb.Fatal(err)
	}
	b.healEvery = 50 * time.Millisecond
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	tb.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			tb.Errorf("Run: %v", err)
		}
	})
	select {
	case <-b.Ready():
	case err := <-done:
		done <- nil
		tb.Fatalf("Run: %v", err)
	case <-time.After(patience):
		tb.Fatal("broker not ready")
	}
	return b
}

// dial returns a client that connected, or the reason why not.
func dial(tb testing.TB, addr net.Addr, user, password string, more ...func(*paho.ClientOptions)) (paho.Client, error) {
	tb.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + addr.String()).SetClientID(tb.Name() + user).
		SetUsername(user).SetPassword(password).SetAutoReconnect(false).SetProtocolVersion(4)
	for _, f := range more {
		f(o)
	}
	c := paho.NewClient(o)
	if err := wait(c.Connect()); err != nil {
		return nil, err
	}
	tb.Cleanup(func() { c.Disconnect(100) })
	return c, nil
}

func mustDial(tb testing.TB, addr net.Addr, user, password string, more ...func(*paho.ClientOptions)) paho.Client {
	tb.Helper()
	c, err := dial(tb, addr, user, password, more...)
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

func wait(t paho.Token) error {
	if !t.WaitTimeout(patience) {
		return errors.New("no answer")
	}
	return t.Error()
}

// collect subscribes and returns a channel of "topic payload".
func collect(tb testing.TB, c paho.Client, filter string, qos byte) <-chan string {
	tb.Helper()
	got := make(chan string, 10_000)
	tok := c.Subscribe(filter, qos, func(_ paho.Client, m paho.Message) { got <- m.Topic() + " " + string(m.Payload()) })
	if err := wait(tok); err != nil {
		tb.Fatal(err)
	}
	return got
}

func next(tb testing.TB, ch <-chan string) string {
	tb.Helper()
	select {
	case s := <-ch:
		return s
	case <-time.After(patience):
		tb.Fatal("nothing came")
		return ""
	}
}

func hash(tb testing.TB, password string) string {
	tb.Helper()
	h, err := HashPassword(password)
	if err != nil {
		tb.Fatal(err)
	}
	return h
}

func TestNewRefuses(t *testing.T) {
	good := User{Name: "brook", PasswordHash: hash(t, "pw"), Publish: []string{"a/b"}}
	tests := []struct {
		name   string
		change func(*Options)
		want   string
	}{
		{"anonymous off loopback", func(o *Options) { o.Listen = "0.0.0.0:0" }, "no sensor has a password"},
		{"anonymous on all", func(o *Options) { o.Listen = ":0" }, "no sensor has a password"},
		{"no port", func(o *Options) { o.Listen = "127.0.0.1" }, "host:port"},
		{"no folder", func(o *Options) { o.StoreDir = "" }, "store folder"},
		{"plain password", func(o *Options) { o.Users = []User{{Name: "brook", PasswordHash: "pw"}} }, "not a bcrypt hash"},
		{"name twice", func(o *Options) { o.Users = []User{good, good} }, "used twice"},
		{"reserved name", func(o *Options) { u := good; u.Name = daemonUser; o.Users = []User{u} }, "reserved"},
		{"server wildcard", func(o *Options) { u := good; u.Publish = []string{"a/>"}; o.Users = []User{u} }, "cannot be used"},
		{"half a level", func(o *Options) { u := good; u.Publish = []string{"a/b+"}; o.Users = []User{u} }, "cannot be used"},
		{"inner hash", func(o *Options) { u := good; u.Publish = []string{"#/a"}; o.Users = []User{u} }, "cannot be used"},
		{"inside the server", func(o *Options) { u := good; u.Subscribe = []string{"$MQTT/#"}; o.Users = []User{u} }, "reserved"},
		{"no certificate", func(o *Options) { o.CertFile = "absent.pem"; o.KeyFile = "absent.key" }, "certificate"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			o := Options{Listen: "127.0.0.1:0", StoreDir: t.TempDir(), Log: slog.New(slog.DiscardHandler)}
			tc.change(&o)
			_, err := New(o)
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("New gave %v, want an error with %q", err, tc.want)
			}
		})
	}
}

func TestRunSaysWhyItCannotStart(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct{ name, listen, dir, want string }{
		{"port taken", taken.Addr().String(), t.TempDir(), "is taken"},
		{"address elsewhere", "192.0.2.1:0", t.TempDir(), "not one of this machine's"},
		{"folder is a file", "127.0.0.1:0", file, "broker folder"},
		{"folder read-only", "127.0.0.1:0", "/proc/nightwire", "broker folder"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			u := []User{{Name: "brook", PasswordHash: hash(t, "pw")}}
			b, err := New(Options{Listen: tc.listen, StoreDir: tc.dir, Users: u, Log: slog.New(slog.DiscardHandler)})
			if err != nil {
				t.Fatal(err)
			}
			err = b.Run(t.Context())
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("Run gave %v, want an error with %q", err, tc.want)
			}
		})
	}
}

func TestAnonymousOnLoopback(t *testing.T) {
	b := startBroker(t, Options{})
	c := mustDial(t, b.Addr(), "", "")
	got := collect(t, c, "farm/#", 1)
	if err := wait(c.Publish("farm/brook", 1, false, "8.1")); err != nil {
		t.Fatal(err)
	}
	if s := next(t, got); s != "farm/brook 8.1" {
		t.Errorf("got %q", s)
	}
}

// Each publisher sends to every topic; the daemon must see exactly what its permissions let through.
func TestPermissions(t *testing.T) {
	topics := []string{
		"farm/brook/kv", "farm/hazel/kv", "farm", "farm/brook", "/farm", "farm/", "farm//kv", "farm/a.b/kv", "farm/a/b/kv", "other", "farm/*/x",
	}
	tests := []struct {
		name    string
		publish []string
		want    []string
	}{
		{"own topic", []string{"farm/brook/kv"}, []string{"farm/brook/kv"}},
		{"none", nil, nil},
		{"one level", []string{"farm/+/kv"}, []string{"farm/brook/kv", "farm/hazel/kv", "farm//kv", "farm/a.b/kv"}},
		{"all below and itself", []string{"farm/brook/#"}, []string{"farm/brook/kv", "farm/brook"}},
		{"dot within a level", []string{"farm/a.b/kv"}, []string{"farm/a.b/kv"}},
		{"leading slash", []string{"/farm"}, []string{"/farm"}},
		{"trailing slash", []string{"farm/"}, []string{"farm/"}},
		{"empty level", []string{"farm//kv"}, []string{"farm//kv"}},
		{"two topics", []string{"farm", "other"}, []string{"farm", "other"}},
	}
	users := []User{}
	for i, tc := range tests {
		users = append(users, User{Name: fmt.Sprint("user", i), PasswordHash: hash(t, "pw"), Publish: tc.publish})
	}
	b := startBroker(t, Options{Users: users})
	daemon := mustDial(t, b.Addr(), b.Login().User, b.Login().Password)
	got := collect(t, daemon, "#", 1)
	for i, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			c := mustDial(t, b.Addr(), users[i].Name, "pw")
			for _, topic := range topics {
				if err := wait(c.Publish(topic, 1, false, tc.name)); err != nil {
					t.Fatal(err)
				}
			}
			if err := wait(daemon.Publish("end", 1, false, "end")); err != nil {
				t.Fatal(err)
			}
			var seen []string
			for s := next(t, got); s != "end end"; s = next(t, got) {
				seen = append(seen, strings.TrimSuffix(s, " "+tc.name))
			}
			if diff := cmp.Diff(tc.want, seen); diff != "" {
				t.Errorf("topics let through (-want +got):\n%s", diff)
			}
		})
	}
}

func TestLogins(t *testing.T) {
	b := startBroker(t, Options{Users: []User{
		{Name: "brook", PasswordHash: hash(t, "right"), Publish: []string{"farm/brook"}},
		{Name: "lamp", PasswordHash: hash(t, "lamp"), Subscribe: []string{"farm/state"}},
	}})
	tests := []struct {
		name, user, password string
		ok                   bool
	}{
		{"right", "brook", "right", true},
		{"wrong password", "brook", "wrong", false},
		{"the hash as password", "brook", b.opts.Users[0].PasswordHash, false},
		{"no password", "brook", "", false},
		{"unknown", "hazel", "right", false},
		{"anonymous", "", "", false},
		{"named anonymous", anonymousUser, "", false},
		{"daemon", b.Login().User, b.Login().Password, true},
		{"daemon with the wrong password", b.Login().User, "", false},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			if _, err := dial(t, b.Addr(), tc.user, tc.password); (err == nil) != tc.ok {
				t.Errorf("connecting gave %v, want success %v", err, tc.ok)
			}
		})
	}
	t.Run("subscribe", func(t *testing.T) {
		for _, tc := range []struct {
			user, password, filter string
			want                   byte
		}{
			{"brook", "right", "farm/brook", 0x80},
			{"brook", "right", "#", 0x80},
			{"brook", "right", "$MQTT/msgs/#", 0x80},
			{"lamp", "lamp", "farm/state", 1},
			{"lamp", "lamp", "farm/#", 0x80},
		} {
			c := mustDial(t, b.Addr(), tc.user, tc.password)
			tok := c.Subscribe(tc.filter, 1, func(paho.Client, paho.Message) {})
			_ = wait(tok) // a refusal is an error too; the code tells
			if got := tok.(*paho.SubscribeToken).Result()[tc.filter]; got != tc.want {
				t.Errorf("%s subscribing to %s got %#x, want %#x", tc.user, tc.filter, got, tc.want)
			}
			c.Disconnect(100)
		}
	})
}

func TestLargePayloadCutsOffOnlyItsSender(t *testing.T) {
	b := startBroker(t, Options{})
	daemon := mustDial(t, b.Addr(), b.Login().User, b.Login().Password)
	got := collect(t, daemon, "farm/#", 1)
	c := mustDial(t, b.Addr(), "", "")
	tok := c.Publish("farm/brook", 1, false, make([]byte, 10<<20))
	if err := wait(tok); err == nil && c.IsConnectionOpen() {
		t.Error("10 MB were accepted")
	}
	c2 := mustDial(t, b.Addr(), "", "")
	if err := wait(c2.Publish("farm/brook", 1, false, strings.Repeat("x", 60<<10))); err != nil {
		t.Fatal(err)
	}
	if s := next(t, got); len(s) != 60<<10+len("farm/brook ") {
		t.Errorf("got %d bytes", len(s))
	}
}

func TestRetainedAndWill(t *testing.T) {
	b := startBroker(t, Options{})
	var conn net.Conn
	mustDial(t, b.Addr(), "", "", func(o *paho.ClientOptions) {
		o.SetWill("farm/state", "gone", 1, true)
		o.SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) {
			var err error
			conn, err = net.Dial("tcp", u.Host)
			return conn, err
		})
	})
	w := mustDial(t, b.Addr(), b.Login().User, b.Login().Password)
	got := collect(t, w, "farm/state", 1)
	conn.Close()
	if s := next(t, got); s != "farm/state gone" {
		t.Errorf("got %q, want the last will", s)
	}
	if s := retained(t, w, "farm/state"); s != "farm/state gone" {
		t.Errorf("got %q, want the last will, retained", s)
	}
}

// retained subscribes until a retained message comes: the broker keeps one a moment after it has handed it on.
func retained(tb testing.TB, c paho.Client, topic string) string {
	tb.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); {
		select {
		case s := <-collect(tb, c, topic, 1):
			return s
		case <-time.After(100 * time.Millisecond):
		}
	}
	tb.Fatal("nothing retained came")
	return ""
}

func TestClientIDLastsAndPasswordDoesNot(t *testing.T) {
	dir := t.TempDir()
	var logins []Login
	for range 2 {
		t.Run("start", func(t *testing.T) { logins = append(logins, startBroker(t, Options{StoreDir: dir}).Login()) })
	}
	if logins[0].ClientID == "" || logins[0].ClientID != logins[1].ClientID {
		t.Errorf("client IDs %q and %q, want the same", logins[0].ClientID, logins[1].ClientID)
	}
	if logins[0].Password == logins[1].Password {
		t.Error("the same password twice")
	}
}

func TestLogIsNotFlooded(t *testing.T) {
	rec := &recorder{}
	b := startBroker(t, Options{Users: []User{{Name: "brook", PasswordHash: hash(t, "pw"), Publish: []string{"farm/brook"}}}, Log: slog.New(rec)})
	c := mustDial(t, b.Addr(), "brook", "pw")
	for range 200 {
		if err := wait(c.Publish("farm/hazel", 1, false, "1")); err != nil {
			t.Fatal(err)
		}
	}
	if n := rec.count("broker reports", slog.LevelWarn); n == 0 || n > 10 {
		t.Errorf("%d lines about 200 refused messages, want a few", n)
	}
}

// recorder is a log handler that keeps what it is given.
type recorder struct {
	mu      sync.Mutex
	records []slog.Record
}

func (r *recorder) Enabled(context.Context, slog.Level) bool { return true }
func (r *recorder) WithAttrs([]slog.Attr) slog.Handler       { return r }
func (r *recorder) WithGroup(string) slog.Handler            { return r }
func (r *recorder) Handle(_ context.Context, rec slog.Record) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.records = append(r.records, rec)
	return nil
}

func (r *recorder) count(msg string, level slog.Level) (n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, rec := range r.records {
		if rec.Message == msg && rec.Level == level {
			n++
		}
	}
	return n
}

// A burst on a farm's few topics reaches the daemon at once, though it holds what it has not stored yet: what the
// broker could not send in the first place would come an AckWait later, marked as sent before.
func TestBurstComesAtOnce(t *testing.T) {
	const topics, each = 6, 100
	b := startBroker(t, Options{AckWait: patience, Filters: topics})
	login := b.Login()
	var again atomic.Int64
	got := make(chan struct{}, topics*each)
	sub := mustDial(t, b.Addr(), login.User, login.Password, func(o *paho.ClientOptions) { o.SetClientID(login.ClientID).SetAutoAckDisabled(true) })
	for z := range topics {
		tok := sub.Subscribe(fmt.Sprintf("bank/zone%d", z), 1, func(_ paho.Client, m paho.Message) {
			if m.Duplicate() {
				again.Add(1)
			}
			got <- struct{}{}
		})
		if err := wait(tok); err != nil {
			t.Fatal(err)
		}
	}
	sensors := mustDial(t, b.Addr(), "", "")
	for range each {
		for z := range topics {
			if err := wait(sensors.Publish(fmt.Sprintf("bank/zone%d", z), 1, false, "7.1")); err != nil {
				t.Fatal(err)
			}
		}
	}
	for n := range topics * each {
		select {
		case <-got:
		case <-time.After(patience / 2):
			t.Fatalf("%d of %d came while none was acknowledged", n, topics*each)
		}
	}
	if n := again.Load(); n > 0 {
		t.Errorf("%d came marked as sent before", n)
	}
}

func TestInFlightLeavesRoomForMoreFilters(t *testing.T) {
	for filters, want := range map[int]uint16{0: 1024, 1: 1024, 15: 1024, 16: 1023, 40: 409, 64: 256, 255: 256} {
		if got := (&Options{Filters: filters}).inFlight(); got != want {
			t.Errorf("%d filters: %d in flight, want %d", filters, got, want)
		}
	}
}
