package mqtt

import (
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"net"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"nightwire/ingest/pulse"
)

// LiveOptions says what a Live is to do. All but Password, Now and Connected are required, of Config and Dial either.
type LiveOptions struct {
	Config   Config // its ClientID is not used
	Password string
	Dial     func(ctx context.Context) (net.Conn, error)
	Topics   []string
	Decode   DecodeFunc
	Observe  func(rs []pulse.Reading) // called by one goroutine
	Log      *slog.Logger
	Now      func() time.Time

	// Connected is told when it hears, and when it no longer does. It must not block.
	Connected func(up bool)
}

// Live watches without storing: it takes messages at QoS 0 and without a session, for the time while the store takes
// nothing in. It counts nothing and acknowledges nothing, so all of what it sees comes to the Client later.
type Live struct {
	opts  LiveOptions
	link  link
	queue chan *message
}

// NewLive checks the options and returns a Live that is not connected yet.
func NewLive(opts LiveOptions) (*Live, error) {
	if opts.Decode == nil || opts.Observe == nil || opts.Log == nil {
		return nil, errors.New("mqtt live needs Decode, Observe and Log")
	}
	if opts.Dial == nil {
		if err := opts.Config.Check(); err != nil {
			return nil, err
		}
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Connected == nil {
		opts.Connected = func(bool) {}
	}
	l := &Live{opts: opts, queue: make(chan *message, maxBatch)}
	opts.Config.ClientID = "nightwire-live-" + rand.Text()
	l.link = newLink(opts.Config, opts.Password, opts.Dial, opts.Topics, opts.Log)
	l.link.clean = true
	l.link.handle, l.link.connected = l.handle, opts.Connected
	return l, nil
}

// Run watches until ctx is done.
func (l *Live) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() { l.link.run(ctx) })
	for {
		select {
		case <-ctx.Done():
			return nil
		case m := <-l.queue:
			// What is wrong with a payload is reported when the Client gets it.
			if rs, _, err := decode(l.opts.Decode, m, m.arrived); err == nil && len(rs) > 0 {
				l.opts.Observe(rs)
			}
		}
	}
}

func (l *Live) handle(conn uint32, m paho.Message) {
	if len(m.Payload()) > MaxPayloadBytes {
		return
	}
	select {
	case l.queue <- &message{Message: m, conn: conn, arrived: l.opts.Now()}:
	default: // watching need not see every reading of a flood
	}
}
