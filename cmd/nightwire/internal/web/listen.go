package web

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
)

// CheckListen refuses to serve the page to other machines while it has no password. addr is what the listener will get,
// such as "127.0.0.1:8080" or ":8080".
func CheckListen(addr string, passwordSet bool) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("read listen address %q: %w\nhint: write it as 127.0.0.1:8080", addr, err)
	}
	if passwordSet || isLoopback(host) {
		return nil
	}
	return fmt.Errorf("the page on %q would be open to the whole network without a password\n"+
		"hint: set a password file for the page, or listen on 127.0.0.1", addr)
}

// isLoopback reports whether host, a name or an address without a port, means this machine only. Names other than
// localhost and those under it (RFC 6761, 6.3) are not looked up: what they mean can change.
func isLoopback(host string) bool {
	if name := strings.ToLower(host); name == "localhost" || strings.HasSuffix(name, ".localhost") {
		return true
	}
	a, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err == nil && a.Unmap().IsLoopback()
}

// hostOnly cuts the port off a Host header.
func hostOnly(hostport string) string {
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		return h
	}
	return hostport
}
