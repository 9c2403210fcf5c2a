// Package broker runs the embedded MQTT broker: its listener, the sensors' credentials, and sessions kept on disk, so
// that one farm needs no other server.
//
// What was acknowledged to a publisher is on the disk: each message is written and synced (fsync) before its PUBACK
// leaves, so neither a kill nor a power cut loses it. That costs about 11 kB written per QoS 1 message, acknowledgement
// by the subscriber included, and holds a publisher to roughly a thousand messages a second on an SSD: far above what
// one farm sends. A hub for many farms wants a broker of its own. Each topic subscribed to at QoS 1 costs some 90 kB of
// memory and 10 ms at the start; beyond fifty or so, a filter is better.
package broker

import (
	"context"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// Options says how the broker is to run. Listen, StoreDir and Log are required.
type Options struct {
	Listen   string // host:port; port 0 takes a free one
	StoreDir string // sessions, undelivered and retained messages; made when absent
	Log      *slog.Logger

	// Users may connect. With none, anyone may, but only when Listen is a loopback address.
	Users []User

	CertFile, KeyFile string // both or neither; read again when they change

	// AckWait is how long a subscriber may hold a message before it is sent again. Zero means DefaultAckWait.
	AckWait time.Duration

	// Filters is about how many a subscriber will ask for; it may come to four times as many. The fewer, the more messages
	// may be on their way to it at once.
	Filters int

	// Degraded is told when the disk takes no more writes, and with nil when it does again. Meanwhile messages still
	// reach QoS 0 subscribers that are connected; QoS 1 publishers get no PUBACK and keep what they have. Optional.
	Degraded func(err error)
}

const (
	// DefaultAckWait is long enough for a slow card to sync and short enough that a restart is caught up at once.
	DefaultAckWait = 5 * time.Second

	// MaxPayloadBytes is the largest message a client may publish; a client that sends a larger one is cut off.
	MaxPayloadBytes = 64 << 10

	// leastInFlight and mostInFlight bound how many unacknowledged messages a subscription may have, which is also what a
	// session may have in all: what comes beyond waits for AckWait and then looks as if it had been sent before.
	leastInFlight = 256
	mostInFlight  = 1024

	// sessionInFlight is what the server allows a session over all its subscriptions; a filter that ends in # counts twice.
	sessionInFlight = 1<<16 - 1

	// maxStoreBytes bounds the disk that messages for absent subscribers may take.
	maxStoreBytes = 256 << 20

	// forgetAfter is how long messages are kept for a durable subscriber that went away. Nightwire's own session lives
	// and dies with the broker, so this is for strangers who would otherwise fill the store.
	forgetAfter = 24 * time.Hour

	startTimeout = 10 * time.Second
	healEvery    = 5 * time.Second
)

// Broker is an MQTT 3.1.1 broker in this process.
type Broker struct {
	opts      Options
	log       *slog.Logger
	login     Login
	certs     *certificates // nil without TLS
	ready     chan struct{}
	noRoom    chan error // a write failed; holds one
	healEvery time.Duration

	mu   sync.Mutex
	gate *gate // nil before the first start
	addr *net.TCPAddr
	srv  *server.Server // nil while not running
}

// New checks the options and returns a broker that does not listen yet.
func New(opts Options) (*Broker, error) {
	if opts.Log == nil || opts.StoreDir == "" {
		return nil, errors.New("broker needs a store folder and a log")
	}
	host, _, err := net.SplitHostPort(opts.Listen)
	if err != nil {
		return nil, fmt.Errorf("broker address %q: %w\nhint: write it as host:port, for example 127.0.0.1:1883", opts.Listen, err)
	}
	if len(opts.Users) == 0 && !loopback(host) {
		return nil, fmt.Errorf("broker address %s can be reached from other machines, but no sensor has a password\n"+
			"hint: add the sensors with `nightwire sensor add`, or listen on 127.0.0.1", opts.Listen)
	}
	if err := checkUsers(opts.Users); err != nil {
		return nil, err
	}
	if opts.AckWait == 0 {
		opts.AckWait = DefaultAckWait
	}
	b := &Broker{
		opts: opts, log: opts.Log,
		ready: make(chan struct{}), noRoom: make(chan error, 1), healEvery: healEvery,
	}
	if opts.CertFile != "" || opts.KeyFile != "" {
		if b.certs, err = newCertificates(opts.CertFile, opts.KeyFile, opts.Log); err != nil {
			return nil, err
		}
	}
	if b.login, err = newLogin(); err != nil {
		return nil, err
	}
	return b, nil
}

// Run listens until ctx is done. It returns early only when the broker cannot start.
func (b *Broker) Run(ctx context.Context) error {
	room, err := b.prepareStore()
	if err != nil {
		return err
	}
	if err := b.start(); err != nil {
		return err
	}
	defer b.stop()
	close(b.ready)
	b.log.Info("broker listening", "addr", b.Addr().String(), "tls", b.certs != nil)
	if room != nil {
		b.heal(ctx, room)
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-b.noRoom:
			b.heal(ctx, err)
		}
	}
}

// Ready is closed once clients can connect.
func (b *Broker) Ready() <-chan struct{} { return b.ready }

// Addr returns where the broker listens, or nil before it is ready.
func (b *Broker) Addr() net.Addr {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.addr == nil {
		return nil
	}
	return b.addr
}

// Login returns the daemon's own way in, with full rights. The password is new with every broker. The client ID lasts,
// since the session hangs on it, and is a secret too: whoever connects under it takes the session over. It is empty
// before the broker is ready.
func (b *Broker) Login() Login {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.login
}

// Dial connects to the broker from the same process, with TLS where it has TLS. It accepts exactly the broker's own
// certificate, whatever names that is made out to.
func (b *Broker) Dial(ctx context.Context) (net.Conn, error) {
	addr, ok := b.Addr().(*net.TCPAddr)
	if !ok {
		return nil, errors.New("broker is not listening")
	}
	target := *addr
	if target.IP.IsUnspecified() {
		target.IP = net.IPv4(127, 0, 0, 1)
	}
	d := &net.Dialer{}
	if b.certs == nil {
		return d.DialContext(ctx, "tcp", target.String())
	}
	td := &tls.Dialer{NetDialer: d, Config: &tls.Config{
		InsecureSkipVerify: true, // names do not matter here: the certificate itself is compared
		VerifyConnection: func(cs tls.ConnectionState) error {
			own := b.certs.leaf()
			if len(cs.PeerCertificates) == 0 || subtle.ConstantTimeCompare(cs.PeerCertificates[0].Raw, own) != 1 {
				return errors.New("another program answers on the broker's address")
			}
			return nil
		},
	}}
	return td.DialContext(ctx, "tcp", target.String())
}

// start brings the server up and learns its address.
func (b *Broker) start() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	opts := b.serverOptions()
	srv, err := server.NewServer(opts)
	if err != nil {
		return fmt.Errorf("start broker: %w", err)
	}
	b.gate.server.Store(srv)
	fatal := &firstError{}
	srv.SetLoggerV2(newServerLog(b.log, fatal, b.noRoom), false, false, false)
	srv.Start()
	if err := fatal.get(); err != nil {
		srv.Shutdown()
		return startError(err, b.opts)
	}
	if !srv.ReadyForConnections(startTimeout) {
		srv.Shutdown()
		return fmt.Errorf("start broker: not ready after %s", startTimeout)
	}
	b.srv = srv
	// The server wrote the port that it got into the options it was given.
	b.addr = &net.TCPAddr{IP: net.ParseIP(opts.MQTT.Host), Port: opts.MQTT.Port}
	return nil
}

func (b *Broker) stop() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.srv == nil {
		return
	}
	b.srv.Shutdown()
	b.srv.WaitForShutdown()
	b.srv = nil
}

// serverOptions builds the server's options; b.mu is held.
func (b *Broker) serverOptions() *server.Options {
	host, port := b.listenAt()
	o := &server.Options{
		ServerName: "nightwire",
		DontListen: true, // MQTT only: no port for the server's own protocol, none for monitoring
		NoSigs:     true,

		CustomClientAuthentication: b.gate,

		JetStream:          true,
		StoreDir:           b.opts.StoreDir,
		JetStreamMaxMemory: 4 << 20,
		JetStreamMaxStore:  maxStoreBytes,
		SyncAlways:         true,
		MaxPayload:         MaxPayloadBytes,

		DisableJetStreamBanner: true,
		MQTT: server.MQTTOpts{
			Host: host, Port: port,
			AuthTimeout: startTimeout.Seconds(), // a board that starts with all its sensors is slow to check passwords
			AckWait:     b.opts.AckWait, MaxAckPending: b.opts.inFlight(),
			ConsumerInactiveThreshold: forgetAfter,
		},
	}
	if b.certs != nil {
		o.MQTT.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: b.certs.get}
		o.MQTT.TLSTimeout = startTimeout.Seconds() // small boards take seconds over a handshake
	}
	return o
}

// inFlight returns how many unacknowledged messages a subscription may have, with room for four times the filters.
func (o *Options) inFlight() uint16 {
	return uint16(min(max(sessionInFlight/(4*max(o.Filters, 1)), leastInFlight), mostInFlight))
}

// listenAt returns the host as an IP address, and the port: -1 for a free one, or the one in use from the first start.
func (b *Broker) listenAt() (host string, port int) {
	host, p, _ := net.SplitHostPort(b.opts.Listen) // checked in New
	switch host {
	case "":
		host = "0.0.0.0"
	case "localhost":
		host = "127.0.0.1"
	}
	if b.addr != nil {
		return host, b.addr.Port
	}
	port, _ = strconv.Atoi(p)
	if port == 0 {
		port = -1
	}
	return host, port
}

func loopback(host string) bool {
	return host == "localhost" || net.ParseIP(host).IsLoopback()
}

// keepClientID returns the client ID of the daemon's session, made once and kept beside the session.
func keepClientID(dir string) (string, error) {
	path := filepath.Join(dir, "client-id")
	if id, err := os.ReadFile(path); err == nil && len(id) > 0 {
		return string(id), nil
	}
	id := "nightwire-" + NewPassword()
	if err := os.WriteFile(path, []byte(id), 0o600); err != nil {
		return "", err
	}
	return id, nil
}
