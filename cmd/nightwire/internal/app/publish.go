package app

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"nightwire/sim"
	"nightwire/sim/scenario"
)

const (
	publishTimeout = 30 * time.Second
	quiesceMS      = 250
)

// publisher sends messages, as sensors do, with at most so many on their way.
type publisher struct {
	client paho.Client
	qos    byte
	slots  chan struct{}
	wg     sync.WaitGroup

	mu  sync.Mutex
	err error // the first
}

// newPublisher connects to a broker, given as mqtt://host:port.
func newPublisher(ctx context.Context, url string, qos byte, window int) (*publisher, error) {
	o := paho.NewClientOptions().AddBroker(url).SetClientID("nightwire-sim-" + rand.Text()[:8]).
		SetConnectTimeout(10 * time.Second).SetAutoReconnect(false).SetOrderMatters(true)
	p := &publisher{client: paho.NewClient(o), qos: qos, slots: make(chan struct{}, window)}
	tok := p.client.Connect()
	select {
	case <-tok.Done():
	case <-ctx.Done():
		p.client.Disconnect(0)
		return nil, ctx.Err()
	}
	if err := tok.Error(); err != nil {
		return nil, fmt.Errorf("connect to %s: %w\nhint: is a broker running there, and is the address right?", url, err)
	}
	return p, nil
}

// send sends one message and returns before it is through, unless too many are on their way. It returns the first
// error of earlier ones.
func (p *publisher) send(ctx context.Context, topic string, payload []byte) error {
	select {
	case p.slots <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	tok := p.client.Publish(topic, p.qos, false, payload)
	p.wg.Go(func() {
		defer func() { <-p.slots }()
		if !tok.WaitTimeout(publishTimeout) {
			p.fail(errors.New("the broker does not acknowledge"))
		} else if err := tok.Error(); err != nil {
			p.fail(err)
		}
	})
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

func (p *publisher) fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err == nil {
		p.err = fmt.Errorf("publish: %w", err)
	}
}

// close waits for what is on its way, and hangs up.
func (p *publisher) close() error {
	p.wg.Wait()
	p.client.Disconnect(quiesceMS)
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

// Play publishes a season to a broker, speed times as fast as it happened. It happens now: sensors that stamp their
// readings do so by the wall's clock, since old news wakes nobody.
func Play(ctx context.Context, s *scenario.Scenario, url string, speed float64) (err error) {
	p, err := newPublisher(ctx, url, 1, 100)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, p.close()) }()
	clock, o := newTide(s.Options.Start, speed), s.Options
	o.Shown = clock.wall
	season, err := sim.New(o)
	if err != nil {
		return err
	}
	return play(ctx, season, clock, func(m sim.Message) error { return p.send(ctx, m.Topic, m.Payload) })
}

// play lets a season's messages go when the clock comes to them, and the clock run when they have gone.
func play(ctx context.Context, season *sim.Sim, clock *tide, send func(sim.Message) error) error {
	for m := range season.Messages() {
		if err := clock.reach(ctx, m.At); err != nil {
			return err
		}
		if err := send(m); err != nil {
			return err
		}
	}
	return nil
}
