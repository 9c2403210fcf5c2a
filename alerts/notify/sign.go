package notify

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"nightwire/alerts"
)

// Signer makes and checks the links by which people acknowledge from a message. A link names the alarms, the person it
// was sent to, and when it ends; whoever has it may acknowledge those alarms in that person's name and do nothing else.
type Signer struct {
	key []byte
	now func() time.Time
}

const (
	keyBytes = 32 // of HMAC-SHA256's block, as RFC 2104 advises at least the hash's length
	maxToken = 8 << 10
)

// ErrLink is returned for a link that was not made here, or has ended.
var ErrLink = errors.New("the link is not, or no longer, good")

// OpenSigner reads the key file, or makes it, readable by its owner only, when there is none. A new key ends all links
// that were sent.
func OpenSigner(path string, now func() time.Time) (*Signer, error) {
	key, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		key, err = makeKey(path)
	}
	if err != nil {
		return nil, fmt.Errorf("open the key for links: %w", err)
	}
	if len(key) != keyBytes {
		return nil, fmt.Errorf("the key for links in %s has %d bytes, want %d\nhint: delete it; links that were sent will no longer work",
			path, len(key), keyBytes)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, fmt.Errorf("open the key for links: %w", err)
	}
	return &Signer{key: key, now: now}, nil
}

// makeKey writes a new key under another name first, so that a crash leaves a whole key or none.
func makeKey(path string) ([]byte, error) {
	key := make([]byte, keyBytes)
	rand.Read(key) // never fails (crypto/rand)
	f, err := os.CreateTemp(filepath.Dir(path), ".key-*")
	if err != nil {
		return nil, err
	}
	defer os.Remove(f.Name()) // fails after the rename, as it should
	_, err = f.Write(key)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return nil, err
	}
	return key, os.Rename(f.Name(), path)
}

// claim is what a token says.
type claim struct {
	Alarms  []string `json:"a"`
	Person  string   `json:"p"`
	Expires int64    `json:"e"` // Unix seconds
}

// Token returns a token for one link. It has only letters, digits, "-", "_" and one ".".
func (s *Signer) Token(alarms []string, person string, expires time.Time) string {
	payload := alerts.MustJSON(claim{Alarms: alarms, Person: person, Expires: expires.Unix()})
	enc := base64.RawURLEncoding
	return enc.EncodeToString(payload) + "." + enc.EncodeToString(s.mac(payload))
}

// Verify returns whom the token was sent to and for which alarms, or ErrLink.
func (s *Signer) Verify(token string) (alarms []string, person string, err error) {
	payload, mac, ok := strings.Cut(token, ".")
	enc := base64.RawURLEncoding.Strict()
	data, err1 := enc.DecodeString(payload)
	sum, err2 := enc.DecodeString(mac)
	if !ok || len(token) > maxToken || err1 != nil || err2 != nil || !hmac.Equal(sum, s.mac(data)) {
		return nil, "", ErrLink
	}
	var c claim
	if err := json.Unmarshal(data, &c); err != nil || len(c.Alarms) == 0 {
		return nil, "", ErrLink
	}
	if !s.now().Before(time.Unix(c.Expires, 0)) {
		return nil, "", fmt.Errorf("%w: it ended %s ago", ErrLink, s.now().Sub(time.Unix(c.Expires, 0)).Round(time.Minute))
	}
	return c.Alarms, c.Person, nil
}

// Check is Verify with its alarms as the one string that Desk.Act takes as the alarm of an acknowledgement.
func (s *Signer) Check(token string) (alarm, person string, err error) {
	alarms, person, err := s.Verify(token)
	return strings.Join(alarms, separator), person, err
}

// mac signs data for this use of the key alone.
func (s *Signer) mac(data []byte) []byte {
	h := hmac.New(sha256.New, s.key)
	h.Write([]byte("nightwire acknowledge 1\n"))
	h.Write(data)
	return h.Sum(nil)
}
