package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"net/http"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

const (
	sessionCookie = "nightwire"
	sessionLife   = 60 * 24 * time.Hour // a phone on the wall of the barn should not ask every week
	sessionRenew  = sessionLife / 2     // a session used after this is given a new one
	maxNameRunes  = 40
)

// session is what the cookie holds. It is signed, not stored, so that a restart logs nobody out.
type session struct {
	id      [16]byte
	made    time.Time
	trusted bool   // the password was given
	name    string // who is using it; may be empty
}

// keyring signs sessions and form tokens. Its key is mixed with the password, so that changing the password ends every
// session.
type keyring struct{ key []byte }

func newKeyring(key, password []byte) keyring {
	return keyring{key: mac(key, "password", password)}
}

func mac(key []byte, use string, data []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(use))
	h.Write([]byte{0})
	h.Write(data)
	return h.Sum(nil)
}

var base64url = base64.RawURLEncoding

// seal writes a session as a cookie's value.
func (k keyring) seal(s session) string {
	b := append([]byte(nil), s.id[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(s.made.Unix()))
	trusted := byte(0)
	if s.trusted {
		trusted = 1
	}
	b = append(append(b, trusted), s.name...)
	return base64url.EncodeToString(b) + "." + base64url.EncodeToString(mac(k.key, "session", b))
}

// unseal reads a cookie's value; ok is false for anything we did not seal.
func (k keyring) unseal(v string) (s session, ok bool) {
	body, sum, found := strings.Cut(v, ".")
	if !found {
		return s, false
	}
	b, err1 := base64url.DecodeString(body)
	m, err2 := base64url.DecodeString(sum)
	if err1 != nil || err2 != nil || len(b) < 25 || !hmac.Equal(m, mac(k.key, "session", b)) {
		return s, false
	}
	copy(s.id[:], b)
	s.made = time.Unix(int64(binary.BigEndian.Uint64(b[16:])), 0)
	s.trusted = b[24] == 1
	s.name = string(b[25:])
	return s, true
}

// token returns the hidden field that every form of this session carries.
func (k keyring) token(s session) string {
	return base64url.EncodeToString(mac(k.key, "form", s.id[:]))
}

// session returns the request's session. Without a password everybody at this machine is trusted.
func (s *Server) session(r *http.Request) (session, bool) {
	c, err := r.Cookie(s.cookieName(r))
	if err != nil {
		return session{}, false
	}
	ses, ok := s.keys.unseal(c.Value)
	now := s.opts.Wall()
	if !ok || now.Sub(ses.made) > sessionLife || s.door.ended(ses.id) {
		return session{}, false
	}
	return ses, true
}

// begin gives the browser a new session with a fresh id, so that an id planted before a login is worth nothing after.
func (s *Server) begin(w http.ResponseWriter, r *http.Request, trusted bool, name string) session {
	ses := session{made: s.opts.Wall(), trusted: trusted, name: name}
	rand.Read(ses.id[:]) // never fails (crypto/rand)
	s.setCookie(w, r, ses)
	return ses
}

func (s *Server) setCookie(w http.ResponseWriter, r *http.Request, ses session) {
	http.SetCookie(w, &http.Cookie{
		Name: s.cookieName(r), Value: s.keys.seal(ses), Path: "/",
		MaxAge: int(sessionLife / time.Second), HttpOnly: true, Secure: s.secure(r), SameSite: http.SameSiteLaxMode,
	})
}

func (s *Server) secure(r *http.Request) bool { return r.TLS != nil || s.opts.SecureCookies }

// cookieName returns the cookie's name; over TLS the prefix makes browsers refuse one set by a neighbouring host.
func (s *Server) cookieName(r *http.Request) string {
	if s.secure(r) {
		return "__Host-" + sessionCookie
	}
	return sessionCookie
}

// cleanName makes a person's name fit to keep: one line, no control characters, not too long.
func cleanName(name string) string {
	name = strings.Join(strings.FieldsFunc(strings.ToValidUTF8(name, ""), func(c rune) bool {
		return unicode.IsSpace(c) || unicode.IsControl(c)
	}), " ")
	if utf8.RuneCountInString(name) > maxNameRunes {
		name = string([]rune(name)[:maxNameRunes])
	}
	return name
}
