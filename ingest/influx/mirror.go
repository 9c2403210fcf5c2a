package influx

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	service "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"nightwire/ingest/pulse"
)

// backlog is what is to be copied. It outlasts restarts, and gives again what was not Taken.
type backlog interface {
	// Next returns about limit readings, or none when there are none now.
	Next(ctx context.Context, limit int) ([]pulse.Reading, error)
	// Taken notes that the server has what Next gave last.
	Taken(ctx context.Context) error
	// Rewind makes Next give again what was taken last: a server that went down may have lost it.
	Rewind()
}

// MirrorOptions say what a Mirror is to do. All but Now and Stalled are required.
type MirrorOptions struct {
	Client  *Client
	Backlog backlog
	Wake    <-chan struct{} // tells of new readings
	Metrics *Metrics
	Log     *slog.Logger
	Now     func() time.Time // nil for time.Now

	// Stalled is told when the server has taken nothing for a while, and with nil when it does again.
	Stalled func(error)
}

// Mirror copies a backlog to a server.
type Mirror struct {
	opts    MirrorOptions
	failing time.Time // since when; zero when all is well
	told    bool
	dials   int64     // of the client, when the server answered last; 0 when that does not matter
	lone    int       // how many answers in a row came each over a connection of its own
	anew    bool      // the server may have been started anew since it took something last
	rewound time.Time // when the backlog last gave again what was taken
	mu      sync.Mutex
	oldest  time.Time // arrival of the oldest reading that is not copied; guarded by mu
}

const (
	// writeReadings is how many points go in one request; InfluxData's advice is 5,000 lines (InfluxDB documentation,
	// "Optimize writes").
	writeReadings = 5000
	// gatherFor is the least time between two requests while little comes, so that single readings share one.
	gatherFor = time.Second
	// lookAgain finds what no wake told of.
	lookAgain = 30 * time.Second
	retryMin  = time.Second
	retryMax  = 30 * time.Second
	// stalledAfter is how long writes fail before a person is told: servers are started anew now and then.
	stalledAfter = 5 * time.Minute
	// A new connection may lead to a server that was started anew, so the backlog gives again what it gave last. Where
	// loneMost answers in a row each came over a connection of their own, connections are closed as a rule, which would
	// keep the copy where it is: then a new one does so no more often than rewindEvery.
	loneMost    = 10
	rewindEvery = time.Minute
)

// NewMirror checks the options. It starts nothing.
func NewMirror(opts MirrorOptions) (*Mirror, error) {
	if opts.Client == nil || opts.Backlog == nil || opts.Metrics == nil || opts.Log == nil {
		return nil, errors.New("a mirror needs Client, Backlog, Metrics and Log")
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Stalled == nil {
		opts.Stalled = func(error) {}
	}
	return &Mirror{opts: opts}, nil
}

// Run copies until ctx is done.
func (m *Mirror) Run(ctx context.Context) error {
	m.opts.Metrics.follow(m.lag)
	wait := retryMin
	for ctx.Err() == nil {
		n, err := m.turn(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			m.failed(err)
			pause(ctx, nil, wait)
			wait = min(2*wait, retryMax)
			continue
		case n == 0:
			pause(ctx, m.opts.Wake, lookAgain)
		}
		wait = retryMin
		if n < writeReadings {
			pause(ctx, nil, gatherFor)
		}
	}
	return nil
}

// pause waits until ctx is done, wake is told or d has passed.
func pause(ctx context.Context, wake <-chan struct{}, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-wake:
	case <-timer.C:
	}
}

// turn copies what there is, up to a request or a few, and returns how much that was.
func (m *Mirror) turn(ctx context.Context) (int, error) {
	rs, err := m.opts.Backlog.Next(ctx, writeReadings)
	if err != nil {
		return 0, err
	}
	if len(rs) == 0 {
		m.setOldest(time.Time{})
		return 0, nil
	}
	m.setOldest(rs[0].Arrived)
	for rest := rs; len(rest) > 0; {
		n := min(len(rest), writeReadings)
		if err := m.copy(ctx, rest[:n]); err != nil {
			return 0, err
		}
		rest = rest[n:]
	}
	m.recovered()
	if m.anew {
		m.rewind()
		return len(rs), nil
	}
	if err := m.opts.Backlog.Taken(ctx); err != nil {
		return 0, err
	}
	return len(rs), nil
}

// answered notes that the server answered, and over a new connection: then it may have been started anew since it
// took something last, without a write that failed. VictoriaMetrics keeps in memory for seconds what it said it had.
func (m *Mirror) answered() {
	before, dials := m.dials, m.opts.Client.dials.Load()
	m.dials = dials
	if dials == before {
		m.lone = 0
		return
	}
	m.lone++
	if before != 0 && (m.lone <= loneMost || m.opts.Now().Sub(m.rewound) >= rewindEvery) {
		m.anew = true
	}
}

// rewind has given again what the server may have lost. Until something is Taken again nothing more can be.
func (m *Mirror) rewind() {
	m.rewound, m.anew = m.opts.Now(), false
	m.opts.Backlog.Rewind()
}

// copy has readings written. What a server refuses for good is left out, as long as it takes something else beside it:
// a server that takes nothing is not the server we mean.
func (m *Mirror) copy(ctx context.Context, rs []pulse.Reading) error {
	var points []*write.Point
	for i := range rs {
		if p := point(m.opts.Client.cfg.Measurement, &rs[i]); p != nil {
			points = append(points, p)
		}
	}
	if len(points) == 0 {
		return nil
	}
	taken, refused, err := m.write(ctx, points)
	if err != nil {
		return err
	}
	m.opts.Metrics.written.Add(float64(taken))
	if len(refused) == 0 {
		return nil
	}
	if taken == 0 && !tooOld(refused[0].err) {
		return refused[0].err
	}
	m.opts.Metrics.refused.Add(float64(len(refused)))
	m.opts.Log.Warn("mirror refused readings", "readings", len(refused), "first", refused[0].at, "err", refused[0].err)
	return nil
}

// refusal is a point that the server will not take.
type refusal struct {
	at  time.Time
	err error
}

// write writes points, in halves where the server refuses them together. An error means that they are to be tried again.
func (m *Mirror) write(ctx context.Context, points []*write.Point) (taken int, refused []refusal, err error) {
	err = m.opts.Client.writePoints(ctx, points)
	if err == nil || final(err) {
		m.answered()
	}
	switch {
	case err == nil:
		return len(points), nil, nil
	case !final(err):
		return 0, nil, err
	case tooOld(err): // InfluxDB has taken the others of the request
		return 0, []refusal{{points[0].Time(), err}}, nil
	case len(points) == 1:
		return 0, []refusal{{points[0].Time(), err}}, nil
	}
	for _, half := range [][]*write.Point{points[:len(points)/2], points[len(points)/2:]} {
		n, no, err := m.write(ctx, half)
		if err != nil {
			return 0, nil, err
		}
		taken, refused = taken+n, append(refused, no...)
	}
	return taken, refused, nil
}

// writePoints is one request.
func (c *Client) writePoints(ctx context.Context, points []*write.Point) error {
	ctx, cancel := context.WithTimeout(ctx, writeTimeout)
	defer cancel()
	if err := c.write.WritePoint(ctx, points...); err != nil {
		return c.unreached("write to the mirror at", c.cfg.URL, err)
	}
	return nil
}

// final reports whether trying the same points again is of no use. A wrong password, bucket or path can be mended.
func final(err error) bool {
	var e *service.Error
	if !errors.As(err, &e) {
		return false
	}
	switch e.StatusCode {
	case http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		return true
	}
	return false
}

// tooOld reports whether points were refused because the server keeps nothing so old: InfluxDB 1.8 says "points beyond
// retention policy dropped", InfluxDB 2 "outside retention".
func tooOld(err error) bool { return final(err) && strings.Contains(err.Error(), "retention") }

// failed notes that nothing was copied, and tells once.
func (m *Mirror) failed(err error) {
	now := m.opts.Now()
	m.opts.Metrics.failures.Inc()
	m.dials = 0 // what was taken is given again anyway
	if m.failing.IsZero() {
		m.failing = now
		m.rewind()
		m.opts.Log.Warn("mirror takes no readings, they wait here", "err", err)
	}
	if !m.told && now.Sub(m.failing) >= stalledAfter {
		m.told = true
		m.opts.Stalled(fmt.Errorf("nothing was copied to the mirror since %s: %w\nhint: nothing is lost and the watch goes on; start its server, or mend mirror.influx",
			m.failing.UTC().Format("2 January 15:04 MST"), err))
	}
}

func (m *Mirror) recovered() {
	if m.failing.IsZero() {
		return
	}
	m.opts.Log.Info("mirror takes readings again", "after", m.opts.Now().Sub(m.failing).Round(time.Second))
	m.failing = time.Time{}
	if m.told {
		m.told = false
		m.opts.Stalled(nil)
	}
}

func (m *Mirror) setOldest(t time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.oldest = t
}

// lag returns for how long the oldest reading that is not copied has waited, in seconds.
func (m *Mirror) lag() float64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.oldest.IsZero() {
		return 0
	}
	return max(0, m.opts.Now().Sub(m.oldest).Seconds())
}
