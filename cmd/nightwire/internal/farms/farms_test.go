package farms

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// farmText is a whole farm file.
func farmText(name string) string {
	return fmt.Sprintf("farm: %s\nenergizers: [{name: shed, open_kv: 8}]\nzones:\n  - {name: brook, fed_by: shed, length_m: 100, ohms_per_km: 400, stock: pigs, sensor: {topic: %s/brook}}\n", name, name)
}

// fold is a keeper with its folder, in which watches do nothing but be counted.
type fold struct {
	t     *testing.T
	dir   string
	again chan os.Signal

	mu      sync.Mutex
	begun   map[string]int
	open    map[string]int
	reread  map[string]int
	behave  func(name string) error // what a watch does at its start
	judge   func(name string) error // how a watch judges itself
	keeper  *Keeper
	hold    chan struct{} // for behave to wait on; made by run
	mine    func(string) bool
	shifted chan struct{}
}

func newFold(t *testing.T) *fold {
	return &fold{t: t, dir: t.TempDir(), begun: map[string]int{}, open: map[string]int{}, reread: map[string]int{}}
}

func (f *fold) write(file, text string) {
	f.t.Helper()
	if err := os.WriteFile(filepath.Join(f.dir, file), []byte(text), 0o600); err != nil {
		f.t.Fatal(err)
	}
}

func (f *fold) watch(ctx context.Context, farm Farm) error {
	name := farm.Config.Farm.Name
	count := func(by map[string]int, n int) {
		f.mu.Lock()
		defer f.mu.Unlock()
		by[name] += n
	}
	count(f.begun, 1)
	count(f.open, 1)
	defer count(f.open, -1)
	if f.behave != nil {
		if err := f.behave(name); err != nil {
			return err
		}
	}
	judge := func(context.Context) error {
		f.mu.Lock()
		defer f.mu.Unlock()
		if f.judge == nil {
			return nil
		}
		return f.judge(name)
	}
	farm.Judged(Judgement{Well: judge, Outside: judge})
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-farm.Again:
			count(f.reread, 1)
		}
	}
}

// watched returns the names of the farms that are watched now.
func (f *fold) watched() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []string
	for _, name := range []string{"ash", "birch", "cherry"} {
		if f.open[name] == 1 {
			out = append(out, name)
		} else if f.open[name] > 1 {
			out = append(out, name+" twice")
		}
	}
	return strings.Join(out, " ")
}

func (f *fold) want(when, names string) {
	f.t.Helper()
	synctest.Wait()
	if got := f.watched(); got != names {
		f.t.Errorf("%s: watched are %q, want %q", when, got, names)
	}
}

// looks lets the keeper look n times.
func (f *fold) looks(n int) {
	f.wait(time.Duration(n) * DefaultEvery)
}

func (f *fold) wait(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

// run runs a keeper on a bubble's clock and does things meanwhile.
func (f *fold) run(do func()) {
	f.t.Helper()
	synctest.Test(f.t, func(t *testing.T) {
		f.again, f.shifted, f.hold = make(chan os.Signal, 1), make(chan struct{}, 1), make(chan struct{})
		k, err := New(Options{Dir: f.dir, Watch: f.watch, Again: f.again, Mine: f.mine, Shifted: f.shifted, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		f.keeper = k
		ctx, stop := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() {
			if err := k.Run(ctx); err != nil {
				t.Error(err)
			}
		})
		synctest.Wait()
		do()
		stop()
		wg.Wait()
		f.want("at the end", "")
	})
}

func TestFarmsComeChangeAndGo(t *testing.T) {
	f := newFold(t)
	f.write("ash.yaml", farmText("ash"))
	f.run(func() {
		f.want("at the start", "ash")
		f.write("birch.yaml", farmText("birch"))
		f.looks(1)
		f.want("one came", "ash birch")
		f.write("cherry.yml", farmText("cherry"))
		f.again <- syscall.SIGHUP
		f.want("one came, and it was told", "ash birch cherry")
		f.write("ash.yaml", farmText("ash")+"alarms: {evening: 20:00}\n")
		f.looks(1)
		if f.reread["ash"] != 2 || f.begun["ash"] != 1 { // the signal asked for all to be read
			t.Errorf("a changed farm was told %d times and begun %d times, want 2 and 1", f.reread["ash"], f.begun["ash"])
		}
		os.Remove(filepath.Join(f.dir, "birch.yaml"))
		f.looks(1)
		f.want("a file is away for a moment", "ash birch cherry")
		f.looks(1)
		f.want("one is gone", "ash cherry")
		os.Rename(filepath.Join(f.dir, "cherry.yml"), filepath.Join(f.dir, "z.yaml"))
		f.looks(3)
		f.want("one has another file", "ash cherry")
		f.write("ash.yaml", farmText("birch"))
		f.looks(1)
		f.want("one has another name", "birch cherry")
	})
}

func TestBadFileHurtsNobody(t *testing.T) {
	f := newFold(t)
	f.write("ash.yaml", farmText("ash"))
	f.write("birch.yaml", "farm: [")
	f.write("birch-2.yaml", strings.Repeat("- {a: *b}\n", 1000))
	f.run(func() {
		f.want("at the start", "ash")
		f.write("ash.yaml", "zones: nonsense")
		f.looks(2)
		f.want("a farm's file is broken", "ash")
		f.write("birch.yaml", farmText("birch"))
		f.looks(1)
		f.want("one is mended", "ash birch")
		f.write("cherry.yaml", farmText("birch"))
		f.looks(1)
		f.want("two have one name", "ash birch")
		for _, name := range []string{"ash.yaml", "birch.yaml", "birch-2.yaml", "cherry.yaml"} {
			os.Remove(filepath.Join(f.dir, name))
		}
		f.looks(5)
		f.want("the folder is not mounted", "ash birch")
	})
}

// TestFailingFarmHurtsNobody has one panic and one end over and over.
func TestFailingFarmHurtsNobody(t *testing.T) {
	f := newFold(t)
	for _, name := range []string{"ash", "birch", "cherry"} {
		f.write(name+".yaml", farmText(name))
	}
	mended := false
	f.behave = func(name string) error {
		switch {
		case mended:
		case name == "ash":
			panic("a broken invariant")
		case name == "birch":
			return errors.New("the disk is full")
		}
		return nil
	}
	f.run(func() {
		f.want("at the start", "cherry")
		f.wait(10 * time.Minute)
		f.want("later", "cherry")
		f.mu.Lock()
		ash, cherry := f.begun["ash"], f.begun["cherry"]
		mended = true
		f.mu.Unlock()
		if ash < 10 || ash > 20 || cherry != 1 {
			t.Errorf("in ten minutes the failing farm was begun %d times and the sound one %d times", ash, cherry)
		}
		f.wait(retryMax)
		f.want("mended", "ash birch cherry")
	})
}

func TestOnlyTheShareIsWatched(t *testing.T) {
	f := newFold(t)
	for _, name := range []string{"ash", "birch", "cherry"} {
		f.write(name+".yaml", farmText(name))
	}
	share := "ash"
	f.mine = func(name string) bool { return strings.Contains(share, name) }
	f.run(func() {
		f.want("at the start", "ash")
		share = "birch cherry"
		f.shifted <- struct{}{}
		f.want("shifted", "birch cherry")
	})
}

func TestNoFolder(t *testing.T) {
	k, err := New(Options{Dir: filepath.Join(t.TempDir(), "away"), Watch: newFold(t).watch, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if err := k.Run(t.Context()); err == nil || !strings.Contains(err.Error(), "hint:") {
		t.Errorf("got %v, want an error with a hint", err)
	}
}

func TestFront(t *testing.T) {
	says := func(text string) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, text) })
	}
	f := NewFront("127.0.0.1:0", Rest(says("figures"), "", well), slog.New(slog.DiscardHandler))
	unmount, err := f.Mount([]string{"alder-bank", "Fence.example.org"}, says("alder"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Mount([]string{"hill", "fence.example.org"}, says("hill")); err == nil {
		t.Error("a host was given to two farms")
	}
	if _, err := f.Mount([]string{"hill", ""}, says("hill")); err != nil {
		t.Error(err)
	}
	get := func(host, path string) string {
		r := httptest.NewRequest("GET", path, nil)
		r.Host, r.RemoteAddr = host, "127.0.0.1:4711" // a program on this machine
		w := httptest.NewRecorder()
		f.ServeHTTP(w, r)
		return w.Body.String()
	}
	for _, tt := range []struct{ name, host, path, want string }{
		{"its own host", "fence.example.org", "/", "alder"}, {"with a port", "fence.example.org:8480", "/", "alder"},
		{"by its name", "alder-bank.localhost:8480", "/zone/brook", "alder"}, {"another", "HILL.farms.example.org.", "/", "hill"},
		{"nobody's", "oak.example.org", "/", "no farm is watched here under this name\n"},
		{"the daemon's health", "127.0.0.1:8480", "/-/healthy", "ok\n"}, {"the daemon's figures", "127.0.0.1", "/metrics", "figures"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := get(tt.host, tt.path); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
	unmount()
	if got := get("fence.example.org", "/"); strings.Contains(got, "alder") {
		t.Error("a farm that is gone is still served")
	}
}
