package app

import (
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/cmd/nightwire/internal/control"
)

// TestWhatIsReadIsGoneBy reads the farm file once, be it to refuse it or to go by it.
func TestWhatIsReadIsGoneBy(t *testing.T) {
	before := parse(t, smallFarm+"broker: {listen: \"127.0.0.1:0\"}\npage: {listen: \"127.0.0.1:0\"}\n")
	after := parse(t, relaidFarm)
	var read atomic.Int32
	data := t.TempDir()
	live, stop := startLiveWith(t, before, data, &handClock{at: time.Date(2026, 5, 5, 8, 0, 0, 0, time.UTC)}, func(o *Options) {
		o.Load = func() (*config.Config, error) {
			if read.Add(1) == 1 {
				return nil, errors.New("it is broken\nhint: mend it")
			}
			return after, nil
		}
	})
	wait(t, live.addresses)
	if _, err := control.ReadAgain(t.Context(), data); err == nil || err.Error() != "it is broken\nhint: mend it" {
		t.Errorf("a broken file is refused with %v", err)
	}
	laid, err := control.ReadAgain(t.Context(), data)
	if err != nil || !sameLayout(laid.Layout, after.Farm.Layout()) {
		t.Errorf("it goes by %+v, %v", laid.Layout, err)
	}
	wait(t, live.addresses)
	if n := read.Load(); n != 2 {
		t.Errorf("the file was read %d times, want once each time", n)
	}
	stop()
}

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
