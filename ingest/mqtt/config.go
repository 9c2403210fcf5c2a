package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Config says which broker to use and how to get in.
type Config struct {
	URL          string `yaml:"url"`           // mqtt, mqtts, ws or wss; tcp is taken for mqtt
	User         string `yaml:"user"`          // empty for a broker that asks for none
	PasswordFile string `yaml:"password_file"` // read at each connection; a final line break is cut off
	CAFile       string `yaml:"ca_file"`       // who signed the broker's certificate; empty for the system's list
	ClientID     string `yaml:"client_id"`     // names the session that the broker keeps; must be ours alone
}

// Check returns what is wrong with the configuration, without connecting.
func (c Config) Check() error {
	_, err := c.parse()
	return err
}

// parse returns the URL with its scheme and port spelled out.
func (c Config) parse() (*url.URL, error) {
	u, err := url.Parse(c.URL)
	if err != nil || u.Hostname() == "" {
		return nil, fmt.Errorf("broker url %q is not an address\nhint: write it like mqtt://192.168.1.10:1883", redact(c.URL))
	}
	if u.User != nil {
		return nil, fmt.Errorf("broker url %s holds a user name\nhint: use the keys user and password_file", u.Redacted())
	}
	port, ok := map[string]string{"mqtt": "1883", "tcp": "1883", "mqtts": "8883", "ws": "80", "wss": "443"}[u.Scheme]
	if !ok {
		return nil, fmt.Errorf("broker url %s starts with %q\nhint: it can start with mqtt, mqtts, ws or wss", c.URL, u.Scheme)
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

// redact cuts everything before an @ from a text that is no proper URL, lest it be a password.
func redact(s string) string {
	if i := strings.LastIndexByte(s, '@'); i >= 0 {
		return "…" + s[i:]
	}
	return s
}

// secure reports whether the scheme goes over TLS.
func secure(scheme string) bool { return scheme == "mqtts" || scheme == "wss" }

// password returns the content of the password file.
func (c Config) password() (string, error) {
	if c.PasswordFile == "" {
		return "", nil
	}
	b, err := os.ReadFile(c.PasswordFile)
	if err != nil {
		return "", fmt.Errorf("broker password: %w\nhint: password_file names a file that holds nothing but the password", err)
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

// tlsConfig trusts the CA file, or the system's list when there is none.
func (c Config) tlsConfig(host string) (*tls.Config, error) {
	t := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if c.CAFile == "" {
		return t, nil
	}
	pem, err := os.ReadFile(c.CAFile)
	if err != nil {
		return nil, fmt.Errorf("broker ca_file: %w", err)
	}
	t.RootCAs = x509.NewCertPool()
	if !t.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("broker ca_file %s holds no certificate\nhint: it must be in PEM form", c.CAFile)
	}
	return t, nil
}

// dial opens the network connection, without any MQTT yet.
func (c Config) dial(ctx context.Context) (net.Conn, error) {
	u, err := c.parse()
	if err != nil {
		return nil, err
	}
	var t *tls.Config
	if secure(u.Scheme) {
		if t, err = c.tlsConfig(u.Hostname()); err != nil {
			return nil, err
		}
	}
	switch u.Scheme {
	case "ws", "wss":
		left := connectTimeout
		if end, ok := ctx.Deadline(); ok {
			left = time.Until(end)
		}
		return paho.NewWebsocket(u.String(), t, left, nil, nil)
	case "mqtts":
		return (&tls.Dialer{Config: t}).DialContext(ctx, "tcp", u.Host)
	}
	return (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
}

// ErrNotConnected is returned by Publish while there is no connection.
var ErrNotConnected = errors.New("not connected to the broker")
