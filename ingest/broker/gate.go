package broker

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/crypto/bcrypt"
	"golang.org/x/time/rate"
)

// gate decides who may connect: who shows a right password, under a client ID that is not another's. Whoever connects
// under the ID of one who is connected throws that one off, and takes over what the broker keeps for it; so without this
// one stolen sensor could silence all others.
//
// An ID that is a user's name, or begins with it and a dash, is that user's. Any other belongs to whoever used it first,
// for as long as that user has the same password.
type gate struct {
	log    *slog.Logger
	login  Login
	users  map[string]*server.User // by name
	path   string                  // of the file that outlives a restart
	server atomic.Pointer[server.Server]
	limit  *rate.Limiter // of what is logged

	mu     sync.Mutex
	claims claims
}

// claims are the client IDs that users have used, the newest last, by the hash of the user's password. A new password
// begins anew, so that a board can be given to another user.
type claims map[string][]string

const (
	claimsFile = "client-ids.json"
	// maxClaims bounds what one user can keep from others, and the file: a client that makes up an ID each time it
	// connects needs none of the old ones.
	maxClaims = 4
)

var _ server.Authentication = (*gate)(nil)

// newGate reads which IDs are whose.
func newGate(login Login, users []User, dir string, log *slog.Logger) (*gate, error) {
	g := &gate{log: log, login: login, users: map[string]*server.User{}, path: filepath.Join(dir, claimsFile),
		limit: rate.NewLimiter(rate.Every(time.Minute), 5), claims: claims{}}
	for _, u := range serverUsers(login, users) {
		g.users[u.Username] = u
	}
	data, err := os.ReadFile(g.path)
	if errors.Is(err, fs.ErrNotExist) {
		return g, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(data, &g.claims); err != nil {
		log.Warn("client IDs forgotten, each goes to whoever uses it first", "err", err)
		g.claims = claims{}
	}
	for hash := range g.claims {
		if g.named(hash) == "" {
			delete(g.claims, hash) // the user is gone, or has a new password
		}
	}
	return g, nil
}

// Check lets a client in, with the rights of its user, or not.
func (g *gate) Check(c server.ClientAuthentication) bool {
	opts := c.GetOpts()
	name := opts.Username
	if name == "" && opts.Password == "" {
		name = anonymousUser
	}
	u := g.users[name]
	if u == nil {
		return false
	}
	if name != anonymousUser && bcrypt.CompareHashAndPassword([]byte(u.Password), []byte(opts.Password)) != nil {
		return false
	}
	id, err := g.clientID(c.GetID())
	if err == nil {
		err = g.claim(name, u.Password, id)
	}
	if err != nil {
		if g.limit.Allow() {
			g.log.Warn("client refused", "user", name, "client_id", id, "err", err)
		}
		return false
	}
	c.RegisterUser(u)
	return true
}

// clientID returns the ID that a connection asked for.
func (g *gate) clientID(conn uint64) (string, error) {
	list, err := g.server.Load().Connz(&server.ConnzOptions{CID: conn})
	if err != nil {
		return "", err
	}
	if len(list.Conns) != 1 {
		return "", errors.New("it is gone again")
	}
	return list.Conns[0].MQTTClient, nil
}

// claim makes an ID the user's, or says why it cannot be.
func (g *gate) claim(name, hash, id string) error {
	if id == g.login.ClientID && name != g.login.User {
		return errors.New("the client ID is not for others")
	}
	if hash == "" || name == g.login.User {
		return nil // nobody has a password, or it is ourselves
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	owner := g.owner(id)
	switch {
	case owner == name:
		return nil
	case owner != "":
		return fmt.Errorf("the client ID belongs to %s\nhint: have it connect as %s; if the board was %s's before, give %s a new password", owner, name, owner, owner)
	}
	ids := append(g.claims[hash], id)
	g.claims[hash] = slices.Clone(ids[max(0, len(ids)-maxClaims):])
	if err := g.save(); err != nil {
		g.log.Warn("client ID not kept, after a restart it goes to whoever uses it first", "client_id", id, "err", err)
	}
	return nil
}

// owner returns the user whose ID it is, empty for nobody's; g.mu is held.
func (g *gate) owner(id string) string {
	owner := ""
	for name := range g.users {
		if name != g.login.User && len(name) > len(owner) && (id == name || strings.HasPrefix(id, name+"-")) {
			owner = name
		}
	}
	if owner != "" {
		return owner
	}
	for hash, ids := range g.claims {
		if slices.Contains(ids, id) {
			return g.named(hash)
		}
	}
	return ""
}

// named returns the user with that hash, empty for nobody.
func (g *gate) named(hash string) string {
	for name, u := range g.users {
		if hash != "" && u.Password == hash {
			return name
		}
	}
	return ""
}

// save writes the claims whole; g.mu is held. It is not synced: the broker syncs each new session anyway, and a claim
// that a power cut takes is made again by the next connection.
func (g *gate) save() error {
	data, err := json.Marshal(g.claims)
	if err != nil {
		return err
	}
	if err := os.WriteFile(g.path+".new", data, 0o600); err != nil {
		return err
	}
	return os.Rename(g.path+".new", g.path)
}
