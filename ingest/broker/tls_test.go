package broker

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// writeCert writes a certificate for 127.0.0.1 that signs itself, and its key.
func writeCert(tb testing.TB, certFile, keyFile string, serial int64) {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(serial), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		tb.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		tb.Fatal(err)
	}
	for path, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			tb.Fatal(err)
		}
	}
}

func TestCertificateIsReadAgainWhenRenewed(t *testing.T) {
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	writeCert(t, certFile, keyFile, 1)
	b := startBroker(t, Options{CertFile: certFile, KeyFile: keyFile})
	serial := func() int64 {
		t.Helper()
		conn, err := tls.Dial("tcp", b.Addr().String(), &tls.Config{InsecureSkipVerify: true})
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		return conn.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
	}
	if got := serial(); got != 1 {
		t.Errorf("serial %d, want 1", got)
	}

	if err := os.WriteFile(certFile, []byte("half a fi"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := serial(); got != 1 {
		t.Errorf("serial %d while the file is broken, want the old one", got)
	}

	writeCert(t, certFile, keyFile, 2)
	if got := serial(); got != 2 {
		t.Errorf("serial %d after renewal, want 2", got)
	}

	t.Run("the daemon's own connection", func(t *testing.T) {
		mustDial(t, b.Addr(), b.Login().User, b.Login().Password, func(o *paho.ClientOptions) {
			o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return b.Dial(t.Context()) })
		})
	})
	t.Run("another program on the port", func(t *testing.T) {
		other := filepath.Join(dir, "other.pem")
		otherKey := filepath.Join(dir, "other.key")
		writeCert(t, other, otherKey, 3)
		imposter := startBroker(t, Options{CertFile: other, KeyFile: otherKey})
		b.mu.Lock()
		own := b.addr
		b.addr = imposter.addr
		b.mu.Unlock()
		if _, err := b.Dial(t.Context()); err == nil {
			t.Error("Dial trusted another certificate")
		}
		b.mu.Lock()
		b.addr = own
		b.mu.Unlock()
	})
	t.Run("without TLS", func(t *testing.T) {
		if _, err := dial(t, b.Addr(), "", ""); err == nil {
			t.Error("a connection without TLS was taken")
		}
	})
}
