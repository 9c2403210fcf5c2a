// Package mqtt connects to a broker, takes readings in, and acknowledges each message only after its readings are
// durable.
//
// A message goes from the library's handler into a bounded queue and from there, in order, through one goroutine that
// decodes, gathers a batch, has it stored, and acknowledges it. Whatever was not acknowledged the broker sends again.
package mqtt

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/time/rate"

	"nightwire/ingest/pulse"
)

// readingSink is where accepted readings go. Append must be durable before it returns nil; the slice is the caller's
// again afterwards. An error means that nothing is sure to be stored and the same readings will come again.
type readingSink interface {
	Append(ctx context.Context, rs []pulse.Reading) error
}

// DecodeFunc makes readings of a message. It must not keep payload. An error rejects the message for good.
type DecodeFunc func(topic string, payload []byte, arrived time.Time, retained bool) ([]pulse.Reading, error)

// Options says what a Client is to do. Config (or Dial), Topics, Decode, Sink, Log and Metrics are required.
type Options struct {
	Config   Config
	Password string                                      // instead of Config.PasswordFile
	Dial     func(ctx context.Context) (net.Conn, error) // instead of Config.URL: how to reach the embedded broker
	Topics   []string                                    // topics or filters
	Decode   DecodeFunc
	Sink     readingSink
	Log      *slog.Logger
	Metrics  *Metrics
	Will     *Will

	// Now tells the time of arrival; nil for time.Now.
	Now func() time.Time

	// Before are the readings that may have been stored before this start and not acknowledged. They come again: those
	// without a time of their own are known by what they say. Optional.
	Before []pulse.Reading

	// Forgetful says that the broker does not mark what it sends again when it was killed too, as the embedded one.
	// What comes first is then held against Before whether marked or not.
	Forgetful bool

	// Rejected is told of each message that gave no readings. It must not block or keep payload, and may be called by
	// two goroutines at once. Optional.
	Rejected func(topic string, payload []byte, err error)

	// Stalled is told when readings cannot be stored or the store does not answer, and with nil when they are stored
	// again. Nothing is lost meanwhile, but nothing is seen either: a Live can watch. It must not block. Optional.
	Stalled func(err error)

	// Connected is told of each change. It must not block. Optional.
	Connected func(up bool)

	// PerSecond bounds how many messages are taken in a second, with bursts of as many; 0 for no limit. The broker keeps
	// what is above, as far as it was published at QoS 1.
	PerSecond int

	// QueueMessages bounds the queue; 0 means DefaultQueueMessages.
	QueueMessages int
}

const (
	// DefaultQueueMessages is more than any broker can have in flight, since packet identifiers have 16 bits. Less will
	// not do: acknowledged in batches, mosquitto 2.0.11 with max_inflight_messages 1000 was seen to have 3,547 in
	// flight after 30,000 messages, and the number grew with every batch.
	DefaultQueueMessages = 1 << 16

	// maxQueueBytes bounds the payloads in the queue.
	maxQueueBytes = 16 << 20

	// MaxPayloadBytes is the largest payload that is looked at.
	MaxPayloadBytes = 64 << 10
)

// Client feeds readings from a broker into a store. It works with a persistent session at QoS 1.
type Client struct {
	opts    Options
	log     *slog.Logger
	met     *Metrics
	link    link
	queue   chan *message
	ledger  *ledger
	before  before
	firstUp atomic.Int64 // when it first had a connection, Unix milliseconds
	stamps  stamps
	limit   *rate.Limiter // nil for none
	retry   pause         // between tries to store

	queueBytes atomic.Int64 // payloads in the queue
	overflowed atomic.Bool  // messages were dropped on this connection
	dropped    atomic.Uint64
	running    sync.Mutex
}

// message is one that came, on its way to the store.
type message struct {
	paho.Message
	arrived time.Time
	sum     uint64
	conn    uint32
}

// New checks the options and returns a client that is not connected yet.
func New(opts Options) (*Client, error) {
	if opts.Decode == nil || opts.Sink == nil || opts.Log == nil || opts.Metrics == nil {
		return nil, errors.New("mqtt client needs Decode, Sink, Log and Metrics")
	}
	if opts.Dial == nil {
		if err := opts.Config.Check(); err != nil {
			return nil, err
		}
	}
	if opts.Config.ClientID == "" {
		return nil, errors.New("mqtt client needs a client ID, since the broker keeps its session under it")
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.QueueMessages == 0 {
		opts.QueueMessages = DefaultQueueMessages
	}
	c := &Client{
		opts: opts, log: opts.Log, met: opts.Metrics,
		queue: make(chan *message, opts.QueueMessages), ledger: newLedger(), before: newBefore(opts.Before), stamps: newStamps(opts.Before),
		retry: pause{100 * time.Millisecond, 5 * time.Second},
	}
	if opts.PerSecond > 0 {
		c.limit = rate.NewLimiter(rate.Limit(opts.PerSecond), max(opts.PerSecond, maxBatch))
	}
	c.link = newLink(opts.Config, opts.Password, opts.Dial, opts.Topics, opts.Log)
	c.link.qos, c.link.will = 1, opts.Will
	c.link.handle, c.link.connected = c.handle, c.connected
	return c, nil
}

// Run takes readings in until ctx is done. What was gathered by then is still stored and acknowledged.
func (c *Client) Run(ctx context.Context) error {
	if !c.running.TryLock() {
		return errors.New("mqtt client runs already")
	}
	defer c.running.Unlock()
	linkCtx, hangUp := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() { c.link.run(linkCtx) })
	c.work(ctx)
	hangUp()
	wg.Wait()
	return nil
}

// Publish sends a message at QoS 1 and returns once the broker has it.
func (c *Client) Publish(ctx context.Context, topic string, payload []byte, retained bool) error {
	return c.link.publish(ctx, topic, payload, retained)
}

// SetTopics replaces the topics while the client runs.
func (c *Client) SetTopics(topics []string) error { return c.link.setTopics(topics) }

func (c *Client) connected(up bool) {
	v := 0.0
	if up {
		v = 1
		c.firstUp.CompareAndSwap(0, c.opts.Now().UnixMilli())
		c.met.connects.Inc()
	}
	c.met.connected.Set(v)
	if c.opts.Connected != nil {
		c.opts.Connected(up)
	}
}

// handle runs on the library's goroutine, one message at a time, and never waits: that would hold up the pings.
func (c *Client) handle(conn uint32, pm paho.Message) {
	c.met.received.Inc()
	m := &message{Message: pm, conn: conn, arrived: c.opts.Now()}
	switch c.ledger.arrive(m) {
	case done:
		c.met.repeated.Inc()
		m.Ack()
		return
	case queued:
		c.met.repeated.Inc()
		return
	}
	if len(m.Payload()) > MaxPayloadBytes {
		// A queue full of these would take all memory, so they do not wait their turn.
		c.reject(m, rejectTooLarge, errTooLarge)
		m.Ack()
		return
	}
	if c.queueBytes.Load() <= maxQueueBytes {
		select {
		case c.queue <- m:
			c.queueBytes.Add(int64(len(m.Payload())))
			return
		default:
		}
	}
	c.ledger.forget(m)
	c.met.dropped.Inc()
	c.dropped.Add(1)
	if !c.overflowed.Swap(true) {
		c.log.Warn("queue full, messages wait at the broker", "messages", len(c.queue), "bytes", c.queueBytes.Load())
	}
}

// Dropped returns how many messages have found the queue full, and were left with the broker for a while.
func (c *Client) Dropped() uint64 { return c.dropped.Load() }

// reject counts and reports a message that gave no readings.
func (c *Client) reject(m *message, reason string, err error) {
	c.met.rejected.WithLabelValues(reason).Inc()
	if reason == rejectPanic {
		c.log.Error("decoder panicked", "topic", m.Topic(), "err", err)
	}
	if c.opts.Rejected != nil {
		c.opts.Rejected(m.Topic(), m.Payload(), err)
	}
}
