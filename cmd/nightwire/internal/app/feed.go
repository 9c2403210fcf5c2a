package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"nightwire/ingest/broker"
	"nightwire/ingest/farm"
	"nightwire/ingest/mqtt"
	"nightwire/ingest/pulse"
)

// feed is where readings come from.
type feed struct {
	broker    *broker.Broker // nil with another's
	client    *mqtt.Client   // nil while nothing can be stored
	config    mqtt.Config
	listening atomic.Pointer[mqtt.Client] // client, for the watch, which runs before there is one
	secret    string                      // the password
	dial      func(context.Context) (net.Conn, error)
	young     atomic.Pointer[time.Time] // when it first reached the broker

	mu      sync.Mutex
	blindOf map[string]bool // why readings cannot be stored
	changed chan struct{}   // holds one
	heard   chan struct{}   // holds one: listening has begun
}

// openFeed starts the built-in broker, where there is to be one, and begins to listen.
func (n *night) openFeed(ctx context.Context, s *stack) error {
	f := &n.feed
	f.changed, f.heard, f.blindOf = make(chan struct{}, 1), make(chan struct{}, 1), map[string]bool{}
	b := n.cfg.Broker
	f.config = mqtt.Config{URL: b.URL, User: b.User, CAFile: n.beside(b.CAFile), ClientID: b.ClientID}
	f.secret = b.Password.Reveal()
	if b.Embedded() {
		if err := n.openBroker(ctx, s); err != nil {
			return err
		}
	}
	s.start(ctx, "watching without storing", n.watchBlind)
	if n.store == nil {
		n.sightless(troubleStore, n.dataErr)
		return nil
	}
	before, killed, err := n.unacknowledged(ctx)
	if err != nil {
		n.log.Warn("newest readings not read, some may be stored twice", "err", err)
	}
	f.client, err = mqtt.New(mqtt.Options{
		Config: f.config, Password: f.secret, Dial: f.dial, Topics: n.topics(), Decode: n.decode, Sink: n, PerSecond: n.opts.MessagesPerSecond,
		Before: before, Forgetful: killed && b.Embedded(),
		Log: n.component("mqtt"), Metrics: mqtt.NewMetrics(n.reg), Now: n.opts.Arrived, Rejected: n.rejected,
		Stalled: func(err error) { n.sightless(troubleStore, err) }, Connected: n.connected, Will: n.board.will(),
	})
	if err != nil {
		return err
	}
	f.listening.Store(f.client)
	n.connected(false)
	s.push(n.endInPeace)
	s.start(ctx, "mqtt", f.client.Run)
	if b.Embedded() {
		n.awaitListening(ctx)
	}
	return n.openBoard(ctx, s)
}

// awaitListening waits until the built-in broker keeps messages for us: what a sensor sends before our very first
// subscription reaches nobody. An outside broker may be away for long, and is not waited for.
func (n *night) awaitListening(ctx context.Context) {
	timer := time.NewTimer(listenWait)
	defer timer.Stop()
	select {
	case <-n.feed.heard:
	case <-timer.C:
	case <-ctx.Done():
	}
}

// listenWait is far longer than a small board takes to connect to itself.
const listenWait = 10 * time.Second

// openBroker starts the built-in broker and waits until sensors can connect.
func (n *night) openBroker(ctx context.Context, s *stack) error {
	dir := filepath.Join(n.opts.DataDir, brokerFolder)
	if n.store == nil {
		var err error
		if dir, err = os.MkdirTemp("", "nightwire-broker-*"); err != nil {
			return fmt.Errorf("keep the broker's sessions: %w", err)
		}
		s.push(func() error { return os.RemoveAll(dir) })
	}
	users, err := Credentials(n.opts.DataDir)
	if err != nil {
		return err
	}
	cfg := n.cfg.Broker
	b, err := broker.New(broker.Options{
		Listen: cfg.Listen, StoreDir: dir, Log: n.component("broker"), Users: brokerUsers(users),
		CertFile: n.beside(cfg.CertFile), KeyFile: n.beside(cfg.KeyFile), Filters: len(n.topics()),
		Degraded: func(err error) { n.sightless(troubleBroker, err) },
	})
	if err != nil {
		return err
	}
	ended := make(chan error, 1)
	s.start(ctx, "broker", func(ctx context.Context) error {
		err := b.Run(ctx)
		ended <- err
		return err
	})
	select {
	case <-b.Ready():
	case err := <-ended:
		<-s.failed // it is told here
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
	login := b.Login()
	n.feed.broker, n.feed.dial, n.feed.secret = b, b.Dial, login.Password
	n.feed.config = mqtt.Config{User: login.User, ClientID: login.ClientID}
	return nil
}

// beside returns a file that the farm file names, relative to it.
func (n *night) beside(path string) string { return besideFile(n.cfg.Path, path) }

func besideFile(farmFile, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(farmFile), path)
}

// topics returns the sensors' topics, in order.
func (n *night) topics() []string { return slices.Sorted(maps.Keys(n.sensors)) }

var errNoSensor = errors.New("no sensor of the farm file speaks on this topic")

// decode reads a message. It is called by one goroutine at a time for each connection.
func (n *night) decode(topic string, payload []byte, arrived time.Time, retained bool) ([]pulse.Reading, error) {
	rs, ok, err := n.sensors.read([]byte(topic), payload, arrived, retained)
	if !ok {
		return nil, errNoSensor
	}
	return rs, err
}

// rejected keeps what is wrong with a sensor's messages for the log.
func (n *night) rejected(topic string, payload []byte, err error) {
	n.log.Warn("message rejected", "topic", topic, "bytes", len(payload), "err", err)
}

func (n *night) connected(up bool) {
	if up {
		n.pulses.unheard.Store(0)
		n.troubles.set(troubleBroker, nil)
		poke(n.feed.heard)
		n.feed.young.CompareAndSwap(nil, new(time.Now()))
		n.board.connected()
		return
	}
	if n.cfg.Broker.Embedded() {
		n.pulses.unheard.CompareAndSwap(0, time.Now().Unix())
	}
	n.troubles.set(troubleBroker, errors.New("not connected to the broker; no sensor can be heard"))
}

// sightless notes that readings cannot be stored for a reason, or, with nil, that they can as far as that goes.
func (n *night) sightless(reason string, err error) {
	n.troubles.set(reason, err)
	f := &n.feed
	f.mu.Lock()
	f.blindOf[reason] = err != nil
	f.mu.Unlock()
	poke(f.changed)
}

func (f *feed) isBlind() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, on := range f.blindOf {
		if on {
			return true
		}
	}
	return false
}

// watchBlind looks at readings, past the store, for as long as they cannot be stored.
func (n *night) watchBlind(ctx context.Context) error {
	stop := func() {}
	defer func() { stop() }()
	for on := false; ; {
		select {
		case <-ctx.Done():
			return nil
		case <-n.feed.changed:
		}
		if n.feed.isBlind() == on {
			continue
		}
		if on = !on; !on {
			stop()
			n.setBlind(false)
			n.log.Info("readings can be stored again")
			continue
		}
		n.log.Warn("watching without storing until readings can be stored again")
		n.setBlind(true)
		stop = n.glimpse(ctx)
	}
}

func (n *night) setBlind(on bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if on {
		n.blind.begin()
	} else {
		n.blind.end()
	}
}

// glimpse starts to look at messages as they pass, and returns how to end it.
func (n *night) glimpse(ctx context.Context) (stop func()) {
	live, err := mqtt.NewLive(mqtt.LiveOptions{
		Config: n.feed.config, Password: n.feed.secret, Dial: n.feed.dial, Decode: n.decode,
		Topics:  slices.DeleteFunc(n.topics(), func(t string) bool { return t == n.cfg.Farm.Weather.Topic }), // it wakes nobody
		Observe: n.glance, Log: n.component("live"), Now: n.opts.Arrived,
	})
	if err != nil {
		n.log.Error("cannot watch without storing", "err", err)
		return func() {}
	}
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := live.Run(ctx); err != nil {
			n.log.Error("watching without storing ended", "err", err)
		}
	})
	return func() {
		cancel()
		wg.Wait()
	}
}

// Credential is a sensor's way into the built-in broker.
type Credential struct {
	Name   string   `json:"name"`
	Hash   string   `json:"password_hash"` // bcrypt
	Topics []string `json:"topics"`        // that it may publish to
}

const credentialsFile = "sensors.json"

// Credentials returns the sensors that have a way into the built-in broker.
func Credentials(dir string) ([]Credential, error) {
	path := filepath.Join(dir, credentialsFile)
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var out []Credential
	if err == nil {
		err = json.Unmarshal(data, &out)
	}
	if err != nil {
		return nil, fmt.Errorf("read the sensors' passwords in %s: %w\nhint: put back a backup of the file, or delete it and add the sensors again", path, err)
	}
	return out, nil
}

// AddSensor gives the sensor of a zone or energizer a new password, and returns it. It replaces an old one.
func AddSensor(f *farm.Farm, dir, name string) (password string, topic string, err error) {
	if z := f.Zone(name); z != nil {
		topic = z.Sensor.Topic
	} else if e := f.Energizer(name); e != nil {
		topic = e.Sensor.Topic
	} else if name == string(farm.WeatherSource) {
		topic = f.Weather.Topic
	}
	if topic == "" {
		return "", "", fmt.Errorf("the farm file has no sensor called %q\nhint: give the name of a zone or energizer that has a sensor, or weather", name)
	}
	if err := makeDataDir(dir); err != nil {
		return "", "", err
	}
	all, err := Credentials(dir)
	if err != nil {
		return "", "", err
	}
	password = broker.NewPassword()
	hash, err := broker.HashPassword(password)
	if err != nil {
		return "", "", err
	}
	all = slices.DeleteFunc(all, func(c Credential) bool { return c.Name == name })
	all = append(all, Credential{Name: name, Hash: hash, Topics: []string{topic}})
	data, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return "", "", err
	}
	if err := writeWhole(filepath.Join(dir, credentialsFile), append(data, '\n')); err != nil {
		return "", "", fmt.Errorf("keep the sensor's password: %w", err)
	}
	return password, topic, nil
}

func brokerUsers(cs []Credential) []broker.User {
	var out []broker.User
	for _, c := range cs {
		out = append(out, broker.User{Name: c.Name, PasswordHash: c.Hash, Publish: c.Topics})
	}
	return out
}
