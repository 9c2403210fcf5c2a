package mqtt

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"slices"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

const (
	connectTimeout   = 10 * time.Second
	subscribeTimeout = 30 * time.Second // an embedded broker takes some 10 ms per topic
	keepAlive        = 30 * time.Second
	quiesce          = 250 // ms that Disconnect may take to get its packet out
)

// link keeps a connection to a broker up. Every connection has a paho client of its own, so that nothing of a dead one
// lingers, a wait ends when ctx does, and the subscriptions are made anew each time.
type link struct {
	config    Config
	password  string // instead of the file's
	dial      func(ctx context.Context) (net.Conn, error)
	clean     bool // no session
	qos       byte
	will      *Will
	log       *slog.Logger
	connected func(bool) // told of each change
	handle    func(conn uint32, m paho.Message)
	pause     pause

	again chan struct{} // asks for a new connection; holds one

	mu     sync.Mutex
	topics []string
	coming paho.Client // the client of this connection, from the first packet to the last
	client paho.Client // the same once it is subscribed, else nil
	conn   uint32      // counts connections
}

func newLink(c Config, password string, dial func(context.Context) (net.Conn, error), topics []string, log *slog.Logger) link {
	return link{
		config: c, password: password, dial: dial, topics: slices.Clone(topics), log: log,
		pause: pause{time.Second, 30 * time.Second}, again: make(chan struct{}, 1),
	}
}

// Will is what the broker publishes, retained, when the connection dies without a goodbye.
type Will struct {
	Topic   string
	Payload string
}

// pause is how long to wait before the next try: from min, doubling, to max.
type pause struct{ min, max time.Duration }

// run keeps the connection up until ctx is done.
func (l *link) run(ctx context.Context) {
	wait := l.pause.min
	said := ""
	for ctx.Err() == nil {
		up, err := l.once(ctx)
		if up {
			wait, said = l.pause.min, ""
		}
		if ctx.Err() != nil {
			return
		}
		if err == nil { // a new connection was asked for
			continue
		}
		// A broker that stays away is said once, and again only when the reason is another.
		kind, err := explain(err, l.config)
		level := slog.LevelWarn
		if kind == said {
			level = slog.LevelDebug
		}
		said = kind
		l.log.Log(ctx, level, "no connection to the broker, trying again", "err", err)
		select {
		case <-ctx.Done():
		case <-time.After(wait/2 + rand.N(wait/2+1)):
		}
		wait = min(2*wait, l.pause.max)
	}
}

// once connects, subscribes, and stays until the connection is lost, a new one is asked for (err is nil) or ctx is
// done. up reports whether it got as far as being subscribed.
func (l *link) once(ctx context.Context) (up bool, err error) {
	lost := make(chan error, 1)
	subscribed := make(chan error, 1)
	o, connectedUp, err := l.options(ctx)
	if err != nil {
		return false, err
	}
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	o.SetOnConnectHandler(func(c paho.Client) { subscribed <- l.attach(ctx, c) })
	c := paho.NewClient(o)
	l.mu.Lock()
	l.coming = c
	l.mu.Unlock()
	tok := c.Connect()
	defer l.detach(c)
	if err := await(ctx, tok, connectTimeout+time.Second); err != nil {
		return false, err
	}
	connectedUp()
	select {
	case err = <-subscribed:
	case err = <-lost:
	case <-ctx.Done():
	}
	if err != nil || ctx.Err() != nil {
		return false, err
	}
	l.connected(true)
	defer l.connected(false)
	l.log.Info("connected to the broker", "broker", l.config.where())
	select {
	case err = <-lost:
	case <-l.again:
	case <-ctx.Done():
	}
	return true, err
}

// options returns the options of one connection, and a function to call once it is up. Until then the end of ctx
// breaks the connection off; afterwards detach says goodbye.
func (l *link) options(ctx context.Context) (*paho.ClientOptions, func(), error) {
	password := l.password
	if password == "" {
		var err error
		if password, err = l.config.password(); err != nil {
			return nil, nil, err
		}
	}
	l.mu.Lock()
	l.conn++
	conn := l.conn
	l.mu.Unlock()

	up := func() {}
	o := paho.NewClientOptions()
	o.AddBroker("mqtt://broker") // only to have one: open does the dialling
	o.SetClientID(l.config.ClientID).SetUsername(l.config.User).SetPassword(password)
	o.SetProtocolVersion(4).SetCleanSession(l.clean).SetAutoReconnect(false).SetConnectRetry(false)
	o.SetConnectTimeout(connectTimeout).SetWriteTimeout(writeTimeout)
	o.SetKeepAlive(keepAlive).SetPingTimeout(connectTimeout)
	o.SetOrderMatters(true).SetAutoAckDisabled(true).SetStore(noStore{})
	if l.will != nil {
		o.SetWill(l.will.Topic, l.will.Payload, 1, true)
	}
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { l.handle(conn, m) })
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		c, err := l.open(ctx)
		if err != nil {
			return nil, err
		}
		stop := context.AfterFunc(ctx, func() { _ = c.Close() })
		up = func() { stop() }
		return c, nil
	})
	return o, func() { up() }, nil
}

func (l *link) open(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	dial := l.dial
	if dial == nil {
		dial = l.config.dial
	}
	c, err := dial(ctx)
	if err != nil {
		return nil, err
	}
	return newBufferedConn(c), nil
}

// attach makes c the client in use and subscribes to the topics.
func (l *link) attach(ctx context.Context, c paho.Client) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.coming != c {
		return nil // gone before it was our turn
	}
	if err := l.subscribe(ctx, c, l.topics); err != nil {
		return err
	}
	l.client = c
	return nil
}

func (l *link) detach(c paho.Client) {
	l.mu.Lock()
	l.coming, l.client = nil, nil
	l.mu.Unlock()
	c.Disconnect(quiesce)
}

// setTopics changes what is subscribed to, now if there is a connection, else with the next one.
func (l *link) setTopics(topics []string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	was := l.topics
	l.topics = slices.Clone(topics)
	if l.client == nil {
		return nil
	}
	missing := func(from []string) func(string) bool {
		return func(t string) bool { return !slices.Contains(from, t) }
	}
	if gone := keep(was, missing(topics)); len(gone) > 0 {
		if err := await(context.Background(), l.client.Unsubscribe(gone...), subscribeTimeout); err != nil {
			return fmt.Errorf("unsubscribe: %w", err)
		}
	}
	return l.subscribe(context.Background(), l.client, keep(topics, missing(was)))
}

func keep(ss []string, want func(string) bool) []string {
	return slices.DeleteFunc(slices.Clone(ss), func(s string) bool { return !want(s) })
}

// subscribe asks for the topics. One that the broker refuses does not keep the others from working.
func (l *link) subscribe(ctx context.Context, c paho.Client, topics []string) error {
	if len(topics) == 0 {
		return nil
	}
	filters := make(map[string]byte, len(topics))
	for _, t := range topics {
		filters[t] = l.qos
	}
	tok := c.SubscribeMultiple(filters, nil)
	if err := await(ctx, tok, subscribeTimeout); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	for topic, code := range tok.(*paho.SubscribeToken).Result() {
		if code == 0x80 { // MQTT 3.1.1, 3.9.3
			l.log.Error("broker refuses a topic", "topic", topic, "hint", "give this user the right to subscribe to it")
		}
	}
	return nil
}

// publish returns once the broker has the message.
func (l *link) publish(ctx context.Context, topic string, payload []byte, retained bool) error {
	l.mu.Lock()
	c := l.client
	l.mu.Unlock()
	if c == nil {
		return ErrNotConnected
	}
	if err := await(ctx, c.Publish(topic, 1, retained, payload), writeTimeout); err != nil {
		return fmt.Errorf("publish to %s: %w", topic, err)
	}
	return nil
}

// reconnect asks for a new connection.
func (l *link) reconnect() {
	select {
	case l.again <- struct{}{}:
	default:
	}
}

// await waits for a token, but not for ever.
func await(ctx context.Context, t paho.Token, limit time.Duration) error {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return errNoAnswer
	}
}

var errNoAnswer = errors.New("no answer from the broker")
