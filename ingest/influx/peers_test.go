package influx

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"syscall"
	"testing"
	"time"

	"nightwire/sim/outside"
)

// server is a real one, which can be stopped, started again on its data, and hung.
type server struct {
	name   string
	config Config
	start  func() *exec.Cmd
	cmd    *exec.Cmd
	ended  chan struct{}
}

// peers returns every kind of server that a mirror is promised to work with.
func peers() map[string]func(testing.TB) *server {
	return map[string]func(testing.TB) *server{"influxdb": startInflux, "victoria": startVictoria}
}

// startInflux starts an InfluxDB 1.8 with Flux, which answers the second version's API.
func startInflux(tb testing.TB) *server {
	tb.Helper()
	path, dir, addr := outside.Program(tb, "influxd"), tb.TempDir(), outside.Address(tb)
	rpc := outside.Address(tb)
	s := &server{name: "influxd", config: Config{URL: "http://" + addr, Org: "farm", Bucket: "fence/autogen", Query: Flux}}
	s.start = func() *exec.Cmd {
		cmd := exec.Command(path, "run", "-config", os.DevNull)
		cmd.Env = append(os.Environ(), "INFLUXDB_HTTP_BIND_ADDRESS="+addr, "INFLUXDB_BIND_ADDRESS="+rpc,
			"INFLUXDB_HTTP_FLUX_ENABLED=true", "INFLUXDB_HTTP_LOG_ENABLED=false", "INFLUXDB_REPORTING_DISABLED=true",
			"INFLUXDB_MONITOR_STORE_ENABLED=false", "INFLUXDB_META_DIR="+filepath.Join(dir, "meta"),
			"INFLUXDB_DATA_DIR="+filepath.Join(dir, "data"), "INFLUXDB_DATA_WAL_DIR="+filepath.Join(dir, "wal"))
		return cmd
	}
	s.up(tb)
	res, err := http.PostForm(s.config.URL+"/query", url.Values{"q": {"CREATE DATABASE fence"}})
	if err != nil {
		tb.Fatal(err)
	}
	res.Body.Close()
	return s
}

// startVictoria starts a single VictoriaMetrics. It keeps both of two equal samples unless told not to.
func startVictoria(tb testing.TB) *server {
	tb.Helper()
	path, dir, addr := outside.Program(tb, "victoria-metrics"), tb.TempDir(), outside.Address(tb)
	s := &server{name: "victoria-metrics", config: Config{URL: "http://" + addr, Bucket: "fence", Query: PromQL}}
	s.start = func() *exec.Cmd {
		return exec.Command(path, "-httpListenAddr", addr, "-storageDataPath", dir, "-retentionPeriod", "100y", "-dedup.minScrapeInterval", "1ms")
	}
	s.up(tb)
	return s
}

// up starts the server and waits until it listens.
func (s *server) up(tb testing.TB) {
	tb.Helper()
	s.cmd, s.ended = s.start(), make(chan struct{})
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := s.cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	cmd, ended := s.cmd, s.ended
	go func() {
		_ = cmd.Wait()
		close(ended)
	}()
	tb.Cleanup(func() { s.down(tb) })
	u, err := url.Parse(s.config.URL)
	if err != nil {
		tb.Fatal(err)
	}
	until(tb, s.name+" listens", func() bool {
		c, err := net.Dial("tcp", u.Host)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// down kills the server as a power cut would.
func (s *server) down(tb testing.TB) {
	tb.Helper()
	_ = s.cmd.Process.Kill() // it may have ended
	<-s.ended
}

// signal hangs the server, or lets it go on.
func (s *server) signal(tb testing.TB, sig syscall.Signal) {
	tb.Helper()
	if err := s.cmd.Process.Signal(sig); err != nil {
		tb.Fatal(err)
	}
}

// settle makes the server show what it has taken.
func (s *server) settle(tb testing.TB) {
	tb.Helper()
	if s.name != "victoria-metrics" {
		return
	}
	res, err := http.Get(s.config.URL + "/internal/force_flush")
	if err != nil {
		tb.Fatal(err)
	}
	res.Body.Close()
}

// count returns how many points of a field the server has, as it counts them itself.
func (s *server) count(tb testing.TB, field string) int {
	tb.Helper()
	s.settle(tb)
	var text string
	var err error
	if s.config.Query == Flux {
		text, err = ask(s.config.URL+"/query", url.Values{"db": {"fence"}, "q": {fmt.Sprintf("SELECT count(%s) FROM fence", field)}})
	} else {
		text, err = ask(s.config.URL+"/api/v1/query", url.Values{"query": {fmt.Sprintf("sum(count_over_time(fence_%s[3000d]))", field)}})
	}
	if err != nil {
		return -1
	}
	m := regexp.MustCompile(`,"?(\d+)"?\](\]|\})`).FindStringSubmatch(text)
	if m == nil {
		return 0
	}
	n, err := strconv.Atoi(m[1])
	if err != nil {
		return 0
	}
	return n
}

func ask(address string, form url.Values) (string, error) {
	res, err := http.PostForm(address, form)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	return string(b), err
}

// until polls for a condition.
func until(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	end := time.After(2 * time.Minute)
	for tick := time.Tick(20 * time.Millisecond); !ok(); {
		select {
		case <-tick:
		case <-end:
			tb.Fatalf("never: %s", what)
		}
	}
}
