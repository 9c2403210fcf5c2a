// Package outside finds, for tests, the real programs that they hold this one against.
//
// A test without its peer is skipped by name, so that Go alone is enough for `go test ./...`. Where NIGHTWIRE_PEERS is
// "required", as in the checks before a merge, it fails instead.
package outside

import (
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Program returns the path of a program, also of one that only root has in its path.
func Program(tb testing.TB, name string) string {
	tb.Helper()
	for _, dir := range []string{"", "/usr/sbin", "/usr/local/sbin"} {
		if path, err := exec.LookPath(filepath.Join(dir, name)); err == nil {
			return path
		}
	}
	Missing(tb, name)
	return ""
}

// Python returns an interpreter that has a module. The first one found may be one without the system's packages.
func Python(tb testing.TB, module string) string {
	tb.Helper()
	for _, path := range []string{"python3", "/usr/bin/python3"} {
		if exec.CommandContext(tb.Context(), path, "-c", "import "+module).Run() == nil {
			return path
		}
	}
	Missing(tb, module)
	return ""
}

// Missing ends a test for want of a peer.
func Missing(tb testing.TB, what string) {
	tb.Helper()
	if os.Getenv("NIGHTWIRE_PEERS") == "required" {
		tb.Fatalf("%s is not installed, and peers are required", what)
		return
	}
	tb.Skipf("skipped: %s not installed", what)
}

// Ports from firstPort to lastPort are below those that systems give to whoever asks for any (32768 and up on Linux,
// 49152 and up by RFC 6335): no connection takes one of them while the server it is meant for is down.
const firstPort, lastPort = 20_000, 32_000

// Address returns an address of this machine that nothing listens on now. Until the test ends no other test is given
// it: its port for datagrams, which nobody uses, is held meanwhile.
func Address(tb testing.TB) string {
	tb.Helper()
	for range 1000 {
		at := fmt.Sprintf("127.0.0.1:%d", firstPort+rand.IntN(lastPort-firstPort))
		held, err := net.ListenPacket("udp", at)
		if err != nil {
			continue // another test has it
		}
		if ln, err := net.Listen("tcp", at); err == nil {
			ln.Close()
			tb.Cleanup(func() { held.Close() })
			return at
		}
		held.Close()
	}
	tb.Fatalf("no free port from %d to %d", firstPort, lastPort)
	return ""
}
