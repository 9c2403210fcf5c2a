package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const word = "correct-horse-battery"

func TestSecretNeverShows(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "pw"), word+"\n")
	s := Secret{file: "pw", dir: dir}
	if err := s.load(""); err != nil {
		t.Fatal(err)
	}
	if s.Reveal() != word {
		t.Fatalf("read %q, want %q", s.Reveal(), word)
	}
	holder := struct{ S Secret }{s}
	var log bytes.Buffer
	slog.New(slog.NewJSONHandler(&log, nil)).Info("started", "secret", s, "holder", holder)
	asJSON, err := json.Marshal(holder)
	if err != nil {
		t.Fatal(err)
	}
	for name, shown := range map[string]string{
		"%v": fmt.Sprintf("%v", s), "%+v": fmt.Sprintf("%+v", holder), "%#v": fmt.Sprintf("%#v", holder),
		"%s": fmt.Sprintf("%s", holder), "%q": fmt.Sprintf("%q", s), "%x": fmt.Sprintf("%x", s), "%d": fmt.Sprintf("%d", s),
		"error": fmt.Errorf("login with %v: %w", s, os.ErrPermission).Error(), "json": string(asJSON), "log": log.String(),
	} {
		if strings.Contains(shown, word) || strings.Contains(shown, fmt.Sprintf("%x", word)) || !strings.Contains(shown, "***") {
			t.Errorf("%s shows %s", name, shown)
		}
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

const farmWithSecrets = `farm: a
energizers: [{name: shed, open_kv: 8}]
zones: [{name: paddock, fed_by: shed, length_m: 100, ohms_per_km: 3700, stock: pigs}]
broker: {url: "mqtt://broker", user: u, password_file: broker-pw}
page: {password_file: page-pw}
`

func TestReadSecrets(t *testing.T) {
	dir, credentials := t.TempDir(), t.TempDir()
	farmFile := filepath.Join(dir, "farm.yaml")
	write(t, farmFile, farmWithSecrets)
	write(t, filepath.Join(dir, "broker-pw"), "beside the farm file\r\n")
	write(t, filepath.Join(credentials, "page-pw"), "handed over\n")
	t.Setenv("CREDENTIALS_DIRECTORY", credentials)
	c, err := Load(farmFile)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.ReadSecrets(); err != nil {
		t.Fatal(err)
	}
	if got := c.Broker.Password.Reveal(); got != "beside the farm file" {
		t.Errorf("broker password: %q", got)
	}
	if got := c.Page.Password.Reveal(); got != "handed over" {
		t.Errorf("page password: %q", got)
	}
}

// TestReadSecretsTellsAll checks that every secret that cannot be read is told, with its line, and none is shown.
func TestReadSecretsTellsAll(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	farmFile := filepath.Join(dir, "farm.yaml")
	write(t, farmFile, farmWithSecrets)
	write(t, filepath.Join(dir, "page-pw"), "first "+word+"\nsecond\n")
	c, err := Load(farmFile)
	if err != nil {
		t.Fatal(err)
	}
	err = c.ReadSecrets()
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{"farm.yaml:4:56: secret not read: open ", "broker-pw: no such file", "farm.yaml:5:23: secret not read: ", "it is not a single line"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no %q in:\n%v", want, err)
		}
	}
	if strings.Contains(err.Error(), word) {
		t.Errorf("the error shows a secret:\n%v", err)
	}
}

func TestSecretFilesRefused(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"empty": "", "blank lines": "\n\n", "long": strings.Repeat("x", maxSecretBytes+1), "binary": "a\x00b"} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(dir, name)
			write(t, path, text)
			s := Secret{file: path}
			if err := s.load(""); err == nil || s.Reveal() != "" {
				t.Errorf("got %v and a secret of %d bytes, want an error", err, len(s.Reveal()))
			}
		})
	}
}

func TestPageSecure(t *testing.T) {
	for _, tt := range []struct {
		name string
		page Page
		want bool
	}{
		{"plain", Page{URL: "http://fence.example.org"}, false},
		{"no address", Page{}, false},
		{"behind a proxy", Page{URL: "https://fence.example.org"}, true},
		{"its own certificate", Page{CertFile: "c.pem"}, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.page.Secure(); got != tt.want {
				t.Errorf("secure is %t", got)
			}
		})
	}
}
