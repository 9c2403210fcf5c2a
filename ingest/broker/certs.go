package broker

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// certificates serves a certificate from files and reads them again when they change, so that a renewal needs no
// restart.
type certificates struct {
	certFile, keyFile string
	log               *slog.Logger

	mu      sync.Mutex
	cert    *tls.Certificate
	version [2]fileVersion
}

// fileVersion tells one state of a file from another.
type fileVersion struct {
	modified time.Time
	size     int64
}

func newCertificates(certFile, keyFile string, log *slog.Logger) (*certificates, error) {
	c := &certificates{certFile: certFile, keyFile: keyFile, log: log}
	v, err := c.stat()
	if err != nil {
		return nil, fmt.Errorf("broker certificate: %w\nhint: TLS needs a certificate file and a key file", err)
	}
	if err := c.load(v); err != nil {
		return nil, err
	}
	return c, nil
}

// get is called for each handshake. A renewal that cannot be read keeps the old certificate in use.
func (c *certificates) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	v, err := c.stat()
	if err == nil && v != c.version {
		err = c.load(v)
	}
	if err != nil {
		c.log.Warn("certificate not renewed", "err", err)
	}
	return c.cert, nil
}

// leaf returns the certificate in use, as it goes over the wire.
func (c *certificates) leaf() []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.cert.Certificate[0]
}

func (c *certificates) load(v [2]fileVersion) error {
	// The version counts as seen even when loading fails: half-written files change again when they are whole.
	c.version = v
	cert, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return fmt.Errorf("broker certificate %s: %w", c.certFile, err)
	}
	c.cert = &cert
	return nil
}

func (c *certificates) stat() (v [2]fileVersion, err error) {
	for i, path := range []string{c.certFile, c.keyFile} {
		st, err := os.Stat(path)
		if err != nil {
			return v, err
		}
		v[i] = fileVersion{st.ModTime(), st.Size()}
	}
	return v, nil
}
