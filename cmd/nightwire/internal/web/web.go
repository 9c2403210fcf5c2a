// Package web shows the farm to people: the first page, the zones and their charts, the alarms and what was done about
// them. Pages are rendered on the server and work without a script; one small script keeps them live.
package web

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/alerts"
)

// overview gives the farm as it is now. It is called for every page and must be quick.
type overview interface {
	Overview(ctx context.Context) (Overview, error)
}

// actions takes what a person did. It returns when the act is on disk; its error is shown to the person.
type actions interface {
	Act(ctx context.Context, a alerts.Action) error
}

// Options are the parts a Server is made of. Overview and Actions are required; pages whose part is missing say that
// there is nothing to show.
type Options struct {
	Overview overview
	Actions  actions
	History  history
	Lines    lines
	Alarms   alarmLog
	Links    links
	Changes  changes
	Turnouts turnouts
	Upkeeps  upkeeps

	Registerer   prometheus.Registerer // for the page's own metrics
	Metrics      http.Handler          // mounted on /metrics
	MetricsToken string                // bearer token that opens /metrics without a session
	Healthy      func(context.Context) error
	Ready        func(context.Context) error

	Password      string // plain, from a file; kept only as a hash
	PasswordHash  string // bcrypt, instead of Password
	Key           []byte // signs sessions; random when empty, which ends all sessions at a restart
	SecureCookies bool   // behind a proxy that speaks TLS

	Look     *Look            // shared with other servers; nil for one of its own, in English
	Location *time.Location   // the farm's own time; nil for UTC
	Now      func() time.Time // the farm's clock, which a demo runs fast
	Wall     func() time.Time // the clock by which sessions end and guessing is slowed
	Log      *slog.Logger
}

// Server answers the pages.
type Server struct {
	opts Options
	*Look
	keys   keyring
	door   *door
	routes []route
	mux    *http.ServeMux
	counters

	zips      sync.Pool // of *gzip.Writer
	closing   chan struct{}
	closeOnce sync.Once
	slots     chan struct{} // one slot for each live stream that may be open
}

const maxStreams = 64 // a farm has a handful of screens; more is a mistake or an attack

// New checks the options and makes a Server. It starts nothing.
func New(opts Options) (*Server, error) {
	if opts.Overview == nil || opts.Actions == nil {
		return nil, errors.New("web: Overview and Actions are required")
	}
	if opts.Location == nil {
		opts.Location = time.UTC
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Wall == nil {
		opts.Wall = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if len(opts.Key) == 0 {
		opts.Key = make([]byte, 32)
		rand.Read(opts.Key) // never fails (crypto/rand)
	}
	s := &Server{opts: opts, counters: newCounters(opts.Registerer), mux: http.NewServeMux(),
		closing: make(chan struct{}), slots: make(chan struct{}, maxStreams)}
	var err error
	if s.door, err = newDoor(opts.Password, opts.PasswordHash, opts.Wall); err != nil {
		return nil, err
	}
	s.keys = newKeyring(opts.Key, s.door.secret)
	if s.Look = opts.Look; s.Look == nil {
		if s.Look, err = NewLook("en"); err != nil {
			return nil, err
		}
	}
	s.register()
	return s, nil
}

// Handler returns the handler for everything, with its guards around it.
func (s *Server) Handler() http.Handler {
	return s.recovered(s.headers(s.sameSite(s.mux)))
}

// Close ends the live streams, so that a graceful shutdown of the listener does not wait for them. It is meant for
// http.Server.RegisterOnShutdown.
func (s *Server) Close() { s.closeOnce.Do(func() { close(s.closing) }) }

// access says who may use a route.
type access uint8

const (
	open    access = iota // anyone
	members               // a session; a page sends strangers to the login
	forms                 // a session and the form's own token
)

// route is one entry of the table; it is kept so that a test can walk all of them.
type route struct {
	method, path string
	access       access
}

// register is the table of all routes. A form that changes something is always `forms`; the two open posts carry their
// own secret: the password, and the signed link.
func (s *Server) register() {
	s.handle("GET", "/{$}", members, s.home)
	s.handle("GET", "/zone/{name}", members, s.zone)
	s.handle("GET", "/energizer/{name}", members, s.energizer)
	s.handle("GET", "/alarms", members, s.alarms)
	s.handle("GET", "/alarm/{id}", members, s.alarm)
	s.handle("GET", "/night", members, s.night)
	s.handle("GET", "/week", members, s.week)
	s.handle("GET", "/turnout", members, s.turnout)
	s.handle("POST", "/turnout", forms, s.keepTurnout)
	s.handle("GET", "/upkeep", members, s.upkeep)
	s.handle("GET", "/live", members, s.live)
	s.handle("POST", "/act", forms, s.act)
	s.handle("GET", "/login", open, s.loginPage)
	s.handle("POST", "/login", open, s.login)
	s.handle("POST", "/logout", forms, s.logout)
	s.handle("POST", "/name", forms, s.setName)
	s.handle("GET", "/a/{token}", open, s.linkPage)
	s.handle("POST", "/a/{token}", open, s.linkAct)
	s.handle("GET", "/-/healthy", open, s.probe("healthy", s.opts.Healthy))
	s.handle("GET", "/-/ready", open, s.probe("ready", s.opts.Ready))
	s.handle("GET", "/metrics", open, s.metrics)
	s.handle("GET", "/static/{name}", open, s.static)
	s.handle("GET", "/manifest.webmanifest", open, s.manifest)
	s.handle("GET", "/worker.js", open, s.worker)
	s.handle("GET", "/offline", open, s.offline)
}

// handle puts one route in the table and its guard before it.
func (s *Server) handle(method, path string, a access, h http.HandlerFunc) {
	s.routes = append(s.routes, route{method, path, a})
	switch a {
	case members:
		h = s.needSession(h)
	case forms:
		h = s.needForm(h)
	}
	s.mux.Handle(method+" "+path, h)
}
