package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"nightwire/alerts"
	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/web"
)

// Options says what a night watch is to do. Config, DataDir and Log are required.
type Options struct {
	Config  *config.Config
	DataDir string
	Log     *slog.Logger

	// Load reads the farm file anew, and Again asks for it; nil for never.
	Load  func() (*config.Config, error)
	Again <-chan os.Signal

	// Now tells the time; nil for time.Now. Speed is how fast it runs against the wall's clock; 0 means as fast.
	Now   func() time.Time
	Speed float64
	// Steady tells how long some time ago was, whatever becomes of Now: by it the watch notices that the clock was set.
	// Nil for never, unless Now is nil too.
	Steady func() time.Duration
	// Arrived is asked once for each message when it comes, and tells the time; nil for Now.
	Arrived func() time.Time

	// Among says that the watch is one of many in this program: the service manager hears of the program from elsewhere.
	Among bool
	// Front serves the page where the farm file gives no address for it; nil to listen at the default one.
	Front Front
	// Shared is what many watches in one program have together; nil for one of its own.
	Shared *Shared
	// MessagesPerSecond is the most that the farm may take of the program, messages above wait; 0 for no limit.
	MessagesPerSecond int

	// Started is told where things listen, each time they do. Optional.
	Started func(Addresses)
	// Judged is given the watch's judgements of itself each time it has started: why it is not well, nil while it is; the
	// second is for those outside, who must not take a start for good news. Optional.
	Judged func(well, outside func(context.Context) error)
	// Said is told of every event, in order. It must not block. Optional.
	Said func(alerts.Event)
	// Looked is told how many readings have just gone through the detectors. It must not block. Optional.
	Looked func(n int)
}

// Shared is what many watches in one program have together. The zero Shared is ready.
type Shared struct {
	once sync.Once
	look *web.Look
	err  error
}

// pages returns what pages are made of.
func (s *Shared) pages() (*web.Look, error) {
	s.once.Do(func() { s.look, s.err = web.NewLook("en") })
	return s.look, s.err
}

// Front is a listener that the pages of many farms share.
type Front interface {
	Listen() string
	// Mount serves a page under hosts until it is unmounted.
	Mount(hosts []string, page http.Handler) (unmount func(), err error)
}

// Addresses says where a night watch can be reached.
type Addresses struct {
	Page   string // as a URL; empty while the page cannot be served
	Broker string // of the built-in broker, host:port; empty with another
}

// App is the night watch.
type App struct {
	opts Options
}

// New checks the options. It starts nothing.
func New(opts Options) (*App, error) {
	if opts.Config == nil || opts.DataDir == "" || opts.Log == nil {
		return nil, errors.New("a night watch needs Config, DataDir and Log")
	}
	if opts.Now == nil {
		began := time.Now()
		opts.Now, opts.Steady = time.Now, func() time.Duration { return time.Since(began) }
	}
	if opts.Arrived == nil {
		opts.Arrived = opts.Now
	}
	opts.Speed = cmp.Or(opts.Speed, 1)
	if opts.Started == nil {
		opts.Started = func(Addresses) {}
	}
	if opts.Judged == nil {
		opts.Judged = func(well, outside func(context.Context) error) {}
	}
	if opts.Said == nil {
		opts.Said = func(alerts.Event) {}
	}
	if opts.Looked == nil {
		opts.Looked = func(int) {}
	}
	return &App{opts: opts}, nil
}

// errMended says that a watch ended because its data folder can be written again.
var errMended = errors.New("the data folder can be written again")

// Run watches until ctx is done. A reload, a data folder that can be written again, and a clock that was set, start the
// watch anew with what it knows.
func (a *App) Run(ctx context.Context) error {
	cfg, last := a.opts.Config, (*config.Config)(nil)
	for {
		next, err := a.watch(ctx, cfg)
		switch {
		case err == nil && next != nil:
			cfg, last = next, cfg
		case errors.Is(err, errMended), errors.Is(err, errClockSet):
			a.opts.Log.Info("starting anew", "since", err)
		case err != nil && last != nil && ctx.Err() == nil:
			a.opts.Log.Error("new farm file does not work, going on with the old one", "err", err)
			cfg, last = last, nil
		default:
			return err
		}
	}
}

// read reads the farm file and what it names.
func (o *Options) read() (*config.Config, error) {
	cfg, err := o.Load()
	if err == nil {
		err = cfg.ReadSecrets()
	}
	return cfg, err
}

// reload reads the farm file again, and returns nil when it is broken.
func (a *App) reload() *config.Config {
	cfg, err := a.opts.read()
	if err != nil {
		a.opts.Log.Error("farm file is broken, going on with the old one", "err", err)
		return nil
	}
	a.opts.Log.Info("farm file read again")
	return cfg
}

// watch runs one watch from start to end. It returns the farm file to go on with, if that has changed.
func (a *App) watch(ctx context.Context, cfg *config.Config) (next *config.Config, err error) {
	s := newStack()
	defer func() { err = errors.Join(err, s.unwind()) }()
	n, err := a.open(ctx, cfg, s)
	if err != nil {
		return nil, err
	}
	var mended <-chan time.Time
	if n.store == nil {
		tick := time.NewTicker(lookAgain)
		defer tick.Stop()
		mended = tick.C
	}
	for {
		select {
		case <-ctx.Done():
			a.opts.Log.Info("night watch ends")
			return nil, nil
		case by := <-n.clockSet:
			a.opts.Log.Warn("the clock was set", "by", by.Round(time.Second))
			return nil, errClockSet
		case err := <-s.failed:
			return nil, err
		case <-a.opts.Again:
			if next := a.reload(); next != nil {
				return next, nil
			}
		case <-n.relaid:
			a.opts.Log.Info("farm file read again")
			return n.next.Load(), nil
		case <-mended:
			if writable(a.opts.DataDir) == nil {
				return nil, errMended
			}
		}
	}
}

// lookAgain is how often a data folder that could not be written is tried again.
const lookAgain = time.Minute

// open starts every part, in the order in which they need each other.
func (a *App) open(ctx context.Context, cfg *config.Config, s *stack) (*night, error) {
	n := newNight(a.opts, cfg)
	if err := n.openData(ctx, s); err != nil {
		return nil, err
	}
	if err := n.openMirror(ctx, s); err != nil {
		return nil, err
	}
	if err := n.openEngine(ctx); err != nil {
		return nil, err
	}
	if err := n.openSender(ctx, s); err != nil {
		return nil, err
	}
	s.start(ctx, "watch", n.run)
	s.start(ctx, "upkeep", n.upkeep)
	s.start(ctx, "letters", n.keepLetters)
	if err := n.startMirror(ctx, s); err != nil {
		return nil, err
	}
	if err := n.openPage(ctx, s); err != nil {
		return nil, err
	}
	if err := n.openFeed(ctx, s); err != nil {
		return nil, err
	}
	n.openControl(ctx, s)
	if n.store != nil {
		if err := n.markRunning(s); err != nil {
			return nil, err
		}
	}
	if err := n.openHeartbeat(ctx, s); err != nil {
		return nil, err
	}
	m := newManager()
	if n.opts.Among {
		m = manager{}
	}
	s.start(ctx, "watchdog", func(ctx context.Context) error { return m.feed(ctx, n.well) })
	m.tell("READY=1")
	s.push(func() error { m.tell("STOPPING=1"); return nil })
	a.opts.Judged(n.well, n.wellFor)
	a.opts.Started(n.addresses())
	return n, nil
}

// storeFile is the data file within the data folder; the names beside it belong to the other parts.
const (
	storeFile    = "nightwire.db"
	memoryFile   = "watch.json"
	runningFile  = "running.json"
	linkKeyFile  = "link.key"
	brokerFolder = "broker"
)

// makeDataDir makes the data folder and makes sure that it can be written.
func makeDataDir(dir string) error {
	err := os.MkdirAll(dir, 0o750)
	if err == nil {
		err = writable(dir)
	}
	if err != nil {
		return fmt.Errorf("data folder %s cannot be written: %w\nhint: %s", dir, err, folderHint(err))
	}
	return nil
}

func folderHint(err error) string {
	if errors.Is(err, fs.ErrPermission) {
		return "let the user that runs nightwire write to it, or choose another with --data"
	}
	return "make room on the disk and mount it for writing, or choose another folder with --data"
}

// writable reports why nothing can be written to dir.
func writable(dir string) error {
	f, err := os.CreateTemp(dir, ".try-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(make([]byte, 4096)) // a full disk still makes empty files
	return errors.Join(err, f.Sync(), f.Close())
}

// used reports whether a night watch has kept its data in dir before.
func used(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, storeFile))
	return err == nil
}
