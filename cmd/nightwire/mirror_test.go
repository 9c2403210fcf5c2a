package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"nightwire/sim/outside"
)

// TestHungMirrorDelaysNoAlarm has a whole watch copy to a server that takes connections and answers nothing, and
// compares what people would feel with the same before: how long a message waits for its acknowledgement, and how long
// a dead fence for its alarm. The bar is a minute; here it is shorter.
func TestHungMirrorDelaysNoAlarm(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: takes half a minute of waiting")
	}
	rounds := 10
	if os.Getenv("NIGHTWIRE_LONG") == "1" {
		rounds = 60
	}
	victoria := outside.Program(t, "victoria-metrics")
	mqtt, page, addr := startMosquitto(t), port(t), port(t)
	server := startProcess(t, victoria, "-httpListenAddr", fmt.Sprintf("127.0.0.1:%d", addr), "-storageDataPath", t.TempDir())
	until(t, "the mirror listens", func() bool { return dials(addr) })
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)
	farmFile := sensorFarm(t, 2, fmt.Sprintf("broker: {url: %q}\npage: {listen: \"127.0.0.1:%d\"}\nmirror: {influx: {url: \"http://127.0.0.1:%d\", bucket: fence, query: promql}}\n", url, page, addr))
	watch := startWatch(t, farmFile, filepath.Join(t.TempDir(), "data"))
	watch.ready(t, page)
	n := &mirrored{t: t, watch: watch, page: page, tick: time.NewTicker(time.Second),
		client: dialPaho(t, paho.NewClientOptions().AddBroker(url).SetClientID("sensors"))}
	defer n.tick.Stop()
	durableCalm, alarmCalm := n.night(10)
	until(t, "the mirror has all", func() bool { return metric(page, "nightwire_mirror_lag_seconds") == 0 })
	if err := server.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	durable, alarm := n.night(rounds)
	if lag := metric(page, "nightwire_mirror_lag_seconds"); lag < float64(rounds)/2 {
		t.Errorf("the lag of a mirror that hung for %d rounds is %v s", rounds, lag)
	}
	if err := server.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	t.Logf("durable after %v, alarm after %v; while the mirror hangs %v and %v", durableCalm.Round(time.Millisecond), alarmCalm.Round(time.Millisecond),
		durable.Round(time.Millisecond), alarm.Round(time.Millisecond))
	if durable > 2*durableCalm+200*time.Millisecond || alarm > alarmCalm+2*time.Second { // one report more or less
		t.Errorf("a hung mirror slows the watch: durable after %v instead of %v, alarm after %v instead of %v", durable, durableCalm, alarm, alarmCalm)
	}
	until(t, "the mirror has all again", func() bool {
		return metric(page, "nightwire_mirror_lag_seconds") == 0 && metric(page, "nightwire_mirror_readings_written_total") >= n.sent
	})
	n.client.Disconnect(100)
	watch.stop(t)
}

// mirrored is a watch with a mirror, and its sensors.
type mirrored struct {
	t      *testing.T
	watch  *process
	page   int
	client paho.Client
	tick   *time.Ticker
	sent   float64
}

// round publishes a round of reports and returns how long it took to be durable.
func (n *mirrored) round(kv float64) time.Duration {
	began := time.Now()
	for topic, kv := range map[string]float64{"shed": 7.8, "zone0": 7.4, "zone1": kv} {
		n.client.Publish("test-bank/"+topic, 1, false, fmt.Sprintf(`{"kv":%.2f}`, kv+float64(int(n.sent)%5)/100))
		n.sent++
	}
	until(n.t, "the round is durable", func() bool { return metric(n.page, "nightwire_mqtt_messages_acked_total") >= n.sent })
	return time.Since(began)
}

// night has rounds of good reports, then a dead zone until its alarm, and good ones until that is over. It returns the
// median time until a round was durable, and the time until the alarm.
func (n *mirrored) night(rounds int) (durable, alarm time.Duration) {
	var took []time.Duration
	for range rounds {
		took = append(took, n.round(7.0))
		<-n.tick.C
	}
	slices.Sort(took)
	fault := time.Now()
	n.reportUntil(0, "event=raised")
	alarm = time.Since(fault)
	n.reportUntil(7.0, "event=returned")
	return took[len(took)/2], alarm
}

// reportUntil reports each second until the watch says something new.
func (n *mirrored) reportUntil(kv float64, said string) {
	before := strings.Count(n.watch.said(), said)
	stop := repeatedly(time.Second, func() { n.round(kv) })
	until(n.t, said, func() bool { return strings.Count(n.watch.said(), said) > before })
	stop()
}
