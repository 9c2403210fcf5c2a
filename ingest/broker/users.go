package broker

import (
	"crypto/rand"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/crypto/bcrypt"
)

// User is one who may connect: a sensor, or a lamp that follows the farm's state.
type User struct {
	Name         string
	PasswordHash string   // bcrypt, as HashPassword makes it
	Publish      []string // topics or filters (+, #) the user may publish to; none means none
	Subscribe    []string // the same for subscribing
}

// Login is a name and password with the client ID to use them under.
type Login struct {
	User, Password, ClientID string

	hash string // of Password
}

// The names that no configured user may have.
const (
	daemonUser    = "nightwire"
	anonymousUser = "anonymous"
)

// passwordCost is low because NewPassword's random passwords cannot be guessed whatever the hash costs, while a small
// board checks one for every sensor that comes back after a power cut: at the usual cost that takes it a second each.
const passwordCost = 6

// HashPassword returns the bcrypt hash to keep in place of a password that NewPassword made.
func HashPassword(password string) (string, error) {
	h, err := bcrypt.GenerateFromPassword([]byte(password), passwordCost)
	if err != nil {
		return "", fmt.Errorf("hash password: %w", err)
	}
	return string(h), nil
}

// NewPassword returns a random password of 26 letters and digits, which is 130 bits.
func NewPassword() string { return strings.ToLower(rand.Text()) }

// newLogin makes the daemon's way in. The cheapest hash is enough for a random password, and quick on small boards.
func newLogin() (Login, error) {
	l := Login{User: daemonUser, Password: NewPassword()}
	h, err := bcrypt.GenerateFromPassword([]byte(l.Password), bcrypt.MinCost)
	if err != nil {
		return Login{}, fmt.Errorf("hash password: %w", err)
	}
	l.hash = string(h)
	return l, nil
}

// checkUsers reports every mistake at once.
func checkUsers(users []User) error {
	var errs []error
	seen := map[string]bool{daemonUser: true, anonymousUser: true}
	for _, u := range users {
		if u.Name == "" || seen[u.Name] {
			errs = append(errs, fmt.Errorf("broker user %q: the name is empty, reserved or used twice", u.Name))
		}
		seen[u.Name] = true
		if _, err := bcrypt.Cost([]byte(u.PasswordHash)); err != nil {
			errs = append(errs, fmt.Errorf("broker user %q: the password is not a bcrypt hash\nhint: make it with `nightwire sensor add`", u.Name))
		}
		for _, t := range append(u.Publish[:len(u.Publish):len(u.Publish)], u.Subscribe...) {
			if _, err := subjects(t); err != nil {
				errs = append(errs, fmt.Errorf("broker user %q: %w", u.Name, err))
			}
		}
	}
	return errors.Join(errs...)
}

// serverUsers returns the users as the server wants them. With no users, anyone may connect as the anonymous one.
func serverUsers(l Login, users []User) []*server.User {
	all := []*server.User{{Username: l.User, Password: l.hash}}
	if len(users) == 0 {
		return append(all, &server.User{Username: anonymousUser})
	}
	for _, u := range users {
		all = append(all, &server.User{
			Username: u.Name, Password: u.PasswordHash,
			Permissions: &server.Permissions{Publish: allow(u.Publish), Subscribe: allow(u.Subscribe)},
		})
	}
	return all
}

// allow permits the filters and nothing else. An empty permission would permit everything.
func allow(filters []string) *server.SubjectPermission {
	if len(filters) == 0 {
		return &server.SubjectPermission{Deny: []string{">"}}
	}
	p := &server.SubjectPermission{}
	for _, f := range filters {
		ss, _ := subjects(f) // checked by checkUsers
		p.Allow = append(p.Allow, ss...)
	}
	return p
}

// subjects returns the server's names for an MQTT topic or filter. A filter "a/#" covers "a" too, which takes a second
// name. The server writes levels apart with dots, an empty level as a slash, and a dot within a level as two slashes.
func subjects(filter string) ([]string, error) {
	levels := strings.Split(filter, "/")
	for i, l := range levels {
		switch {
		case l == "+":
			levels[i] = "*"
		case l == "#" && i == len(levels)-1:
			levels[i] = ">"
		case l == "":
			levels[i] = "/"
		case strings.ContainsAny(l, "+#*> \t\r\n\f\x00\x7f"):
			// * and > are plain letters to MQTT but wildcards to the server: they would open more than was meant.
			return nil, fmt.Errorf("topic %q: level %q has a character that cannot be used in a permission", filter, l)
		default:
			levels[i] = strings.ReplaceAll(l, ".", "//")
		}
	}
	if filter == "" || levels[0] == "$MQTT" || levels[0] == "$JS" || levels[0] == "$SYS" {
		return nil, fmt.Errorf("topic %q is empty or reserved", filter)
	}
	out := []string{strings.Join(levels, ".")}
	if n := len(levels); n > 1 && levels[n-1] == ">" {
		out = append(out, strings.Join(levels[:n-1], "."))
	}
	return out, nil
}
