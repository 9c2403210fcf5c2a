package farms

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Leases share farms out among daemons by means of a NATS server: all farms are dealt into slots, and who holds the
// lease of a slot watches its farms. A lease is a key that the server lets only one create, and that goes by itself
// when it is not renewed; that, and nothing of ours, keeps two daemons from holding one. Which daemon asks for which
// slot is a rule that needs no agreement (see deal).
//
// While no server can be reached, every daemon goes on with what it has: a farm that nobody watches is worse than one
// that two do for a while.
type Leases struct {
	opts    LeaseOptions
	nc      *nats.Conn
	kv      jetstream.KeyValue
	shifted chan struct{}

	mu   sync.Mutex
	held map[int]lease // by slot
}

// lease is one that this daemon holds.
type lease struct {
	revision uint64 // of its key
	leaving  bool   // its farms are being let go, for another
}

// LeaseOptions say where the leases are. Name must be the daemon's own; Server, Name and Log are required.
type LeaseOptions struct {
	Server      string // nats://host:4222, or several with commas
	Credentials string // a file; empty for none
	Name        string
	Bucket      string // DefaultBucket when empty
	Log         *slog.Logger

	Slots int           // the same for all daemons of a bucket; 0 for DefaultSlots
	TTL   time.Duration // how long a lease outlives its holder; 0 for DefaultTTL
}

// Defaults of LeaseOptions.
const (
	DefaultBucket = "nightwire-leases"
	DefaultSlots  = 256
	DefaultTTL    = 20 * time.Second
)

const (
	slotPrefix   = "slot."
	memberPrefix = "daemon."
)

// Join connects to the server and announces the daemon. It holds nothing yet.
func Join(ctx context.Context, opts LeaseOptions) (*Leases, error) {
	if opts.Server == "" || opts.Name == "" || opts.Log == nil {
		return nil, errors.New("leases need Server, Name and Log")
	}
	if strings.ContainsAny(opts.Name, " .*>/\t") {
		return nil, fmt.Errorf("the daemon's name %q cannot be a key\nhint: use letters, digits and dashes", opts.Name)
	}
	if opts.Bucket == "" {
		opts.Bucket = DefaultBucket
	}
	if opts.Slots == 0 {
		opts.Slots = DefaultSlots
	}
	if opts.TTL == 0 {
		opts.TTL = DefaultTTL
	}
	l := &Leases{opts: opts, shifted: make(chan struct{}, 1), held: map[int]lease{}}
	connect := []nats.Option{nats.Name("nightwire " + opts.Name), nats.MaxReconnects(-1), nats.RetryOnFailedConnect(true), nats.ReconnectWait(time.Second)}
	if opts.Credentials != "" {
		connect = append(connect, nats.UserCredentials(opts.Credentials))
	}
	nc, err := nats.Connect(opts.Server, connect...)
	if err != nil {
		return nil, fmt.Errorf("connect to the lease server: %w", err)
	}
	if err := l.open(ctx, nc); err != nil {
		nc.Close()
		return nil, fmt.Errorf("open the leases: %w\nhint: start the NATS server with JetStream, and let this daemon use the bucket %s", err, opts.Bucket)
	}
	return l, nil
}

func (l *Leases) open(ctx context.Context, nc *nats.Conn) error {
	l.nc = nc
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	l.kv, err = js.KeyValue(ctx, l.opts.Bucket)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		l.kv, err = js.CreateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: l.opts.Bucket, TTL: l.opts.TTL, History: 1})
	}
	if err != nil {
		return err
	}
	return l.announce(ctx)
}

// Has reports whether this daemon holds the lease of a farm's slot.
func (l *Leases) Has(farm string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	has, ok := l.held[l.slot(farm)]
	return ok && !has.leaving
}

// slot deals a farm into a slot. Their number never changes, so a remainder will do.
func (l *Leases) slot(farm string) int { return int(hashOf(farm, "slot") % uint64(l.opts.Slots)) }

// Shifted tells when what Has says has changed.
func (l *Leases) Shifted() <-chan struct{} { return l.shifted }

// Run takes, renews and gives up leases until ctx is done. What is held then stays so until Leave.
func (l *Leases) Run(ctx context.Context) error {
	tick := time.NewTicker(l.opts.TTL / 4)
	defer tick.Stop()
	for failing := false; ; {
		round, cancel := context.WithTimeout(ctx, l.opts.TTL/4)
		err := l.round(round)
		cancel()
		if err != nil && ctx.Err() == nil && !failing {
			l.opts.Log.Error("lease server does not answer, going on with the farms that are watched here", "err", err)
		} else if err == nil && failing {
			l.opts.Log.Info("lease server answers again")
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func (l *Leases) announce(ctx context.Context) error {
	_, err := l.kv.Put(ctx, memberPrefix+l.opts.Name, []byte(time.Now().UTC().Format(time.RFC3339)))
	return err
}

// round renews what is held, and brings it nearer to what this daemon should hold.
func (l *Leases) round(ctx context.Context) error {
	if err := l.announce(ctx); err != nil {
		return err
	}
	members, taken, err := l.state(ctx)
	if err != nil {
		return err
	}
	// All at once: one after the other, a server a few hundredths of a second away would keep them waiting longer than
	// leases last.
	errs := make([]error, l.opts.Slots)
	var wg sync.WaitGroup
	for slot, owner := range deal(l.opts.Slots, members) {
		wg.Go(func() { errs[slot] = l.tend(ctx, slot, owner == l.opts.Name, taken[slot]) })
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// deal says which of the members, who are in order, each slot is for: the one for which the hash of both is highest, of
// those that have not had their even share yet. When one comes or goes, few other slots move.
func deal(slots int, members []string) []string {
	most := (slots + len(members) - 1) / len(members)
	has := make(map[string]int, len(members))
	dealt := make([]string, slots)
	open := slices.Clone(members)
	for slot := range dealt {
		i := highest(strconv.Itoa(slot), len(open), func(i int) string { return open[i] })
		dealt[slot] = open[i]
		if has[open[i]]++; has[open[i]] == most {
			open = slices.Delete(open, i, i+1)
		}
	}
	return dealt
}

// state returns the daemons that are alive, by name, and which slots are held by anyone.
func (l *Leases) state(ctx context.Context) (members []string, taken map[int]bool, err error) {
	keys, err := l.kv.Keys(ctx)
	if err != nil && !errors.Is(err, jetstream.ErrNoKeysFound) {
		return nil, nil, err
	}
	members, taken = []string{l.opts.Name}, map[int]bool{}
	for _, key := range keys {
		if name, ok := strings.CutPrefix(key, memberPrefix); ok && name != l.opts.Name {
			members = append(members, name)
		}
		if text, ok := strings.CutPrefix(key, slotPrefix); ok {
			if n, err := strconv.Atoi(text); err == nil {
				taken[n] = true
			}
		}
	}
	slices.Sort(members)
	return members, taken, nil
}

// tend looks after one slot: mine says that it should be this daemon's, taken that somebody has it.
func (l *Leases) tend(ctx context.Context, slot int, mine, taken bool) error {
	l.mu.Lock()
	has, held := l.held[slot]
	l.mu.Unlock()
	key, name := slotPrefix+strconv.Itoa(slot), []byte(l.opts.Name)
	switch {
	case has.leaving:
		return l.release(ctx, slot, key, has)
	case held:
		next, err := l.kv.Update(ctx, key, name, has.revision)
		if wrongRevision(err) {
			return l.recover(ctx, slot, key)
		}
		if err != nil {
			return err
		}
		// Its farms are let go first; the lease goes a round later.
		l.set(slot, lease{revision: next, leaving: !mine}, true)
	case mine && !taken:
		next, err := l.kv.Create(ctx, key, name)
		if errors.Is(err, jetstream.ErrKeyExists) {
			return nil // another was sooner
		}
		if err != nil {
			return err
		}
		l.set(slot, lease{revision: next}, true)
	}
	return nil
}

// wrongRevision reports whether a key has been changed, or has gone, since it was last written here.
func wrongRevision(err error) bool {
	var api *jetstream.APIError
	return errors.Is(err, jetstream.ErrKeyExists) || errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence
}

// recover finds out what became of a lease that could not be renewed: it may have gone while no server was to be
// reached, and then it is taken again; or it may be another's.
func (l *Leases) recover(ctx context.Context, slot int, key string) error {
	next, err := l.kv.Create(ctx, key, []byte(l.opts.Name))
	if err == nil {
		l.set(slot, lease{revision: next}, true)
		return nil
	}
	if !errors.Is(err, jetstream.ErrKeyExists) {
		return err
	}
	entry, err := l.kv.Get(ctx, key)
	if err != nil {
		return err
	}
	if string(entry.Value()) == l.opts.Name { // our own, whose answer was lost
		l.set(slot, lease{revision: entry.Revision()}, true)
		return nil
	}
	l.opts.Log.Warn("lease is another daemon's now", "slot", slot, "holder", string(entry.Value()))
	l.set(slot, lease{}, false)
	return nil
}

// release gives up a lease that is held.
func (l *Leases) release(ctx context.Context, slot int, key string, has lease) error {
	err := l.kv.Delete(ctx, key, jetstream.LastRevision(has.revision))
	if err != nil && !wrongRevision(err) {
		return err
	}
	l.set(slot, lease{}, false)
	return nil
}

// Leave gives up all leases, so that others need not wait for them to run out. The farms must have been let go.
func (l *Leases) Leave(ctx context.Context) error {
	l.mu.Lock()
	held := maps.Clone(l.held)
	l.mu.Unlock()
	errs := []error{l.kv.Delete(ctx, memberPrefix+l.opts.Name)}
	for slot, has := range held {
		errs = append(errs, l.release(ctx, slot, slotPrefix+strconv.Itoa(slot), has))
	}
	l.nc.Close()
	return errors.Join(errs...)
}

// set notes a lease, and tells when that changes what Has says.
func (l *Leases) set(slot int, now lease, held bool) {
	l.mu.Lock()
	before, had := l.held[slot]
	if held {
		l.held[slot] = now
	} else {
		delete(l.held, slot)
	}
	l.mu.Unlock()
	if (had && !before.leaving) == (held && !now.leaving) {
		return
	}
	select {
	case l.shifted <- struct{}{}:
	default: // it was told and has not come to it
	}
}
