package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/alerts"
	"nightwire/alerts/drill"
	"nightwire/alerts/journal"
	"nightwire/alerts/letter"
	"nightwire/alerts/notify"
	"nightwire/alerts/self"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/web"
	"nightwire/ingest/farm"
	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

// night is one run of the watch, from start to stop, with one farm file.
type night struct {
	opts    Options
	cfg     *config.Config
	log     *slog.Logger
	now     func() time.Time
	sensors sensors
	echoes  *echoes // of the goroutine that stores
	reg     *prometheus.Registry
	met     *metrics

	store    *store.DB // nil while the data folder cannot be written
	retained time.Time // the day on which what is old was last let go; of the goroutine of upkeep
	dataErr  error     // why
	journal  *journal.Journal
	sender   *notify.Sender
	signer   *notify.Signer
	channels []string // by which people are told, in order
	feed     feed
	board    *board // nil without a state topic
	page     page

	archive archive
	tail    *store.Tail   // what is to be copied to the mirror; nil without one
	grown   chan struct{} // holds one: readings were stored

	clock    setClock
	clockSet chan time.Duration // by how much; holds one

	batches chan batch // stored, on their way to the detectors
	ended   chan struct{}

	layouts farm.History                  // the newest is that of cfg
	relaid  chan struct{}                 // holds one: next is to be gone by
	next    atomic.Pointer[config.Config] // the farm file as it was read last

	mu     sync.Mutex // guards what follows
	engine *engine
	drill  *drill.Drill
	diary  *letter.Diary
	self   *self.Watch
	jumps  self.Jumps
	latest map[pulse.SensorID]pulse.Reading
	cursor store.Cursor
	blind  blind

	newestAt atomic.Int64 // time of the newest reading looked at, Unix milliseconds
	pulses   pulses
	began    time.Time
	troubles troubles
	news     news

	sparks    kept[web.Series] // the last day of each sensor
	batteries kept[runout]
	skies     kept[web.Weather]
}

// batch is readings that were stored together, and the store's cursor after them.
type batch struct {
	readings []pulse.Reading
	end      store.Cursor
}

const (
	// maxBatches bounds what is stored and not looked at yet. When it is full, acknowledging waits.
	maxBatches = 32
	// turn is how often the watch goes round when nothing comes.
	turn = 200 * time.Millisecond
	// settle is how far timers stay behind the clock, so that what arrived before them is looked at first although it
	// takes its way through the store. A replay, where nothing takes time, then gives the same.
	settle = time.Second
)

func newNight(opts Options, cfg *config.Config) *night {
	n := &night{
		opts: opts, cfg: cfg, log: opts.Log, now: opts.Now, reg: newRegistry(),
		grown: make(chan struct{}, 1), batches: make(chan batch, maxBatches), ended: make(chan struct{}), latest: map[pulse.SensorID]pulse.Reading{},
	}
	n.met = newMetrics(n.reg)
	n.board = newBoard(cfg)
	n.began = time.Now()
	n.relaid = make(chan struct{}, 1)
	n.clock, n.clockSet = newSetClock(opts.Now, opts.Steady), make(chan time.Duration, 1)
	mark(&n.pulses.turned)
	return n
}

// wall returns how far the watch's clock goes in d of the wall's.
func (n *night) wall(d time.Duration) time.Duration { return time.Duration(float64(d) * n.opts.Speed) }

// component returns the log for a part.
func (n *night) component(name string) *slog.Logger { return n.log.With("component", name) }

// Append stores readings and hands those that were new to the detectors. It is the sink of the MQTT client.
func (n *night) Append(ctx context.Context, rs []pulse.Reading) error {
	if n.store == nil {
		return n.dataErr
	}
	if n.looksAtClock() {
		return errClockSet // they come again, with their right times
	}
	mark(&n.pulses.storing)
	defer n.pulses.storing.Store(0)
	heard := n.echoes.drop(rs)
	fresh, err := n.store.Append(ctx, heard)
	if err != nil {
		return err
	}
	n.echoes.note(heard)
	n.met.stored.Add(float64(len(fresh)))
	n.met.repeated.Add(float64(len(rs) - len(fresh)))
	if len(fresh) == 0 {
		return nil
	}
	poke(n.grown)
	end, err := n.store.End(ctx)
	if err != nil {
		// They are stored; asked again they would be duplicates and never reach the detectors.
		n.log.Error("store's end not read", "err", err)
		end = -1
	}
	select {
	case n.batches <- batch{slices.Clone(fresh), end}:
	case <-n.ended: // the next start finds them in the store
	}
	return nil
}

// run is the watch: readings and time go through the engine, what comes out is recorded.
func (n *night) run(ctx context.Context) error {
	defer close(n.ended)
	tick := time.NewTicker(turn)
	defer tick.Stop()
	save := time.NewTicker(saveEvery)
	defer save.Stop()
	for {
		select {
		case <-ctx.Done():
			n.drain()
			n.save(context.WithoutCancel(ctx))
			return nil
		case b := <-n.batches:
			n.take(b)
		case <-tick.C:
			n.pass()
		case <-save.C:
			n.save(ctx)
		}
		mark(&n.pulses.turned)
	}
}

// drain takes in what was stored before the end.
func (n *night) drain() {
	for {
		select {
		case b := <-n.batches:
			n.take(b)
		default:
			return
		}
	}
}

// take looks at readings that were stored.
func (n *night) take(b batch) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, r := range b.readings {
		n.note(r)
		if !n.blind.saw(r) {
			n.record(n.engine.observe(r))
		}
	}
	if b.end >= 0 {
		n.cursor = b.end
	}
	n.opts.Looked(len(b.readings))
	n.news.tell()
}

// glance looks at readings that could not be stored, so that a full disk hides no dead fence.
func (n *night) glance(rs []pulse.Reading) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, r := range rs {
		if n.blind.glance(r) {
			n.note(r)
			n.record(n.engine.observe(r))
		}
	}
	n.news.tell()
}

// note keeps a sensor's newest reading for the page.
func (n *night) note(r pulse.Reading) {
	if old, ok := n.latest[r.Sensor]; !ok || !r.At.Before(old.At) || old.At.After(n.ahead()) {
		n.latest[r.Sensor] = r
	}
	n.newestAt.Store(max(n.newestAt.Load(), r.At.UnixMilli()))
	n.met.heard(&r)
}

// shown returns the time that the page shows. In a demo minutes pass while a reading is on its way through the store:
// then it is the newest reading's, so that no sensor seems late.
func (n *night) shown() time.Time {
	now := n.now()
	if newest := time.UnixMilli(n.newestAt.Load()).UTC(); n.opts.Speed > 1 && now.Sub(newest) < n.wall(settle) {
		return newest
	}
	return now
}

// pass lets time pass.
func (n *night) pass() {
	if n.looksAtClock() {
		return
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if len(n.batches) == 0 {
		n.record(n.engine.advance(n.now().Add(-n.wall(settle))))
		n.test(n.now())
		n.lookAtItself(n.now())
	}
}

// looksAtClock reports whether the clock was set since this watch began, and asks for a new one if so.
func (n *night) looksAtClock() bool {
	by := n.clock.setBy()
	if by == 0 {
		return false
	}
	select {
	case n.clockSet <- by:
	default: // it is known
	}
	return true
}

// Act takes in what a person did, and returns when it is recorded.
func (n *night) Act(_ context.Context, a alerts.Action) error {
	if err := errors.Join(n.knows(a.Source), checkDone(a), checkWhen(a, n.now(), n.cfg.Farm.Location)); err != nil {
		return err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	a.Time = n.now()
	if a.Kind == alerts.Acknowledge && a.Alarm != "" && a.Alarm == n.drill.Record().ID {
		a.Kind, a.Source = alerts.Answered, farm.Site // a test is no alarm
	}
	sent, err := n.testNow(a)
	if err != nil {
		return err
	}
	s, err := n.engine.act(a)
	s.Add(sent)
	if err == nil {
		s.Add(n.testAnswered(a))
	}
	n.record(s)
	if a.Kind == alerts.Weathered {
		n.skies.forget(farm.WeatherSource)
	}
	n.news.tell()
	return err
}

// knows reports why nothing can be done to s: the farm file that the watch has read does not have it.
func (n *night) knows(s farm.Source) error {
	if s == "" || s == farm.Site || slices.Contains(n.places(), s) {
		return nil
	}
	return fmt.Errorf("the night watch knows no %s\nhint: make it read the farm file again (SIGHUP), or look at the name", cmp.Or(s.Called(), string(s)))
}

// places returns every zone and energizer.
func (n *night) places() []farm.Source { return n.cfg.Farm.Layout().Sources() }

// record writes down a step and sends what is in it. n.mu is held, so that steps are recorded in order.
func (n *night) record(s alerts.Step) {
	if s.Empty() {
		return
	}
	// Shutting down must not lose a step, so the watch's own context does not count here.
	err := n.journal.Record(context.Background(), s)
	var later *journal.UnwritableError
	switch {
	case errors.As(err, &later): // the journal keeps it and its messages go out
		n.troubles.set(troubleJournal, err)
	case err != nil:
		n.log.Error("step not recorded", "err", err)
	}
	for _, e := range s.Events {
		n.met.events.WithLabelValues(string(e.Kind)).Inc()
		n.log.Info("alarm", "event", e.Kind, "id", e.ID, "priority", e.Priority, "text", e.Text)
		n.opts.Said(e)
	}
	if len(s.Messages) > 0 {
		n.sender.Wake()
	}
	n.board.changed()
}

// news tells pages that something has changed.
type news struct {
	mu    sync.Mutex
	chans []chan struct{}
}

// Changes returns a channel that is told of each change until ctx ends.
func (w *news) Changes(ctx context.Context) <-chan struct{} {
	ch := make(chan struct{}, 1)
	w.mu.Lock()
	w.chans = append(w.chans, ch)
	w.mu.Unlock()
	context.AfterFunc(ctx, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.chans = slices.DeleteFunc(w.chans, func(c chan struct{}) bool { return c == ch })
		close(ch)
	})
	return ch
}

func (w *news) tell() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, ch := range w.chans {
		poke(ch)
	}
}
