package mqtt

import (
	"context"
	"errors"
	"fmt"
	"time"

	"nightwire/ingest/pulse"
)

const (
	// A commit costs an SD card the same few pages for one reading as for a hundred, so readings that come together
	// are stored together: until none came for gatherQuiet, at most for gatherMax, at most maxBatch. The last is half
	// the in-flight window that we advise (1,000), so that the broker sends the next half while this one is stored.
	gatherQuiet = 20 * time.Millisecond
	gatherMax   = 100 * time.Millisecond
	maxBatch    = 500

	// stallAfter is when a store that does not answer is reported, so that somebody can watch without it. A worn card
	// may take a second or two now and then.
	stallAfter = 5 * time.Second
	// appendTimeout is when a store that does not answer counts as failed.
	appendTimeout = 30 * time.Second
	// lastTimeout is how long the last batch may take when the client ends.
	lastTimeout = 5 * time.Second
)

// batch is what is stored and acknowledged together. Its slices are used again.
type batch struct {
	messages []*message
	readings []pulse.Reading
}

func (b *batch) reset() {
	clear(b.messages) // let go of the payloads
	b.messages, b.readings = b.messages[:0], b.readings[:0]
}

// work stores what comes off the queue until ctx is done.
func (c *Client) work(ctx context.Context) {
	b := &batch{}
	timer := time.NewTimer(gatherMax)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case m := <-c.queue:
			c.take(b, m)
		}
		c.gather(ctx, b, timer)
		if !c.store(ctx, b.readings) {
			return
		}
		c.acknowledge(b)
		if c.limit != nil && c.limit.WaitN(ctx, len(b.messages)) != nil {
			return
		}
		b.reset()
		if len(c.queue) == 0 && c.overflowed.Swap(false) {
			// What was dropped comes again only with a new connection. MQTT 3.1.1, 4.4.
			c.log.Info("queue empty again, fetching the messages that wait at the broker")
			c.link.reconnect()
		}
	}
}

// gather adds to a batch until it is worth a commit.
func (c *Client) gather(ctx context.Context, b *batch, timer *time.Timer) {
	end := time.Now().Add(gatherMax)
	for len(b.messages) < maxBatch {
		select {
		case m := <-c.queue:
			c.take(b, m)
			continue
		default:
		}
		timer.Reset(min(gatherQuiet, time.Until(end)))
		select {
		case m := <-c.queue:
			c.take(b, m)
		case <-timer.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// take decodes a message into the batch. One that gives no readings is in the batch too, so that it is acknowledged in
// its turn and does not come back.
func (c *Client) take(b *batch, m *message) {
	b.messages = append(b.messages, m)
	c.queueBytes.Add(-int64(len(m.Payload())))
	if c.ledger.take(m) {
		c.met.repeated.Inc()
		return
	}
	stamp := c.stamps.offer(m.Topic(), m.arrived)
	rs, reason, err := decode(c.opts.Decode, m, stamp.given)
	if err != nil {
		c.reject(m, reason, err)
		return
	}
	c.stamps.keep(m.Topic(), stamp)
	if c.mayBeAgain(m) {
		n := len(rs)
		if rs = c.before.without(rs); len(rs) < n {
			c.met.repeated.Inc()
		}
	}
	b.readings = append(b.readings, rs...)
}

// The reasons for rejecting a message, as the metric's label has them.
const (
	rejectPayload  = "payload"
	rejectPanic    = "panic"
	rejectTooLarge = "too_large"
)

var errTooLarge = fmt.Errorf("payload is larger than %d bytes", MaxPayloadBytes)

// decode calls f and turns a panic into an error.
func decode(f DecodeFunc, m *message, arrived time.Time) (rs []pulse.Reading, reason string, err error) {
	defer func() {
		if p := recover(); p != nil {
			rs, reason, err = nil, rejectPanic, fmt.Errorf("decoder panicked: %v", p)
		}
	}()
	rs, err = f(m.Topic(), m.Payload(), arrived, m.Retained())
	return rs, rejectPayload, err
}

// store hands the readings to the sink until it takes them. It reports false when ctx ended before that.
func (c *Client) store(ctx context.Context, rs []pulse.Reading) bool {
	if len(rs) == 0 {
		return true
	}
	wait := c.retry.min
	for failed := false; ; failed = true {
		start := time.Now()
		slow, err := c.append(ctx, rs)
		failed = failed || slow
		if err == nil {
			c.met.appendSeconds.Observe(time.Since(start).Seconds())
			c.met.batchReadings.Observe(float64(len(rs)))
			if failed {
				c.log.Info("readings are stored again")
				c.stalled(nil)
			}
			return true
		}
		c.met.appendFailures.Inc()
		if !failed {
			c.log.Error("readings cannot be stored, trying again", "err", err)
			c.stalled(err)
		}
		select {
		case <-ctx.Done():
			return false
		case <-time.After(wait):
		}
		wait = min(2*wait, c.retry.max)
	}
}

// append gives a batch its time to be stored also when ctx ends meanwhile. It reports whether that took so long that
// somebody was told.
func (c *Client) append(ctx context.Context, rs []pulse.Reading) (slow bool, err error) {
	limit := appendTimeout
	if ctx.Err() != nil {
		limit = lastTimeout
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), limit)
	defer cancel()
	told := make(chan struct{})
	timer := time.AfterFunc(stallAfter, func() {
		defer close(told)
		c.log.Warn("the store does not answer", "for", stallAfter)
		c.stalled(errSlow)
	})
	err = c.opts.Sink.Append(ctx, rs)
	if slow = !timer.Stop(); slow {
		<-told
	}
	if errors.Is(err, context.DeadlineExceeded) {
		err = fmt.Errorf("the store did not answer within %s: %w", limit, err)
	}
	return slow, err
}

var errSlow = fmt.Errorf("the store has not answered for %s\nhint: see whether another program holds the data file, and whether the disk is well", stallAfter)

func (c *Client) stalled(err error) {
	if c.opts.Stalled != nil {
		c.opts.Stalled(err)
	}
}

// acknowledge tells the broker that it may forget the batch.
func (c *Client) acknowledge(b *batch) {
	c.ledger.store(b.messages)
	for _, m := range b.messages {
		m.Ack()
	}
	c.met.acked.Add(float64(len(b.messages)))
	c.met.queued.Set(float64(len(c.queue)))
}
