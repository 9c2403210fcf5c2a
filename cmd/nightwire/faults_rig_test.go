package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// told is a message as a webhook gets it.
type told struct {
	Message, Kind, Subject string
	Time                   time.Time
	Alarms                 []struct{ Source, Condition string }
}

// webAddress is a web address that messages are posted to.
type webAddress struct {
	url string

	mu    sync.Mutex
	got   []told
	first map[string]time.Time // when a message first named a source
	hang  chan struct{}        // while it is open nothing is answered; nil for never
}

func startHook(t testing.TB) *webAddress {
	t.Helper()
	h := &webAddress{first: map[string]time.Time{}}
	server := httptest.NewServer(http.HandlerFunc(h.take))
	t.Cleanup(server.Close)
	h.url = server.URL
	return h
}

func (h *webAddress) take(w http.ResponseWriter, r *http.Request) {
	var m told
	at := time.Now()
	if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	h.mu.Lock()
	hang := h.hang
	h.mu.Unlock()
	if hang != nil {
		select {
		case <-hang:
		case <-r.Context().Done():
			return
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.got = append(h.got, m)
	for _, a := range m.Alarms {
		if _, ok := h.first[a.Source]; !ok {
			h.first[a.Source] = at
		}
	}
}

// firstHeard returns when each source was first named in a message.
func (h *webAddress) firstHeard() map[string]time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return maps.Clone(h.first)
}

// messages returns what was told of a kind: raised, returned and so on; all with none.
func (h *webAddress) messages(kind string) []told {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(h.got), func(m told) bool { return kind != "" && m.Kind != kind })
}

// twice returns how many messages came again.
func (h *webAddress) twice() (n int) {
	seen := map[string]bool{}
	for _, m := range h.messages("") {
		if seen[m.Message] {
			n++
		}
		seen[m.Message] = true
	}
	return n
}

// trialFarm takes the reporting period, more of Ann's addresses, the webhook, more channels, the broker and the page.
const trialFarm = `farm: test-bank
timezone: Europe/Dublin
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: %[1]s}}
zones:
  - {name: brook, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/brook, every: %[1]s}}
  - {name: hazel, fed_by: brook, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/hazel, every: %[1]s}}
people:
  - {name: Ann, webhook: %[2]q%[3]s}
channels: {webhook: {secret_file: secret}%[4]s}
broker: {%[5]s}
page: {listen: "127.0.0.1:%[6]d"}
`

// trial is a watch of three sensors to which something happens.
type trial struct {
	*testing.T
	url            string // where the sensors publish
	page           int
	farmFile, data string
	hook           *webAddress
	every          time.Duration // how often the sensors should report; mostly they report more often
	watch          *process
	ann, channels  string // more of the farm file

	sending sync.Mutex
	client  paho.Client
	stamp   int64 // of the newest report, Unix milliseconds

	mu       sync.Mutex
	hazel    float64      // what that zone's sensor shows, kV
	accepted []int        // numbers of the reports that the broker took
	resent   map[int]bool // what a sensor without times of its own sent again, which may be there twice
	without  string       // a sensor that reports in another way
	alarms   int
}

// beside makes a trial with mosquitto for the broker, reached by the watch at through when that is given.
func beside(t *testing.T, through func(mqtt int) (port int)) *trial {
	t.Helper()
	mqtt := startMosquitto(t)
	x := &trial{T: t, url: fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)}
	if through != nil {
		mqtt = through(mqtt)
	}
	return x.set(fmt.Sprintf(`url: "mqtt://127.0.0.1:%d"`, mqtt))
}

// alone makes a trial with the built-in broker.
func alone(t *testing.T) *trial {
	t.Helper()
	p := port(t)
	x := &trial{T: t, url: fmt.Sprintf("mqtt://127.0.0.1:%d", p)}
	return x.set(fmt.Sprintf(`listen: "127.0.0.1:%d"`, p))
}

func (x *trial) set(broker string) *trial {
	x.Helper()
	x.hook, x.page, x.hazel, x.resent, x.every = startHook(x.T), port(x.T), 7, map[int]bool{}, 10*time.Second
	x.data = filepath.Join(x.TempDir(), "data")
	x.farmFile = broker // until start, which knows the rest
	return x
}

// start writes the farm file and starts the watch, which is to know its fence before anything happens.
func (x *trial) start() *trial {
	x.Helper()
	text := fmt.Sprintf(trialFarm, x.every, x.hook.url, x.ann, x.channels, x.farmFile, x.page)
	x.farmFile = writeFarm(x.T, text)
	x.watch = startWatch(x, x.farmFile, x.data)
	x.watch.ready(x, x.page)
	for range 10 {
		x.round()
	}
	x.settled()
	return x
}

// settled waits until every report that was taken is stored.
func (x *trial) settled() {
	x.Helper()
	until(x, "all reports are stored", func() bool { lost, _ := x.counted(); return lost == 0 })
}

// reach connects the sensors, or reports false while the broker is away.
func (x *trial) reach() bool { return x.reachAs("sensors") }

func (x *trial) reachAs(client string) bool {
	if x.client != nil && x.client.IsConnectionOpen() {
		return true
	}
	o := paho.NewClientOptions().AddBroker(x.url).SetClientID(client).SetAutoReconnect(false).SetConnectTimeout(time.Second)
	x.client = paho.NewClient(o)
	tok := x.client.Connect()
	return tok.WaitTimeout(2*time.Second) && tok.Error() == nil
}

// round has each sensor report once, and again until the broker has taken it.
func (x *trial) round() {
	x.mu.Lock()
	hazel := x.hazel
	x.mu.Unlock()
	kv := map[string]float64{"shed": 7.8, "brook": 7.4, "hazel": hazel}
	delete(kv, x.without)
	x.send(kv)
}

// report is one message on its way.
type report struct {
	number         int
	topic, payload string
}

// send publishes one report for each sensor named. Those of hazel have no time of their own.
func (x *trial) send(kv map[string]float64) {
	x.Helper()
	x.sending.Lock()
	defer x.sending.Unlock()
	x.stamp = max(x.stamp+1, time.Now().UnixMilli())
	var left []report
	for name, v := range kv {
		x.mu.Lock()
		n := len(x.accepted) + len(left)
		x.mu.Unlock()
		v += 0.01 * float64(n%7) * min(v, 1)
		payload := fmt.Sprintf(`{"kv":%.2f,"seq":%d,"t":%d}`, v, n, x.stamp)
		if name == bareSensor {
			payload = fmt.Sprintf(`{"kv":%.2f,"seq":%d}`, v, n)
		}
		left = append(left, report{n, "test-bank/" + name, payload})
	}
	all := left
	for first := true; len(left) > 0; first = false {
		until(x, "the sensors reach the broker", x.reach)
		left = x.publish(left, first)
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, r := range all {
		x.accepted = append(x.accepted, r.number)
	}
}

// bareSensor is the one whose reports have no time of their own.
const bareSensor = "hazel"

// patience is how long the sensors wait for the broker's word; when the connection is lost they know at once.
const patience = 20 * time.Second

// publish sends reports and returns those that the broker did not take.
func (x *trial) publish(rs []report, first bool) (left []report) {
	var toks []paho.Token
	for _, r := range rs {
		toks = append(toks, x.client.Publish(r.topic, 1, false, r.payload))
	}
	for i, tok := range toks {
		if !first && strings.HasSuffix(rs[i].topic, bareSensor) {
			x.mu.Lock()
			x.resent[rs[i].number] = true
			x.mu.Unlock()
		}
		if !tok.WaitTimeout(patience) || tok.Error() != nil {
			left = append(left, rs[i])
		}
	}
	return left
}

// steadily has the sensors report on and on until it is told to stop.
func (x *trial) steadily(every time.Duration) (stop func()) { return repeatedly(every, x.round) }

// await polls for a condition while the sensors report.
func (x *trial) await(what string, ok func() bool) {
	x.Helper()
	defer x.steadily(100 * time.Millisecond)()
	until(x, what, ok)
}

func (x *trial) show(hazel float64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.hazel = hazel
}

// dies has a zone go dead until Ann is told; the sensors report all the while.
func (x *trial) dies() {
	x.Helper()
	x.show(0)
	x.alarms++
	x.await("Ann is told that hazel is dead", func() bool { return len(x.hook.messages("raised")) >= x.alarms })
	for range 10 { // it stays so for a while, or the fall and the rise are one to the detectors
		x.round()
	}
}

// heals mends the zone and waits until Ann is told.
func (x *trial) heals() {
	x.Helper()
	x.show(7)
	x.await("Ann is told that hazel is back", func() bool { return len(x.hook.messages("returned")) >= x.alarms })
}

// counted compares what the brokers took with what is kept: how much is missing, and how much is there twice although
// its sensor sent it once or has times of its own.
func (x *trial) counted() (lost, twice int) {
	x.Helper()
	kept := map[int]int{}
	for _, n := range keptNumbers(x.T, x.farmFile, x.data) {
		kept[n]++
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, n := range x.accepted {
		switch {
		case kept[n] == 0:
			lost++
		case kept[n] > 1 && !x.resent[n]:
			twice += kept[n] - 1
		}
	}
	return lost, twice
}

// keptNumbers returns the message numbers of all readings in the store, or of those that more of the command names.
func keptNumbers(t *testing.T, farmFile, data string, more ...string) (out []int) {
	t.Helper()
	text, err := exec.Command("nightwire", append([]string{"export", "--config", farmFile, "--data", data}, more...)...).Output()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := slices.Index(rows[0], "message number")
	if column < 0 {
		t.Fatalf("the export has no message numbers: %q", rows[0])
	}
	for _, row := range rows[1:] {
		if n, err := strconv.Atoi(row[column]); err == nil { // a report may have none
			out = append(out, n)
		}
	}
	return out
}

// tally is what one kind of fault has cost.
type tally struct {
	times, accepted, lost        int // readings
	alarms, alarmsLost           int
	messages, messagesLost       int
	readingsTwice, messagesTwice int

	mayTell int // messages that may come twice, where that is more than times
}

// finish ends a trial and counts. A kind of fault that came so many times may have repeated as much.
func (x *trial) finish(times int) tally {
	x.Helper()
	x.settled()
	until(x, "no message waits to be sent", func() bool { return !x.waits() })
	x.watch.stop(x)
	c := tally{times: times, alarms: x.alarms}
	c.lost, c.readingsTwice = x.counted()
	c.accepted = len(x.accepted)
	c.messagesTwice = x.hook.twice()
	x.compare(&c)
	return c
}

func (c tally) check(t *testing.T) {
	t.Helper()
	if c.lost+c.alarmsLost+c.messagesLost > 0 || c.readingsTwice > c.times || c.messagesTwice > max(c.times, c.mayTell) {
		t.Errorf("lost or repeated too much: %+v", c)
	}
}

// link is a stretch of network that can be cut.
type link struct {
	ln     net.Listener
	target string

	mu    sync.Mutex
	cut   bool
	conns []net.Conn
}

func startLink(t *testing.T, target int) *link {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &link{ln: ln, target: fmt.Sprintf("127.0.0.1:%d", target)}
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { l.carry(c) })
		}
	})
	t.Cleanup(func() {
		ln.Close()
		l.set(true)
		wg.Wait()
	})
	return l
}

func (l *link) port() int { return l.ln.Addr().(*net.TCPAddr).Port }

// set cuts the link, with all connections through it, or mends it.
func (l *link) set(cut bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = cut
	for _, c := range l.conns {
		c.Close()
	}
	l.conns = nil
}

// carry takes one connection through, both ways.
func (l *link) carry(c net.Conn) {
	defer c.Close()
	far, err := net.Dial("tcp", l.target)
	if err != nil {
		return
	}
	defer far.Close()
	l.mu.Lock()
	if l.cut {
		l.mu.Unlock()
		return
	}
	l.conns = append(l.conns, c, far)
	l.mu.Unlock()
	var wg sync.WaitGroup
	for _, way := range [][2]net.Conn{{c, far}, {far, c}} {
		wg.Go(func() {
			_, _ = io.Copy(way[0], way[1]) // ends when either side does
			way[0].Close()
		})
	}
	wg.Wait()
}
