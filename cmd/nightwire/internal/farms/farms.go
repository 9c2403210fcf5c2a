// Package farms watches a folder of farm files and keeps one night watch going for each: a file that comes, changes or
// goes is followed without a restart, and what happens to one farm stays with it.
package farms

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightwire/cmd/nightwire/internal/config"
)

// Farm is a farm that is watched.
type Farm struct {
	Config *config.Config
	Again  <-chan os.Signal // told when the file has changed
	Judged func(Judgement)  // to be called each time the watch has started
}

// Options say what a Keeper is to do. Dir, Watch and Log are required.
type Options struct {
	Dir string // of the farm files, *.yaml

	// Watch watches one farm until ctx is done. When it returns early or panics it is called again after a while.
	Watch func(ctx context.Context, f Farm) error

	// Mine reports whether this daemon is to watch the farm of that name; nil for all. Shifted is told when its answers
	// may have changed.
	Mine    func(name string) bool
	Shifted <-chan struct{}

	Again      <-chan os.Signal // asks for a look at the folder, and for all files to be read again
	Every      time.Duration    // how often to look unasked; 0 for DefaultEvery
	Log        *slog.Logger
	Registerer prometheus.Registerer // optional
}

// DefaultEvery is how soon a new file is noticed without being told.
const DefaultEvery = 10 * time.Second

const (
	// A farm that fails is tried again after retryMin, then ever later up to retryMax.
	retryMin = time.Second
	retryMax = time.Minute
	// missingLooks is how many looks in a row a file must be missing before its farm is given up: editors and copying
	// programs take files away for a moment.
	missingLooks = 2
)

// Keeper keeps the watches going.
type Keeper struct {
	opts  Options
	files map[string]*file // by path
	met   metrics
	lost  bool // the folder could not be read, or was empty, at the last look

	mu      sync.Mutex         // of what Health reads; only Run changes it
	running map[string]*runner // by the farm's name
	unread  []string           // files of which nothing is known
	round   time.Time          // when what a look called for was last done; zero before the first
}

// file is what is known of a farm file.
type file struct {
	size    int64
	changed time.Time
	config  *config.Config // the last one that was whole; nil when none was
	err     error          // what is wrong with it now
	missing int            // looks in a row
}

// New checks the options. It starts nothing.
func New(opts Options) (*Keeper, error) {
	if opts.Dir == "" || opts.Watch == nil || opts.Log == nil {
		return nil, errors.New("a keeper of farms needs Dir, Watch and Log")
	}
	if opts.Every == 0 {
		opts.Every = DefaultEvery
	}
	if opts.Mine == nil {
		opts.Mine = func(string) bool { return true }
	}
	return &Keeper{opts: opts, files: map[string]*file{}, running: map[string]*runner{}, met: newMetrics(opts.Registerer)}, nil
}

// Run keeps the watches going until ctx is done. It fails only when there is nothing to begin with.
func (k *Keeper) Run(ctx context.Context) error {
	if err := k.look(true); err != nil {
		return err
	}
	k.fit(ctx)
	defer k.stopAll()
	tick := time.NewTicker(k.opts.Every)
	defer tick.Stop()
	for {
		anew := false
		select {
		case <-ctx.Done():
			return nil
		case <-k.opts.Again:
			anew = true
		case <-k.opts.Shifted:
		case <-tick.C:
		}
		if err := k.look(anew); err != nil && !k.lost {
			k.lost = true
			k.opts.Log.Error("folder of farm files cannot be read, going on with what is known", "err", err)
		} else if err == nil {
			k.lost = false
		}
		k.fit(ctx)
		k.tend(ctx)
	}
}

// look reads what has changed in the folder; anew reads all.
func (k *Keeper) look(anew bool) error {
	found, err := filepath.Glob(filepath.Join(globQuote(k.opts.Dir), "*.y*ml"))
	if err != nil {
		return fmt.Errorf("read the folder of farm files: %w", err)
	}
	if _, err := os.Stat(k.opts.Dir); err != nil {
		return fmt.Errorf("read the folder of farm files: %w\nhint: make it, and put one file for each farm into it", err)
	}
	if len(found) == 0 && len(k.files) > 0 {
		// Nobody gives up all farms at once; a disk that is not mounted looks like that.
		return fmt.Errorf("the folder of farm files %s is empty\nhint: stop nightwire if no farm is to be watched any more", k.opts.Dir)
	}
	for _, path := range found {
		k.read(path, anew)
	}
	for path, f := range k.files {
		if slices.Contains(found, path) {
			f.missing = 0
		} else if f.missing++; f.missing >= missingLooks {
			delete(k.files, path)
		}
	}
	return nil
}

// globQuote makes a name match itself.
func globQuote(name string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(name)
}

// read reads a file that has changed. One that is broken keeps what it said when it was whole.
func (k *Keeper) read(path string, anew bool) {
	info, err := os.Stat(path)
	if err != nil || info.IsDir() {
		return // it counts as missing next time
	}
	f := k.files[path]
	if f == nil {
		f = &file{}
		k.files[path] = f
	}
	if !anew && f.size == info.Size() && f.changed.Equal(info.ModTime()) {
		return
	}
	f.size, f.changed = info.Size(), info.ModTime()
	cfg, err := config.Load(path)
	if err == nil {
		err = cfg.ReadSecrets()
	}
	if err != nil {
		if f.err = err; f.config == nil {
			k.opts.Log.Error("farm file is broken, its farm is not watched", "file", path, "err", err)
		} else {
			k.opts.Log.Error("farm file is broken, going on with the old one", "file", path, "err", err)
		}
		return
	}
	if f.config, f.err = cfg, nil; k.running[cfg.Farm.Name] != nil {
		k.running[cfg.Farm.Name].tell(path)
	}
}

// fit starts and stops watches so that they are those of the files.
func (k *Keeper) fit(ctx context.Context) {
	want, broken := k.wanted()
	k.letGo(want)
	k.mu.Lock()
	for _, name := range slices.Sorted(maps.Keys(want)) {
		if k.running[name] == nil {
			k.running[name] = k.start(ctx, want[name])
		}
	}
	k.unread = nil
	for path, f := range k.files {
		if f.config == nil {
			k.unread = append(k.unread, filepath.Base(path))
		}
	}
	k.round = time.Now()
	k.mu.Unlock()
	k.met.watched.Set(float64(len(k.running)))
	k.met.broken.Set(float64(broken))
}

// letGo ends the watches that are not wanted. One that does not end in time is looked at again in the next round, and
// until it has ended its farm is not watched anew.
func (k *Keeper) letGo(want map[string]*config.Config) {
	var gone []string
	for name, r := range k.running {
		if f := want[name]; f == nil || f.Path != r.path {
			gone = append(gone, name)
			if r.leave() {
				k.opts.Log.Info("farm is not watched here any more", "farm", name)
			}
		}
	}
	late := time.After(endLate)
	for _, name := range gone {
		r := k.running[name]
		select {
		case <-r.ended:
		case <-late:
			late = time.After(0)
			r.health.fail(errors.New("its watch here is to end and does not"))
			continue
		}
		k.mu.Lock()
		delete(k.running, name)
		k.mu.Unlock()
	}
}

// wanted returns the farms to watch by name, and how many files are of no use. Of two files with one name the one that
// is watched already counts, or the first.
func (k *Keeper) wanted() (want map[string]*config.Config, broken int) {
	want = map[string]*config.Config{}
	for _, path := range slices.Sorted(maps.Keys(k.files)) {
		f := k.files[path]
		if f.err != nil {
			broken++
		}
		if f.config == nil {
			continue
		}
		name := f.config.Farm.Name
		if !k.opts.Mine(name) {
			continue
		}
		other := want[name]
		if r := k.running[name]; other == nil || r != nil && r.path == path {
			want[name] = f.config
		}
		if other != nil {
			broken++
			k.opts.Log.Error("two farm files have one name, only one is watched", "farm", name, "watched", want[name].Path, "files", other.Path+", "+path)
		}
	}
	return want, broken
}

func (k *Keeper) stopAll() {
	for _, r := range k.running {
		r.cancel()
	}
	for name, r := range k.running {
		<-r.ended
		delete(k.running, name)
	}
}
