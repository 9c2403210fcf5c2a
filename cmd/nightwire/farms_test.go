package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// manyFarms is a folder of farm files, and what serves them.
type manyFarms struct {
	t     *testing.T
	dir   string
	mqtt  string // the broker's address
	hook  string // where messages go; empty for nowhere
	every string // how often sensors are said to report
}

// write writes the file of a farm with an energizer and some zones in a row.
func (m *manyFarms) write(name string, zones int) {
	m.t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "farm: %[1]s\nenergizers:\n  - {name: shed, open_kv: 8, sensor: {topic: %[1]s/shed, every: %[2]s}}\nzones:\n", name, m.every)
	before := "shed"
	for i := range zones {
		zone := "zone" + strconv.Itoa(i)
		fmt.Fprintf(&b, "  - {name: %[1]s, fed_by: %[2]s, length_m: 100, ohms_per_km: 400, stock: pigs, sensor: {topic: %[3]s/%[1]s, every: %[4]s}}\n", zone, before, name, m.every)
		before = zone
	}
	fmt.Fprintf(&b, "broker: {url: %q}\n", m.mqtt)
	if m.hook != "" {
		fmt.Fprintf(&b, "people: [{name: Ann, webhook: %q}]\nchannels: {webhook: {secret_file: secret}}\n", m.hook)
	}
	for file, text := range map[string]string{name + ".yaml": b.String(), "secret": strings.Repeat("s", 32)} {
		if err := os.WriteFile(filepath.Join(m.dir, file), []byte(text), 0o600); err != nil {
			m.t.Fatal(err)
		}
	}
}

// say publishes a round of a farm's reports.
func (m *manyFarms) say(c paho.Client, name string, zones int, kv float64) {
	c.Publish(name+"/shed", 1, false, `{"kv":7.8}`)
	for i := range zones {
		c.Publish(fmt.Sprintf("%s/zone%d", name, i), 1, false, fmt.Sprintf(`{"kv":%.2f}`, kv))
	}
}

// farmMetric returns a figure of one farm from the page that many share, or -1.
func farmMetric(page int, farm, name string) float64 {
	req, err := http.NewRequest(http.MethodGet, fmt.Sprintf("http://127.0.0.1:%d/metrics", page), nil)
	if err != nil {
		return -1
	}
	req.Host = farm + ".localhost"
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return -1
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		return -1
	}
	m := regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(name) + ` (\S+)$`).FindSubmatch(text)
	if m == nil {
		return -1
	}
	v, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		return -1
	}
	return v
}

const ackedTotal = "nightwire_mqtt_messages_acked_total"

// TestOneFarmCannotHurtAnother has a daemon of two farms, adds a third and a broken fourth while it runs, and lets the
// first flood the broker far above its rate: the second's reports are durable and its alarm is raised as before.
func TestOneFarmCannotHurtAnother(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: floods for half a minute")
	}
	mqtt, page := startMosquitto(t), port(t)
	m := &manyFarms{t: t, dir: t.TempDir(), every: "1s", mqtt: fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)}
	m.write("loud", 20)
	m.write("calm", 2)
	watch := startProcess(t, "nightwire", "run", "--farms", m.dir, "--data", t.TempDir(), "--page", fmt.Sprintf("127.0.0.1:%d", page), "--farm-rate", "500")
	for _, farm := range []string{"loud", "calm"} {
		until(t, farm+" is connected", func() bool { return farmMetric(page, farm, "nightwire_mqtt_connected") == 1 })
	}
	m.write("late", 2)
	if err := os.WriteFile(filepath.Join(m.dir, "broken.yaml"), []byte("farm: [\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	until(t, "a farm that came later is connected", func() bool { return farmMetric(page, "late", "nightwire_mqtt_connected") == 1 })
	c := dialPaho(t, paho.NewClientOptions().AddBroker(m.mqtt).SetClientID("sensors"))
	defer c.Disconnect(100)
	sent := 0.0
	calm := func(rounds int, kv float64) time.Duration {
		var took []time.Duration
		for range rounds {
			began := time.Now()
			m.say(c, "calm", 2, kv)
			sent += 3
			until(t, "calm's round is durable", func() bool { return farmMetric(page, "calm", ackedTotal) >= sent })
			took = append(took, time.Since(began))
			<-time.After(500 * time.Millisecond)
		}
		slices.Sort(took)
		return took[len(took)/2]
	}
	before := calm(8, 7.0)
	stop := floodFarm(t, m.mqtt, "loud")
	during := calm(8, 7.0)
	fault := time.Now()
	for strings.Count(watch.said(), "farm=calm event=raised") == 0 && time.Since(fault) < 20*time.Second {
		calm(1, 0)
	}
	alarm := time.Since(fault)
	flooded := stop()
	t.Logf("a round is durable after %v, after %v while another farm is flooded with %.0f messages a second; the alarm came after %v",
		before.Round(time.Millisecond), during.Round(time.Millisecond), flooded, alarm.Round(time.Millisecond))
	if during > 4*before+300*time.Millisecond || alarm > 6*time.Second {
		t.Error("the flood of one farm slows another")
	}
	if n := strings.Count(watch.said(), "farm file is broken"); n != 1 {
		t.Errorf("a broken file was told of %d times, want once", n)
	}
	watch.stop(t)
}

// floodFarm publishes for a farm as fast as the broker takes it at QoS 0, until it is stopped, and returns how much that was
// a second.
func floodFarm(t *testing.T, url, farm string) (stop func() float64) {
	t.Helper()
	c := dialPaho(t, paho.NewClientOptions().AddBroker(url).SetClientID("flood"))
	done, began, n := make(chan struct{}), time.Now(), 0
	var wg sync.WaitGroup
	wg.Go(func() {
		// Some 10,000 a second, so that a small machine has something left for the broker.
		for tick := time.Tick(10 * time.Millisecond); ; {
			for range 100 {
				c.Publish(farm+"/zone"+strconv.Itoa(n%20), 0, false, `{"kv":7.1}`)
				n++
			}
			select {
			case <-tick:
			case <-done:
				return
			}
		}
	})
	return func() float64 {
		close(done)
		wg.Wait()
		c.Disconnect(100)
		return float64(n) / time.Since(began).Seconds()
	}
}
