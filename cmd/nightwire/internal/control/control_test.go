package control

import (
	"context"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightwire/alerts"
	"nightwire/ingest/farm"
)

// fakeWatch notes what it is told, and refuses what is about "nowhere".
type fakeWatch struct {
	acts  []alerts.Action
	mu    sync.Mutex
	laid  Laid
	again func() (func(), error)
}

var _ watch = (*fakeWatch)(nil)

func (f *fakeWatch) Act(_ context.Context, a alerts.Action) error {
	if a.Source == "zone/nowhere" {
		return errors.New("there is no zone nowhere\nhint: look at the farm file")
	}
	f.acts = append(f.acts, a)
	return nil
}

func (f *fakeWatch) Laid() Laid {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.laid
}

func (f *fakeWatch) ReadAgain() (func(), error) { return f.again() }

// TestReadAgain waits until the watch goes by what it has read, and passes its refusal on.
func TestReadAgain(t *testing.T) {
	began := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	f := &fakeWatch{laid: Laid{File: "/etc/farm.yaml", Since: began}}
	dir := serve(t, f)
	f.again = func() (func(), error) {
		return func() {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.laid.Since, f.laid.Layout.Zones = began.Add(time.Second), []farm.Zone{{Name: "lane", FedBy: "brook", LengthM: 240}}
		}, nil
	}
	now, err := ReadAgain(t.Context(), dir)
	if err != nil || now.File != "/etc/farm.yaml" || len(now.Layout.Zones) != 1 || now.Layout.Zones[0].LengthM != 240 {
		t.Errorf("it goes by %+v, %v; want lane of 240 m", now, err)
	}
	f.again = func() (func(), error) { return nil, errors.New("it is broken\nhint: mend it") }
	if _, err := ReadAgain(t.Context(), dir); err == nil || err.Error() != "it is broken\nhint: mend it" {
		t.Errorf("refused with %v", err)
	}
	if _, err := ReadAgain(t.Context(), t.TempDir()); !errors.Is(err, ErrNotRunning) {
		t.Errorf("without a watch: %v", err)
	}
}

func serve(t *testing.T, w watch) (dir string) {
	t.Helper()
	dir = t.TempDir()
	ln, err := Listen(dir)
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: Handler(w), ReadHeaderTimeout: time.Second}
	go server.Serve(ln)
	t.Cleanup(func() { server.Close() })
	return dir
}

func TestActsArrive(t *testing.T) {
	f := &fakeWatch{}
	dir := serve(t, f)
	until := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	want := []alerts.Action{
		{Kind: alerts.OutOfService, Source: "zone/brook", By: "ann", Until: until, Note: "moving to the lane"},
		{Kind: alerts.Trimmed, Source: "zone/hazel"},
	}
	if err := Act(t.Context(), dir, want...); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, f.acts); diff != "" {
		t.Errorf("acts (-want +got):\n%s", diff)
	}
	err := Act(t.Context(), dir, alerts.Action{Source: "zone/nowhere"}, alerts.Action{Source: "zone/brook"})
	if err == nil || err.Error() != "there is no zone nowhere\nhint: look at the farm file" {
		t.Errorf("a refused act gave %v, want the watch's own words", err)
	}
	if len(f.acts) != 2 {
		t.Errorf("acts after a refusal were done: %v", f.acts[2:])
	}
	info, err := os.Stat(filepath.Join(dir, SocketFile))
	if err != nil {
		t.Fatal(err)
	}
	if mode := info.Mode().Perm(); mode != 0o600 {
		t.Errorf("socket has mode %o, want 600", mode)
	}
}

func TestNobodyThere(t *testing.T) {
	dir := t.TempDir()
	if err := Act(t.Context(), dir, alerts.Action{}); !errors.Is(err, ErrNotRunning) || !strings.Contains(err.Error(), "\nhint: ") {
		t.Errorf("without a socket: %v, want ErrNotRunning with a hint", err)
	}
	ln, err := net.Listen("unix", filepath.Join(dir, SocketFile))
	if err != nil {
		t.Fatal(err)
	}
	ln.(*net.UnixListener).SetUnlinkOnClose(false)
	ln.Close() // as a kill leaves it
	if err := Act(t.Context(), dir, alerts.Action{}); !errors.Is(err, ErrNotRunning) {
		t.Errorf("with a dead socket: %v, want ErrNotRunning", err)
	}
	if ln, err = Listen(dir); err != nil {
		t.Fatalf("the next watch cannot listen: %v", err)
	}
	ln.Close()
}

func TestGarbageIsRefused(t *testing.T) {
	f := &fakeWatch{}
	dir := serve(t, f)
	conn, err := net.Dial("unix", filepath.Join(dir, SocketFile))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.Write([]byte("POST /act HTTP/1.0\r\nContent-Length: 3\r\n\r\n{]x"))
	answer := make([]byte, 64)
	n, _ := conn.Read(answer)
	if !strings.Contains(string(answer[:n]), " 400 ") || len(f.acts) != 0 {
		t.Errorf("garbage got %q and did %v", answer[:n], f.acts)
	}
}

func TestLongPath(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("x", 120))
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := Listen(dir); err == nil || !strings.Contains(err.Error(), "\nhint: ") {
		t.Errorf("a path too long for a socket gave %v, want an error with a hint", err)
	}
}
