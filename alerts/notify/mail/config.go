package mail

import (
	"cmp"
	"crypto/x509"
	"fmt"
	"net/mail"
	"os"
)

// Security is how the way to the server is kept private.
type Security string

// The ways. None is for a server on this machine; a password then goes only by methods that do not show it.
const (
	StartTLS Security = "starttls" // always; a server without it gets nothing
	TLS      Security = "tls"      // from the first byte
	None     Security = "none"
)

// Config says by which server mail is sent.
type Config struct {
	Host     string
	Port     int      // default 587 for starttls, 465 for tls, 25 for none
	Security Security // default starttls
	User     string   // empty: no login
	Password string
	From     string // the sender's address, as "fence@example.org" or "Fence <fence@example.org>"
	CAFile   string // certificates to trust besides the system's, for a server of one's own
}

// checked is a Config that can be used.
type checked struct {
	Config
	from  *mail.Address
	roots *x509.CertPool // nil for the system's
}

func (c Config) check() (checked, error) {
	c.Security = cmp.Or(c.Security, StartTLS)
	out := checked{Config: c}
	switch c.Security {
	case StartTLS:
		out.Port = cmp.Or(c.Port, 587)
	case TLS:
		out.Port = cmp.Or(c.Port, 465)
	case None:
		out.Port = cmp.Or(c.Port, 25)
	default:
		return out, fmt.Errorf("mail security %q is not known\nhint: use starttls, tls or none", c.Security)
	}
	if c.Host == "" {
		return out, fmt.Errorf("mail has no server\nhint: give its name as host")
	}
	var err error
	if out.from, err = mail.ParseAddress(c.From); err != nil {
		return out, fmt.Errorf("mail sender %q: %w\nhint: give an address such as fence@example.org", c.From, err)
	}
	if c.CAFile != "" {
		out.roots, err = readRoots(c.CAFile)
	}
	return out, err
}

func readRoots(path string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read mail certificates: %w", err)
	}
	roots, err := x509.SystemCertPool()
	if err != nil {
		roots = x509.NewCertPool()
	}
	if !roots.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("mail certificates in %s: there is none\nhint: the file must be in PEM form", path)
	}
	return roots, nil
}
