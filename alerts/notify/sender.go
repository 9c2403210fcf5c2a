package notify

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/alerts"
)

// Channel carries messages to people. Send returns nil once the other side has taken the message; else whether to try
// again. It must return soon after ctx ends, and may be called from several goroutines.
type Channel interface {
	Send(ctx context.Context, m alerts.Message) (retry bool, err error)
}

// Outbox holds the messages that wait. Pending returns them oldest first. What Settle is told must hold for Pending at
// once, also when it returns an error because it could not be written down.
type Outbox interface {
	Pending() []alerts.Message
	Settle(ctx context.Context, ds ...alerts.Delivery) error
}

// SenderOptions are the parts of a Sender. Outbox and Channels are required.
type SenderOptions struct {
	Outbox   Outbox
	Channels map[string]Channel // by the name that routes use

	Signer   *Signer       // makes the links to acknowledge; without it, or without PageURL, messages have none
	PageURL  string        // the page's address as phones reach it
	LinkLife time.Duration // default two days

	Timeout      time.Duration // of one attempt; default 30 s
	AtOnce       int           // attempts at once on one channel; default 4
	TroubleAfter time.Duration // a channel that fails for this long is reported; default 15 minutes
	// Trouble is told when a channel has failed since then, once for each time it breaks; at once when it refuses a
	// message for good; and with a nil error when it works again after being reported. It must not block.
	Trouble func(channel string, since time.Time, err error)

	Metrics *Metrics
	Log     *slog.Logger
	Now     func() time.Time
	Chance  func() float64 // 0 to 1, for the back-off
}

// Sender carries messages out of the outbox. A channel that hangs holds up nobody but the person's own route on it.
type Sender struct {
	opts    SenderOptions
	wake    chan struct{}
	results chan result
	flying  map[lane]bool
	onWire  map[string]int // attempts in flight by channel
	turned  atomic.Int64   // when Run last went round, Unix seconds of the wall's clock

	mu    sync.Mutex
	state map[string]*channelState
}

type channelState struct {
	since    time.Time // when it began to fail; zero while it works
	err      error
	reported bool // that it fails
	refused  bool // a message, and that was reported
}

// result is how one attempt ended.
type result struct {
	m     alerts.Message
	retry bool
	err   error
	took  time.Duration
}

// NewSender checks the options and makes a Sender. It starts nothing.
func NewSender(o SenderOptions) (*Sender, error) {
	if o.Outbox == nil || o.Channels == nil {
		return nil, errors.New("notify: Outbox and Channels are required")
	}
	o.LinkLife = cmp.Or(o.LinkLife, 48*time.Hour)
	o.Timeout = cmp.Or(o.Timeout, 30*time.Second)
	o.AtOnce = cmp.Or(o.AtOnce, 4)
	o.TroubleAfter = cmp.Or(o.TroubleAfter, 15*time.Minute)
	if o.Trouble == nil {
		o.Trouble = func(string, time.Time, error) {}
	}
	if o.Metrics == nil {
		o.Metrics = NewMetrics(prometheus.NewRegistry())
	}
	if o.Log == nil {
		o.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Chance == nil {
		o.Chance = rand.Float64
	}
	s := &Sender{opts: o, wake: make(chan struct{}, 1), results: make(chan result), flying: map[lane]bool{}, onWire: map[string]int{},
		state: map[string]*channelState{}}
	s.turned.Store(time.Now().Unix())
	for name := range o.Channels {
		o.Metrics.preset(name)
		s.state[name] = &channelState{}
	}
	return s, nil
}

// Wake says that there may be new messages. It never blocks.
func (s *Sender) Wake() {
	select {
	case s.wake <- struct{}{}:
	default: // it is awake already
	}
}

// Quiet returns for how long Run has not gone round. It does so once a minute at least, whatever channels do.
func (s *Sender) Quiet() time.Duration { return time.Since(time.Unix(s.turned.Load(), 0)) }

// Failing returns since when each channel that does not work has been failing.
func (s *Sender) Failing() map[string]time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string]time.Time{}
	for name, st := range s.state {
		if !st.since.IsZero() {
			out[name] = st.since
		}
	}
	return out
}

// Run sends what is due until ctx ends. What is on the wire then may finish within a few seconds, so that it need not be
// sent twice.
func (s *Sender) Run(ctx context.Context) error {
	wire, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		s.turned.Store(time.Now().Unix())
		timer.Reset(s.start(wire))
		select {
		case <-ctx.Done():
			s.drain(wire, cut)
			return nil
		case r := <-s.results:
			s.finish(wire, r)
		case <-s.wake:
		case <-timer.C:
		}
	}
}

// drain waits for the attempts on the wire, and cuts them after a while.
func (s *Sender) drain(wire context.Context, cut func()) {
	const grace = 5 * time.Second
	timer := time.AfterFunc(grace, cut)
	defer timer.Stop()
	for len(s.flying) > 0 {
		r := <-s.results
		if r.err != nil && wire.Err() != nil {
			delete(s.flying, laneOf(&r.m)) // we cut it: it says nothing of the channel, and is tried at the next start
			continue
		}
		s.finish(context.WithoutCancel(wire), r)
	}
}

// start begins every attempt that is due and returns how long until the next is.
func (s *Sender) start(ctx context.Context) time.Duration {
	now := s.opts.Now()
	var free []alerts.Message
	waiting := map[string]int{}
	for _, m := range s.opts.Outbox.Pending() {
		waiting[m.Route.Channel]++
		if !s.flying[laneOf(&m)] {
			free = append(free, m)
		}
	}
	for name := range s.opts.Channels {
		s.opts.Metrics.pending.WithLabelValues(name).Set(float64(waiting[name]))
	}
	live, stale := supersede(free, now)
	for _, m := range free {
		if by, ok := stale[m.Key]; ok {
			s.settle(ctx, m, alerts.Delivery{Outcome: alerts.Superseded, Tries: m.Tries, Err: by})
		}
	}
	wait := s.soonestReport(now)
	for _, m := range live {
		switch l := laneOf(&m); {
		case m.NextTry.After(now) && m.NextTry.Sub(now) <= maxAsked+lastRetry: // else the clock was set back
			wait = min(wait, m.NextTry.Sub(now))
		case s.flying[l] || s.onWire[m.Route.Channel] >= s.opts.AtOnce:
			// a result will come, and bring us back here
		default:
			s.flying[l] = true
			s.onWire[m.Route.Channel]++
			go func() { s.results <- s.attempt(ctx, m) }()
		}
	}
	return wait
}

// soonestReport reports the channels that have failed for long, and returns how long until the next is to be.
func (s *Sender) soonestReport(now time.Time) time.Duration {
	wait := time.Minute // look again now and then, whatever happens
	for name, st := range s.state {
		if st.since.IsZero() || st.reported {
			continue
		}
		if left := s.opts.TroubleAfter - now.Sub(st.since); left > 0 {
			wait = min(wait, left)
			continue
		}
		st.reported = true
		s.opts.Trouble(name, st.since, st.err)
	}
	return wait
}

// attempt sends m once.
func (s *Sender) attempt(ctx context.Context, m alerts.Message) (r result) {
	began := s.opts.Now()
	defer func() {
		if v := recover(); v != nil {
			r.retry, r.err = true, fmt.Errorf("channel %s panicked: %v", m.Route.Channel, v)
		}
		r.m, r.took = m, s.opts.Now().Sub(began)
	}()
	ctx, cancel := context.WithTimeout(ctx, s.opts.Timeout)
	defer cancel()
	ch := s.opts.Channels[m.Route.Channel]
	if ch == nil {
		r.retry, r.err = true, fmt.Errorf("channel %q is not set up\nhint: add it to the farm file, or take it from %s", m.Route.Channel, m.Person)
		return r
	}
	m.Link = s.link(&m)
	r.retry, r.err = ch.Send(ctx, m)
	return r
}

// maxLinked keeps a link short enough for every mail program and push header; a message about more alarms points to the page.
const maxLinked = 20

// link returns the address at which the message's alarms are acknowledged, or of the page.
func (s *Sender) link(m *alerts.Message) string {
	if !m.Answers || s.opts.Signer == nil || s.opts.PageURL == "" {
		return ""
	}
	page := strings.TrimRight(s.opts.PageURL, "/")
	if len(m.Alarms) > maxLinked {
		return page + "/"
	}
	var ids []string
	for _, e := range m.Alarms {
		ids = append(ids, e.ID)
	}
	return page + "/a/" + s.opts.Signer.Token(ids, m.Person, s.opts.Now().Add(s.opts.LinkLife))
}

// finish notes how an attempt ended.
func (s *Sender) finish(ctx context.Context, r result) {
	name := r.m.Route.Channel
	delete(s.flying, laneOf(&r.m))
	s.onWire[name]--
	now := s.opts.Now()
	s.judge(name, now, r)
	d := alerts.Delivery{Outcome: alerts.Taken, Tries: r.m.Tries + 1}
	if r.err != nil {
		d.Err = r.err.Error()
		d.Outcome = alerts.Refused
		if r.retry {
			d.Outcome, d.NextTry = alerts.Pending, now.Add(s.wait(d.Tries, r.err))
		}
		s.opts.Log.Warn("message not taken", "channel", name, "person", r.m.Person, "message", r.m.Key, "again", r.retry, "err", r.err)
	}
	if s.opts.Channels[name] != nil {
		s.opts.Metrics.seconds.WithLabelValues(name).Observe(r.took.Seconds())
		if r.err == nil {
			s.opts.Metrics.delay.WithLabelValues(name).Observe(now.Sub(r.m.Created).Seconds())
		}
	}
	s.settle(ctx, r.m, d)
}

// wait returns how long until the next try: our own back-off, or longer where the other side asked for it.
func (s *Sender) wait(tries int, err error) time.Duration {
	d := backoff(tries, s.opts.Chance())
	var asked *alerts.RetryAfterError
	if errors.As(err, &asked) {
		d = max(d, min(asked.After, maxAsked))
	}
	return d
}

// judge keeps the record of a channel. A message refused for good says nothing of the channel's health: it answered.
func (s *Sender) judge(name string, now time.Time, r result) {
	failing := r.err != nil && r.retry
	was := s.note(name, now, r.err, failing)
	switch {
	case r.err != nil && !r.retry:
		s.opts.Trouble(name, now, r.err)
	case !failing && (was.reported || was.refused):
		s.opts.Trouble(name, was.since, nil)
	}
	if s.opts.Channels[name] != nil {
		s.opts.Metrics.failing.WithLabelValues(name).Set(map[bool]float64{true: 1}[failing])
	}
}

// note enters an attempt into a channel's record and returns what that was before.
func (s *Sender) note(name string, now time.Time, err error, failing bool) channelState {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.state[name]
	if st == nil {
		st = &channelState{}
		s.state[name] = st
	}
	was := *st
	if !failing {
		*st = channelState{refused: err != nil}
		return was
	}
	st.err = err
	if st.since.IsZero() {
		st.since = now
	}
	return was
}

func (s *Sender) settle(ctx context.Context, m alerts.Message, d alerts.Delivery) {
	d.Key, d.At = m.Key, s.opts.Now().UTC()
	if s.opts.Channels[m.Route.Channel] != nil {
		s.opts.Metrics.messages.WithLabelValues(m.Route.Channel, string(d.Outcome)).Inc()
	}
	if err := s.opts.Outbox.Settle(ctx, d); err != nil {
		s.opts.Log.Error("delivery not written down", "message", m.Key, "err", err)
	}
}

// Tried is how one test message went.
type Tried struct {
	Message alerts.Message
	Err     error // nil when the channel took it
	Took    time.Duration
}

// SendNow sends each message once, all at the same time, by its real channel, past the outbox, and returns how each went,
// in order.
func (s *Sender) SendNow(ctx context.Context, ms []alerts.Message) []Tried {
	out := make([]Tried, len(ms))
	var wg sync.WaitGroup
	for i, m := range ms {
		wg.Go(func() {
			r := s.attempt(ctx, m)
			out[i] = Tried{Message: m, Err: r.err, Took: r.took}
		})
	}
	wg.Wait()
	return out
}
