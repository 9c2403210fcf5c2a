package app

import (
	"os"
	"path/filepath"
	"testing"
)

// TestFarmFileIsWrittenInPlace keeps its rights and the link that leads to it, and leaves nothing beside it.
func TestFarmFileIsWrittenInPlace(t *testing.T) {
	dir := t.TempDir()
	real, link := filepath.Join(dir, "real.yaml"), filepath.Join(dir, "farm.yaml")
	old, next := []byte("farm: a-long-name\n"), []byte("farm: short\n")
	if err := os.WriteFile(real, old, 0o640); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("real.yaml", link); err != nil {
		t.Fatal(err)
	}
	holds := func(want []byte) {
		t.Helper()
		if got, err := os.ReadFile(real); err != nil || string(got) != string(want) {
			t.Errorf("it holds %q, %v; want %q", got, err, want)
		}
	}
	if err := writeFarmFile(link, old, next); err != nil {
		t.Fatal(err)
	}
	holds(next)
	if info, err := os.Stat(real); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("its rights are %v, %v; want 0640", info.Mode(), err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is %v, %v", info, err)
	}
	if _, err := os.Stat(link + ".new"); !os.IsNotExist(err) {
		t.Errorf("something is left beside it: %v", err)
	}
	if err := os.Mkdir(link+".new", 0o755); err != nil { // nothing can be written beside it
		t.Fatal(err)
	}
	if err := writeFarmFile(link, next, old); err == nil {
		t.Error("written all the same")
	}
	holds(next)
	if err := os.WriteFile(real, old[:4], 0o640); err != nil { // a write that ended in the middle
		t.Fatal(err)
	}
	if err := putBack(link, next); err != nil {
		t.Fatal(err)
	}
	holds(next)
}
