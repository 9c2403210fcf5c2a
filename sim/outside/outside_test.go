package outside

import (
	"net"
	"os"
	"path/filepath"
	"testing"
)

// verdict is a test that notes how it ended.
type verdict struct {
	testing.TB
	skipped, failed bool
}

func (v *verdict) Helper()               {}
func (v *verdict) Skipf(string, ...any)  { v.skipped = true }
func (v *verdict) Fatalf(string, ...any) { v.failed = true }

func TestProgram(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "fence")
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir)
	if got := Program(t, "fence"); got != path {
		t.Errorf("got %q, want %q", got, path)
	}
	for setting, want := range map[string]verdict{"": {skipped: true}, "required": {failed: true}} {
		t.Setenv("NIGHTWIRE_PEERS", setting)
		v := &verdict{TB: t}
		if got := Program(v, "no-such-program"); got != "" || v.skipped != want.skipped || v.failed != want.failed {
			t.Errorf("NIGHTWIRE_PEERS=%s: got %q, skipped %t, failed %t", setting, got, v.skipped, v.failed)
		}
		v = &verdict{TB: t}
		if got := Python(v, "no_such_module"); got != "" || v.skipped != want.skipped || v.failed != want.failed {
			t.Errorf("NIGHTWIRE_PEERS=%s: got %q, skipped %t, failed %t", setting, got, v.skipped, v.failed)
		}
	}
}

func TestAddress(t *testing.T) {
	seen := map[string]bool{}
	for range 300 {
		at := Address(t)
		ln, err := net.Listen("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		ln.Close()
		if port := ln.Addr().(*net.TCPAddr).Port; port < firstPort || port >= lastPort || seen[at] {
			t.Errorf("%s: given before, or one that a connection may take", at)
		}
		seen[at] = true
	}
}
