package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"
	"syscall"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/gorilla/websocket"
)

// where names the broker for a person.
func (c Config) where() string {
	if c.URL == "" {
		return "in this process"
	}
	return c.URL
}

// explain puts an error of connecting into a keeper's words. kind tells one reason from another; unlike the text, it
// holds no port numbers that change from try to try.
func explain(err error, c Config) (kind string, _ error) {
	if both, ok := err.(interface{ Unwrap() []error }); ok { // the library's "network Error" and the cause
		es := both.Unwrap()
		err = es[len(es)-1]
	}
	where := c.where()
	var (
		dns    *net.DNSError
		cert   *tls.CertificateVerificationError
		record tls.RecordHeaderError
	)
	closed := errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET)
	var hint string
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		kind, hint = "login", "the broker does not accept this user or password; check user and password_file"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		kind, hint = "client id", "the broker does not accept this client_id; choose another"
	case errors.Is(err, syscall.ECONNREFUSED):
		kind, hint = "refused", "no broker is listening there; is it running, and is the port right?"
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		kind, hint = "unreachable", "this machine has no way there; check the network"
	case errors.As(err, &dns):
		kind, hint = "name", "the broker's name cannot be looked up; check the spelling and the network, or use its IP address"
	case errors.As(err, &cert):
		kind, hint = "certificate", "the broker's certificate is not trusted; set ca_file to that of whoever signed it"
	case errors.As(err, &record):
		kind, hint = "no tls", "the broker does not speak TLS on this port; use mqtt instead of mqtts, or its TLS port"
	case errors.Is(err, websocket.ErrBadHandshake):
		kind, hint = "websocket", "the server there is no MQTT broker over WebSocket; check the port and the path"
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, fs.ErrPermission):
		kind, hint = "file", "make the file readable for the user that runs nightwire"
	case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, context.DeadlineExceeded), errors.Is(err, errNoAnswer):
		kind, hint = "timeout", "the broker does not answer; is the address right, and does a firewall stand between?"
	case closed && (strings.HasPrefix(c.URL, "mqtts:") || strings.HasPrefix(c.URL, "wss:")):
		kind, hint = "closed", "the broker closed the connection; its log says why. Does it speak TLS on this port?"
	case closed:
		kind, hint = "closed", "the broker closed the connection; its log says why. Does another program use the same client_id?"
	default:
		return err.Error(), fmt.Errorf("broker %s: %w", where, err)
	}
	return kind, fmt.Errorf("broker %s: %w\nhint: %s", where, err, hint)
}
