package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
)

// hookBox collects what is posted, by farm.
type hookBox struct {
	mu  sync.Mutex
	got map[string][]string // subject of each message
}

func (h *hookBox) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var m struct{ Farm, Kind, Subject string }
	body, err := io.ReadAll(r.Body)
	if err != nil || json.Unmarshal(body, &m) != nil {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	farm := strings.Trim(r.URL.Path, "/")
	h.got[farm] = append(h.got[farm], m.Kind+" "+m.Subject)
}

func (h *hookBox) of(farm string) []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]string(nil), h.got[farm]...)
}

// TestDeadDaemonsFarmsAreTakenOver runs three daemons that share a folder of farms, a data folder and a real NATS
// server, and kills one while a zone of one of its farms goes dead, and another of its farms has an alarm already. The
// bar: its farms are watched again within 60 s, no alarm lost, none told twice.
func TestDeadDaemonsFarmsAreTakenOver(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: waits for leases to run out")
	}
	const farms = 9
	nats := startNATS(t)
	box := &hookBox{got: map[string][]string{}}
	hooks := httptest.NewServer(box)
	defer hooks.Close()
	// They report more often than they say, so that on a busy machine they do not count as silent.
	m := &manyFarms{t: t, dir: t.TempDir(), every: "10s", mqtt: fmt.Sprintf("mqtt://127.0.0.1:%d", startMosquitto(t))}
	var names []string
	for i := range farms {
		names = append(names, fmt.Sprintf("farm%d", i))
		m.hook = hooks.URL + "/" + names[i]
		m.write(names[i], 2)
	}
	c := &crew{t: t, farms: names, data: t.TempDir()}
	for i := range 3 {
		c.start(m.dir, nats, fmt.Sprintf("daemon%d", i))
	}
	until(t, "each farm is watched once, and is to stay there", c.settled())
	sensors := dialPaho(t, paho.NewClientOptions().AddBroker(m.mqtt).SetClientID("sensors"))
	defer sensors.Disconnect(100)
	rep := &reports{farms: m, client: sensors, dead: map[string]bool{}}
	stop := repeatedly(time.Second, func() { rep.round(names) })
	defer stop()
	victim, mine := c.busiest()
	if len(mine) < 2 {
		t.Fatalf("the busiest daemon has %v only", mine)
	}
	until(t, "reports are heard", func() bool { return farmMetric(c.pages[victim], mine[0], ackedTotal) >= 24 })
	rep.kill(mine[0])
	// A message that its channel took and that was not settled yet would rightly be sent again.
	const taken = `nightwire_messages_total{channel="webhook",outcome="taken"}`
	until(t, "the first alarm is told", func() bool { return farmMetric(c.pages[victim], mine[0], taken) >= 1 })
	<-time.After(time.Second) // from counted to settled
	c.daemons[victim].kill()
	killed := time.Now()
	rep.kill(mine[1])
	c.pages[victim] = 0
	until(t, "each farm is watched once again", c.whole)
	watched := time.Since(killed)
	until(t, "the alarm of the time between is told", func() bool { return len(box.of(mine[1])) > 0 })
	told := time.Since(killed)
	<-time.After(5 * time.Second) // a second message would come by then
	t.Logf("%d farms of a killed daemon were watched again after %v, and an alarm of the time between was told after %v", len(mine), watched.Round(time.Millisecond), told.Round(time.Millisecond))
	if watched > time.Minute {
		t.Errorf("the farms were watched again after %v, the bar is a minute", watched)
	}
	for _, name := range names {
		want := 0
		if name == mine[0] || name == mine[1] {
			want = 1
		}
		if got := box.of(name); len(got) != want {
			t.Errorf("%s has %d messages, want %d: %q", name, len(got), want, got)
		}
	}
}

// startNATS starts a NATS server with JetStream and returns its address.
func startNATS(t *testing.T) string {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoLog: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(s.Shutdown)
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server is not ready")
	}
	return s.ClientURL()
}

// crew is some daemons that share farms.
type crew struct {
	t       *testing.T
	farms   []string
	data    string
	daemons []*process
	pages   []int // 0 for one that was killed
}

func (c *crew) start(dir, nats, name string) {
	p := port(c.t)
	c.pages = append(c.pages, p)
	c.daemons = append(c.daemons, startProcess(c.t, "nightwire", "run", "--farms", dir, "--data", c.data, "--page", fmt.Sprintf("127.0.0.1:%d", p), "--leases", nats, "--name", name))
}

// of returns the farms that a daemon has and hears.
func (c *crew) of(daemon int) (out []string) {
	for _, f := range c.farms {
		if c.pages[daemon] != 0 && farmMetric(c.pages[daemon], f, "nightwire_mqtt_connected") == 1 {
			out = append(out, f)
		}
	}
	return out
}

// whole reports whether every farm is with one daemon, and every daemon that lives has some.
func (c *crew) whole() bool {
	n := 0
	for i, p := range c.pages {
		mine := c.of(i)
		if p != 0 && len(mine) == 0 {
			return false
		}
		n += len(mine)
	}
	return n == len(c.farms)
}

// settled returns what reports whether it has been whole, with no farm moved, for longer than a round of the leases
// takes: until all daemons know of each other, the first has more than its share.
func (c *crew) settled() func() bool {
	var last string
	var since time.Time
	return func() bool {
		now := ""
		if c.whole() {
			for i := range c.pages {
				now += fmt.Sprintln(c.of(i))
			}
		}
		if now == "" || now != last {
			last, since = now, time.Now()
			return false
		}
		return time.Since(since) > 8*time.Second
	}
}

func (c *crew) busiest() (daemon int, farms []string) {
	for i := range c.pages {
		if mine := c.of(i); len(mine) > len(farms) {
			daemon, farms = i, mine
		}
	}
	return daemon, farms
}

// reports are those of all farms' sensors.
type reports struct {
	farms  *manyFarms
	client paho.Client

	mu   sync.Mutex
	n    int
	dead map[string]bool // farms whose last zone is dead
}

func (r *reports) kill(farm string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.dead[farm] = true
}

func (r *reports) round(names []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.n++
	for _, name := range names {
		last := 7.0 + float64(r.n%5)/100
		if r.dead[name] {
			last = 0
		}
		for topic, kv := range map[string]float64{"shed": 7.8 + float64(r.n%3)/100, "zone0": 7.4 + float64(r.n%4)/100, "zone1": last} {
			r.client.Publish(name+"/"+topic, 1, false, fmt.Sprintf(`{"kv":%.2f}`, kv))
		}
	}
}
