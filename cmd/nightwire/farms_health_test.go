package main

import (
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// manager is a service manager that listens to what a daemon says of itself.
func startManager(t *testing.T) (socket string, said <-chan string) {
	t.Helper()
	socket = filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	all := make(chan string, 10_000)
	go func() {
		for buf := make([]byte, 1024); ; {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			all <- string(buf[:n])
		}
	}()
	t.Cleanup(func() { conn.Close() })
	return socket, all
}

// fed returns how often the watchdog was fed since the last look.
func fed(said <-chan string) (n int) {
	for len(said) > 0 {
		if <-said == "WATCHDOG=1" {
			n++
		}
	}
	return n
}

// TestHealthOfManyFarms has a daemon of two farms, one of which cannot be watched: monitors are told which and why, the
// outside address is not told that all is well, and the daemon is not started over for it. Then it is mended.
func TestHealthOfManyFarms(t *testing.T) {
	mqtt, page := startMosquitto(t), port(t)
	beats := make(chan string, 100)
	outside := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { beats <- r.URL.Path }))
	t.Cleanup(outside.Close)
	beat := filepath.Join(t.TempDir(), "beat")
	if err := os.WriteFile(beat, []byte(outside.URL+"/4711\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	socket, said := startManager(t)
	t.Setenv("NOTIFY_SOCKET", socket)
	t.Setenv("WATCHDOG_USEC", "100000")
	m := &manyFarms{t: t, dir: t.TempDir(), every: "1s", mqtt: fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)}
	m.write("calm", 2)
	if err := os.WriteFile(filepath.Join(m.dir, "sick.yaml"), []byte("farm: [\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	watch := startProcess(t, "nightwire", "run", "--farms", m.dir, "--data", t.TempDir(), "--page", fmt.Sprintf("127.0.0.1:%d", page), "--heartbeat-url-file", beat)
	until(t, "calm is connected", func() bool { return farmMetric(page, "calm", "nightwire_mqtt_connected") == 1 })
	healthy := fmt.Sprintf("http://127.0.0.1:%d/-/healthy", page)
	if got, want := get(healthy), "not healthy: 1 of 2 farms are not well: sick.yaml: the file is broken, its farm is not watched\n"; got != want {
		t.Errorf("the daemon says %q, want %q", got, want)
	}
	fed(said)
	<-time.After(3 * time.Second) // in which a daemon that is well would have beaten
	if n := fed(said); n < 10 {
		t.Errorf("the watchdog was fed %d times in three seconds: one farm must not end all", n)
	}
	if len(beats) > 0 {
		t.Error("the outside was told that all is well")
	}
	m.write("sick", 2)
	until(t, "all is well", func() bool { return get(healthy) == "ok\n" })
	select {
	case got := <-beats:
		if got != "/4711" {
			t.Errorf("the beat asked for %q", got)
		}
	case <-time.After(scriptWait):
		t.Error("no heartbeat came")
	}
	watch.stop(t)
	if strings.Contains(watch.said(), "4711") {
		t.Error("the heartbeat's address is in the log")
	}
}
