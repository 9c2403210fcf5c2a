package config

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
)

// Secret is a password or token that stands in a file of its own. However it is printed, it shows only ***.
type Secret struct {
	file string // as written in the farm file; empty when not given
	dir  string // where a relative name starts
	text string
	read bool
	at   *node // where the farm file names it
}

// maxSecretBytes is far more than any password or token has.
const maxSecretBytes = 64 << 10

// UnmarshalText takes the name of the secret's file.
func (s *Secret) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		return hinted{"is an empty file name", "name the file that holds the secret"}
	}
	s.file = string(b)
	return nil
}

// Given reports whether the farm file names a file for the secret.
func (s Secret) Given() bool { return s.file != "" }

// Reveal returns the secret itself, empty when none is given. ReadSecrets must have succeeded before.
func (s Secret) Reveal() string { return s.text }

// String returns *** and never the secret.
func (s Secret) String() string { return "***" }

// GoString returns *** and never the secret.
func (s Secret) GoString() string { return "***" }

// Format writes *** for every verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, "***") }

// LogValue keeps the secret out of logs.
func (s Secret) LogValue() slog.Value { return slog.StringValue("***") }

// MarshalText keeps the secret out of JSON and YAML.
func (s Secret) MarshalText() ([]byte, error) { return []byte("***"), nil }

// load reads the secret's file. A name without a slash is looked for among the credentials that the service manager
// hands over ($CREDENTIALS_DIRECTORY) before it is taken as a file beside the farm file.
func (s *Secret) load(credentials string) error {
	path := s.file
	if !filepath.IsAbs(path) {
		path = filepath.Join(s.dir, path)
	}
	if credentials != "" && filepath.Base(s.file) == s.file {
		if handed := filepath.Join(credentials, s.file); exists(handed) {
			path = handed
		}
	}
	f, err := os.Open(path)
	if err != nil {
		return err // the path is in it already
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxSecretBytes+1))
	if err != nil {
		return err
	}
	s.text = strings.TrimRight(string(b), "\r\n")
	switch {
	case s.text == "":
		return fmt.Errorf("%s is empty", path)
	case len(b) > maxSecretBytes || strings.ContainsAny(s.text, "\n\x00"):
		s.text = ""
		return fmt.Errorf("%s does not look like a secret: it is not a single line", path)
	}
	s.read = true
	return nil
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// ReadSecrets reads the files of all secrets. What cannot be read is told as Mistakes, with the lines of the farm file.
// Commands that send nothing need not call it.
func (c *Config) ReadSecrets() error { return c.readSecrets(c.secrets()) }

// ReadBrokerSecret reads the broker's password alone, for a command that only listens.
func (c *Config) ReadBrokerSecret() error { return c.readSecrets([]*Secret{&c.Broker.Password}) }

func (c *Config) readSecrets(secrets []*Secret) error {
	var out Mistakes
	for _, s := range secrets {
		if !s.Given() || s.read {
			continue
		}
		if err := s.load(os.Getenv("CREDENTIALS_DIRECTORY")); err != nil {
			hint := "put the secret in that file, readable only by the user that runs nightwire"
			if errors.Is(err, os.ErrPermission) {
				hint = "let the user that runs nightwire read it, and nobody else"
			}
			c.reader.mistakes = nil
			c.reader.note(s.at, "secret not read: "+err.Error(), hint)
			out = append(out, c.reader.mistakes...)
		}
	}
	if len(out) == 0 {
		return nil
	}
	out.sort()
	return out
}

// Revealed returns every secret that has been read, to look for where none may stand.
func (c *Config) Revealed() []string {
	var out []string
	for _, s := range c.secrets() {
		if s.read {
			out = append(out, s.text)
		}
	}
	return out
}

// secrets returns all secrets there may be.
func (c *Config) secrets() []*Secret {
	all := []*Secret{&c.Broker.Password, &c.Page.Password, &c.Page.MetricsToken}
	if m := c.Channels.Mail; m != nil {
		all = append(all, &m.Password)
	}
	if p := c.Channels.Push; p != nil {
		all = append(all, &p.Token)
	}
	if w := c.Channels.Webhook; w != nil {
		all = append(all, &w.Secret)
	}
	if h := c.Heartbeat; h != nil {
		all = append(all, &h.URL)
	}
	if i := c.Mirror.Influx; i != nil {
		all = append(all, &i.Token)
	}
	return all
}

func (c *Config) setSecretDir(dir string) {
	for _, s := range c.secrets() {
		s.dir = dir
	}
}
