package mail

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
	"nightwire/sim/outside"
)

func message() alerts.Message {
	return alerts.Message{
		Key: "x|raised|Orla", Kind: alerts.TellRaised, Farm: "alder-bank", Person: "Orla", Priority: alerts.High,
		Route: farm.Route{Channel: "mail", Address: "orla@example.org"}, Created: time.Date(2026, 4, 21, 1, 10, 0, 0, time.UTC),
		Subject: "Brook is dead, between cartshed and its far end – since 02:10.", Body: "Brook is dead.\nFirst:\n1. Go.\n",
		Answers: true, Link: "https://farm.example/a/" + strings.Repeat("abcdefghij", 20),
	}
}

// realServer starts aiosmtpd and returns its port and the folder in which its mail arrives.
func realServer(t *testing.T, mode string, args ...string) (port int, inbox string) {
	t.Helper()
	box := filepath.Join(t.TempDir(), "box")
	cmd := exec.Command(outside.Python(t, "aiosmtpd"), append([]string{"testdata/server.py", box, mode}, args...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	if port, err = strconv.Atoi(strings.TrimSpace(line)); err != nil {
		t.Fatal(err)
	}
	return port, filepath.Join(box, "new")
}

// certificate writes a certificate for 127.0.0.1 and its key.
func certificate(t *testing.T) (cert, key string) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	kder, err := x509.MarshalECPrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for path, b := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "EC PRIVATE KEY", Bytes: kder}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

// arrived reads the only mail in the inbox.
func arrived(t *testing.T, inbox string) (*mail.Message, string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(inbox, "*"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%d mails arrived, %v; want one", len(files), err)
	}
	f, err := os.Open(files[0])
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := mail.ReadMessage(f)
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		t.Fatal(err)
	}
	return m, strings.ReplaceAll(string(body), "\r\n", "\n")
}

func TestRealServer(t *testing.T) {
	cert, key := certificate(t)
	for _, tt := range []struct {
		name, mode string
		args       []string
		cfg        Config
	}{
		{"in the clear, on this machine", "none", nil, Config{Security: None}},
		{"starttls", "starttls", []string{cert, key}, Config{Security: StartTLS, CAFile: cert}},
		{"starttls with login", "starttls", []string{cert, key, "fence", "pa ss"}, Config{CAFile: cert, User: "fence", Password: "pa ss"}},
		{"tls with login", "tls", []string{cert, key, "fence", "pa ss"}, Config{Security: TLS, CAFile: cert, User: "fence", Password: "pa ss"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			port, inbox := realServer(t, tt.mode, tt.args...)
			tt.cfg.Host, tt.cfg.Port, tt.cfg.From = "127.0.0.1", port, "fence@alder-bank.example"
			if retry, err := send(t, tt.cfg, message()); err != nil {
				t.Fatalf("%v (again: %t)", err, retry)
			}
			m, body := arrived(t, inbox)
			subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
			if err != nil {
				t.Fatal(err)
			}
			got := []string{subject, m.Header.Get("From"), m.Header.Get("To"), m.Header.Get("Date"), m.Header.Get("Auto-Submitted"), m.Header.Get("X-Priority"), m.Header.Get("User-Agent"), body}
			want := []string{message().Subject, `"Nightwire alder-bank" <fence@alder-bank.example>`, `"Orla" <orla@example.org>`, "Tue, 21 Apr 2026 01:10:00 +0000",
				"auto-generated", "1", "", new(message()).Text()}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func send(t *testing.T, cfg Config, m alerts.Message) (bool, error) {
	t.Helper()
	ch, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	return ch.Send(ctx, m)
}

func TestRealServerRefusals(t *testing.T) {
	cert, key := certificate(t)
	for _, tt := range []struct {
		name, mode string
		args       []string
		cfg        Config
		want       string
	}{
		{"a wrong password may be mended", "starttls", []string{cert, key, "fence", "right"}, Config{CAFile: cert, User: "fence", Password: "secret-wrong"}, "auth"},
		{"a stranger's certificate", "starttls", []string{cert, key}, Config{}, "certificate"},
		{"no starttls, no mail", "none", nil, Config{}, "STARTTLS"},
		{"no password in the clear", "none", []string{cert, key, "fence", "right"}, Config{Security: None, User: "fence", Password: "right"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			port, inbox := realServer(t, tt.mode, tt.args...)
			tt.cfg.Host, tt.cfg.Port, tt.cfg.From = "127.0.0.1", port, "fence@alder-bank.example"
			retry, err := send(t, tt.cfg, message())
			if err == nil || !retry || !strings.Contains(strings.ToLower(err.Error()), strings.ToLower(tt.want)) {
				t.Errorf("got %v, again %t; want an error about %q, to be tried again", err, retry, tt.want)
			}
			if err != nil && tt.cfg.Password != "" && strings.Contains(err.Error(), tt.cfg.Password) {
				t.Errorf("the password is in the error: %v", err)
			}
			if files, _ := filepath.Glob(filepath.Join(inbox, "*")); len(files) != 0 {
				t.Errorf("%d mails arrived", len(files))
			}
		})
	}
}

// script is an SMTP server that answers as told, for what a well server does not do. An answer "drop" closes the
// connection, and "hang" says nothing more.
type script map[string]string

func (s script) serve(t *testing.T) (port int, commands *[]string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	commands = &[]string{}
	wg.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			s.talk(conn, commands)
			conn.Close()
		}
	})
	t.Cleanup(func() { l.Close(); wg.Wait() })
	return l.Addr().(*net.TCPAddr).Port, commands
}

func (s script) talk(conn net.Conn, commands *[]string) {
	if s["greeting"] == "hang" {
		io.Copy(io.Discard, conn) // until the other side gives up
		return
	}
	say := func(key, usual string) bool {
		answer, ok := s[key]
		if !ok {
			answer = usual
		}
		if answer == "drop" {
			return false
		}
		fmt.Fprintf(conn, "%s\r\n", answer)
		return true
	}
	say("greeting", "220 here")
	in := bufio.NewScanner(conn)
	for in.Scan() {
		verb, _, _ := strings.Cut(in.Text(), " ")
		*commands = append(*commands, verb)
		switch {
		case verb == "DATA" && say("DATA", "354 go on"):
			for in.Scan() && in.Text() != "." {
			}
			if !say("end", "250 taken") {
				return
			}
		case verb == "DATA" || !say(verb, "250 fine"):
			return
		case verb == "QUIT":
			return
		}
	}
}

func TestServerSays(t *testing.T) {
	for _, tt := range []struct {
		name   string
		script script
		ok     bool
		retry  bool
	}{
		{"all is well", script{}, true, false},
		{"no such person", script{"RCPT": "550 no such person"}, false, false},
		{"try later, at the person", script{"RCPT": "450 greylisted"}, false, true},
		{"the text refused", script{"end": "554 looks like junk"}, false, false},
		{"disk full over there", script{"end": "452 no room"}, false, true},
		{"sender not wanted may be mended", script{"MAIL": "550 who are you"}, false, true},
		{"closed for now", script{"greeting": "421 busy"}, false, true},
		{"closed for good", script{"greeting": "554 go away"}, false, true},
		{"line cut before it was taken", script{"end": "drop"}, false, true},
		{"line cut after it was taken", script{"QUIT": "drop"}, true, false},
		{"nonsense after it was taken", script{"QUIT": "999 ?", "RSET": "500 what"}, true, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			port, _ := tt.script.serve(t)
			retry, err := send(t, Config{Host: "127.0.0.1", Port: port, Security: None, From: "f@example.org"}, message())
			if (err == nil) != tt.ok || retry != tt.retry {
				t.Errorf("got error %v, again %t; want taken %t, again %t", err, retry, tt.ok, tt.retry)
			}
		})
	}
}

func TestHangingServer(t *testing.T) {
	port, _ := script{"greeting": "hang"}.serve(t)
	ch, err := New(Config{Host: "127.0.0.1", Port: port, Security: None, From: "f@example.org"})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		ctx  func() (context.Context, context.CancelFunc)
	}{
		{"a deadline", func() (context.Context, context.CancelFunc) {
			return context.WithTimeout(t.Context(), 100*time.Millisecond)
		}},
		{"cut off", func() (context.Context, context.CancelFunc) {
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			time.AfterFunc(100*time.Millisecond, cancel)
			return ctx, cancel
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ctx, cancel := tt.ctx()
			defer cancel()
			began := time.Now()
			retry, err := ch.Send(ctx, message())
			if err == nil || !retry || time.Since(began) > 5*time.Second {
				t.Errorf("got %v, again %t, after %s; want an error soon, to be tried again", err, retry, time.Since(began))
			}
		})
	}
}

func TestNobodyThere(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	if retry, err := send(t, Config{Host: "127.0.0.1", Port: port, From: "f@example.org"}, message()); err == nil || !retry {
		t.Errorf("got %v, again %t", err, retry)
	}
}

// TestNothingGetsIntoTheHeaders puts line breaks wherever a text comes from a person or a payload.
func TestNothingGetsIntoTheHeaders(t *testing.T) {
	port, inbox := realServer(t, "none")
	m := message()
	m.Subject = "Brook\r\nBcc: thief@example.org\r\n\r\nis dead\x00\u2028"
	m.Farm, m.Person = "alder\nX-Evil: 1", "Orla\r\nX-Evil: 2"
	m.Body = "From the body\r\n.\r\nRCPT TO:<thief@example.org>\r\n"
	if _, err := send(t, Config{Host: "127.0.0.1", Port: port, Security: None, From: "f@example.org"}, m); err != nil {
		t.Fatal(err)
	}
	got, body := arrived(t, inbox)
	for _, h := range []string{"Bcc", "X-Evil"} {
		if v := got.Header.Get(h); v != "" {
			t.Errorf("header %s: %s got in", h, v)
		}
	}
	if s := got.Header.Get("Subject"); s != "Brook Bcc: thief@example.org is dead" {
		t.Errorf("subject %q", s)
	}
	if !strings.Contains(body, "RCPT TO:<thief@example.org>") {
		t.Errorf("the body was cut: %q", body)
	}
}

func TestMessageIDIsTheMessages(t *testing.T) {
	ch, err := New(Config{Host: "h", From: "f@example.org"})
	if err != nil {
		t.Fatal(err)
	}
	id := func(key string) string {
		m := message()
		m.Key, m.Link = key, key // the link differs from try to try
		l, err := ch.letter(m)
		if err != nil {
			t.Fatal(err)
		}
		return l.GetMessageID()
	}
	if id("a") != id("a") || id("a") == id("b") || !strings.HasSuffix(id("a"), "@example.org>") {
		t.Errorf("ids %s, %s, %s", id("a"), id("a"), id("b"))
	}
}

func TestBadAddressIsFinal(t *testing.T) {
	m := message()
	m.Route.Address = "orla@example.org\r\nRCPT TO:<x@y>"
	retry, err := send(t, Config{Host: "127.0.0.1", Port: 1, From: "f@example.org"}, m)
	if err == nil || retry || !strings.Contains(err.Error(), "\nhint: ") {
		t.Errorf("got %v, again %t; want it refused with a hint", err, retry)
	}
}

func TestConfigRefused(t *testing.T) {
	for _, tt := range []struct {
		name string
		cfg  Config
	}{
		{"no server", Config{From: "f@example.org"}},
		{"no sender", Config{Host: "h"}},
		{"a sender that is no address", Config{Host: "h", From: "fence"}},
		{"unknown security", Config{Host: "h", From: "f@example.org", Security: "ssl3"}},
		{"no certificate file", Config{Host: "h", From: "f@example.org", CAFile: "testdata/none.pem"}},
		{"a certificate file without one", Config{Host: "h", From: "f@example.org", CAFile: "testdata/server.py"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := New(tt.cfg); err == nil {
				t.Error("taken")
			}
		})
	}
}

func TestDefaultPorts(t *testing.T) {
	for security, want := range map[Security]int{"": 587, StartTLS: 587, TLS: 465, None: 25} {
		c, err := Config{Host: "h", From: "f@example.org", Security: security}.check()
		if err != nil || c.Port != want {
			t.Errorf("%q: port %d, %v; want %d", security, c.Port, err, want)
		}
	}
}

func FuzzOneLine(f *testing.F) {
	f.Add("Brook\r\nis dead")
	f.Add("\xff\u2028")
	f.Fuzz(func(t *testing.T, s string) {
		if got := oneLine(s); strings.ContainsAny(got, "\r\n\x00") || got != oneLine(got) {
			t.Errorf("%q became %q", s, got)
		}
	})
}
