// Package mail sends messages by SMTP.
package mail

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"strconv"
	"strings"
	"time"
	"unicode"

	gomail "github.com/wneessen/go-mail"

	"nightwire/alerts"
)

// Mail sends by one server, with a connection for each message: alarms are rare, and an idle connection is one more
// thing to go stale.
type Mail struct{ cfg checked }

// New checks the config. It connects to nothing.
func New(cfg Config) (*Mail, error) {
	c, err := cfg.check()
	if err != nil {
		return nil, err
	}
	return &Mail{cfg: c}, nil
}

// Send hands m to the server. The server's word on the address or the text is final when it says so (5xx); everything
// else, a refused login too, may be mended while the message waits, and is tried again.
func (c *Mail) Send(ctx context.Context, m alerts.Message) (retry bool, err error) {
	msg, err := c.letter(m)
	if err != nil {
		return false, err
	}
	client, stop, err := c.client(ctx)
	if err != nil {
		return true, fmt.Errorf("mail: %w", err)
	}
	defer stop()
	err = client.DialAndSendWithContext(ctx, msg)
	if err == nil || msg.IsDelivered() { // a farewell that went wrong after the server took it is no failure
		return false, nil
	}
	return !final(err), fmt.Errorf("mail by %s: %w", net.JoinHostPort(c.cfg.Host, strconv.Itoa(c.cfg.Port)), err)
}

// final reports whether the server refused this recipient or this text for good.
func final(err error) bool {
	var se *gomail.SendError
	if !errors.As(err, &se) || se.ErrorCode() < 500 {
		return false
	}
	switch se.Reason {
	case gomail.ErrSMTPRcptTo, gomail.ErrSMTPData, gomail.ErrSMTPDataClose:
		return true
	}
	return false
}

// letter writes the mail. Its Message-ID is made of the message's key, so that one sent twice can be recognised.
func (c *Mail) letter(m alerts.Message) (*gomail.Msg, error) {
	to, err := mail.ParseAddress(m.Route.Address)
	if err != nil {
		return nil, fmt.Errorf("mail address %q of %s: %w\nhint: correct it in the farm file", m.Route.Address, m.Person, err)
	}
	name := c.cfg.from.Name
	if name == "" {
		name = "Nightwire " + m.Farm
	}
	msg := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := errors.Join(msg.FromFormat(oneLine(name), c.cfg.from.Address), msg.AddToFormat(oneLine(m.Person), to.Address)); err != nil {
		return nil, fmt.Errorf("mail to %s: %w", m.Person, err)
	}
	_, domain, _ := strings.Cut(c.cfg.from.Address, "@")
	sum := sha256.Sum256([]byte(m.Key))
	msg.SetMessageIDWithValue(hex.EncodeToString(sum[:16]) + "@" + domain)
	msg.SetDateWithValue(m.Created)
	msg.Subject(oneLine(m.Subject))
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no out-of-office answers, please
	if m.Loud() {
		msg.SetImportance(gomail.ImportanceHigh)
	}
	msg.SetBodyString(gomail.TypeTextPlain, m.Text())
	if p := m.Picture; p != nil {
		if err := msg.AttachReader(oneLine(p.Name), bytes.NewReader(p.Data), gomail.WithFileContentType(gomail.ContentType(p.Type))); err != nil {
			return nil, fmt.Errorf("mail to %s: attach %s: %w", m.Person, p.Name, err)
		}
	}
	return msg, nil
}

// oneLine makes s fit for a header: no line breaks or other controls, whatever a farm file or a payload held.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(strings.ToValidUTF8(s, "?"), func(r rune) bool {
		return unicode.IsControl(r) || r == ' ' || r == '\u2028' || r == '\u2029'
	}), " ")
}

// client returns a client whose connection is closed when ctx ends, and what to call when it is no longer needed.
func (c *Mail) client(ctx context.Context) (client *gomail.Client, stop func(), err error) {
	timeout := 30 * time.Second
	if d, ok := ctx.Deadline(); ok {
		timeout = max(time.Until(d), time.Millisecond)
	}
	tlsConfig := &tls.Config{ServerName: c.cfg.Host, RootCAs: c.cfg.roots, MinVersion: tls.VersionTLS12}
	var release []func() bool
	stop = func() {
		for _, f := range release {
			f()
		}
	}
	dial := func(dialCtx context.Context, network, address string) (net.Conn, error) {
		conn, err := (&net.Dialer{}).DialContext(dialCtx, network, address)
		if err != nil {
			return nil, err
		}
		release = append(release, context.AfterFunc(ctx, func() { conn.Close() }))
		if c.cfg.Security != TLS {
			return conn, nil
		}
		secure := tls.Client(conn, tlsConfig)
		if err := secure.HandshakeContext(dialCtx); err != nil {
			conn.Close()
			return nil, err
		}
		return secure, nil
	}
	opts := []gomail.Option{gomail.WithPort(c.cfg.Port), gomail.WithTimeout(timeout), gomail.WithTLSConfig(tlsConfig),
		gomail.WithDialContextFunc(dial), gomail.WithoutNoop()}
	switch c.cfg.Security {
	case StartTLS:
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory))
	case TLS:
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSOpportunistic)) // our connection is TLS already, and is seen to be
	case None:
		opts = append(opts, gomail.WithTLSPolicy(gomail.NoTLS))
	}
	if c.cfg.User != "" {
		opts = append(opts, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(c.cfg.User), gomail.WithPassword(c.cfg.Password))
	}
	client, err = gomail.NewClient(c.cfg.Host, opts...)
	return client, stop, err
}
