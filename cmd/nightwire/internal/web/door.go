package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"
)

const (
	freeTries  = 3                // wrong passwords before an address has to wait
	longestLag = 5 * time.Minute  // and the longest it has to
	forgetting = 30 * time.Minute // after this long without a try an address starts anew
	maxTracked = 4096             // addresses and ended sessions remembered; the oldest go first

	globalTries = 20 // wrong passwords from everywhere within globalSpan before everybody waits
	globalSpan  = time.Minute
)

var errWait = errors.New("too many wrong passwords")

// door checks the password and makes guessing slow.
type door struct {
	now    func() time.Time
	hash   []byte // nil when there is no password
	secret []byte // what sessions are bound to; changes with the password

	mu     sync.Mutex
	tries  map[netip.Prefix]tries
	recent []time.Time // wrong passwords from anywhere
	ends   map[[16]byte]time.Time
	check  chan struct{} // one bcrypt at a time: on a small board each takes most of a second
}

type tries struct {
	wrong int
	last  time.Time
}

func newDoor(password, hash string, now func() time.Time) (*door, error) {
	d := &door{now: now, tries: map[netip.Prefix]tries{}, ends: map[[16]byte]time.Time{}, check: make(chan struct{}, 1)}
	switch {
	case hash != "":
		if _, err := bcrypt.Cost([]byte(hash)); err != nil {
			return nil, fmt.Errorf("read password hash: %w\nhint: it must be a bcrypt hash, starting with $2", err)
		}
		d.hash, d.secret = []byte(hash), []byte(hash)
	case password != "":
		h, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.DefaultCost)
		if err != nil {
			return nil, fmt.Errorf("hash the page's password: %w\nhint: use at most 72 bytes", err)
		}
		d.hash, d.secret = h, []byte(password)
	}
	return d, nil
}

// locked reports whether there is a password at all.
func (d *door) locked() bool { return d.hash != nil }

// try checks a password given from an address. It returns errWait, with how long, while that address has to wait.
func (d *door) try(from netip.Prefix, password string) (ok bool, wait time.Duration, err error) {
	if wait := d.lag(from); wait > 0 {
		return false, wait, errWait
	}
	d.check <- struct{}{}
	err = bcrypt.CompareHashAndPassword(d.hash, []byte(password))
	<-d.check
	d.mu.Lock()
	defer d.mu.Unlock()
	if err == nil {
		delete(d.tries, from)
		return true, 0, nil
	}
	if len(d.tries) >= maxTracked {
		d.dropOldestTry()
	}
	t := d.tries[from]
	d.tries[from] = tries{t.wrong + 1, d.now()}
	d.recent = append(d.recent, d.now())
	return false, 0, nil
}

// lag returns how long from has to wait before its next try: doubling from one second after the free tries. A flood
// from many addresses makes everybody wait a little, never so long that the keeper is shut out.
func (d *door) lag(from netip.Prefix) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.now()
	for len(d.recent) > 0 && now.Sub(d.recent[0]) > globalSpan {
		d.recent = d.recent[1:]
	}
	t, seen := d.tries[from]
	if seen && now.Sub(t.last) > forgetting {
		delete(d.tries, from)
		t = tries{}
	}
	wait := time.Duration(0)
	if n := t.wrong - freeTries; n >= 0 {
		wait = min(time.Second<<min(n, 16), longestLag) - now.Sub(t.last)
	}
	if n := len(d.recent); n >= globalTries {
		wait = max(wait, 3*time.Second-now.Sub(d.recent[n-1]))
	}
	return max(wait, 0)
}

func (d *door) dropOldestTry() {
	var oldest netip.Prefix
	first := true
	for p, t := range d.tries {
		if first || t.last.Before(d.tries[oldest].last) {
			oldest, first = p, false
		}
	}
	delete(d.tries, oldest)
}

// end remembers that a session was logged out. Sessions are signed, not stored, so this list is all that tells, and a
// restart forgets it: a copy of the cookie made before the log-out would then work again until it expires.
func (d *door) end(id [16]byte) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for k, at := range d.ends {
		if d.now().Sub(at) > sessionLife || len(d.ends) >= maxTracked {
			delete(d.ends, k)
		}
	}
	d.ends[id] = d.now()
}

func (d *door) ended(id [16]byte) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	_, yes := d.ends[id]
	return yes
}

// addressOf returns where a request comes from; for IPv6 the /64, since one home has that many addresses.
func addressOf(r *http.Request) netip.Prefix {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Prefix{}
	}
	a := ap.Addr().Unmap().WithZone("")
	bits := 32
	if a.Is6() {
		bits = 64
	}
	p, _ := a.Prefix(bits)
	return p
}
