package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// What BenchmarkHundredThousandZones watches.
const (
	manyFarmCount = 100
	rowsPerFarm   = 100
	zonesPerRow   = 10
)

// writeRows writes the file of a farm of so many energizers with a row of zones each.
func writeRows(b *testing.B, dir, name, url string, rows int) {
	b.Helper()
	var t strings.Builder
	fmt.Fprintf(&t, "farm: %s\nenergizers:\n", name)
	for r := range rows {
		fmt.Fprintf(&t, "  - {name: e%d, open_kv: 8, sensor: {topic: %s/e%d, every: 60s}}\n", r, name, r)
	}
	t.WriteString("zones:\n")
	for r := range rows {
		before := fmt.Sprintf("e%d", r)
		for z := range zonesPerRow {
			zone := fmt.Sprintf("r%dz%d", r, z)
			fmt.Fprintf(&t, "  - {name: %s, fed_by: %s, length_m: 100, ohms_per_km: 400, stock: pigs, sensor: {topic: %s/%[1]s, every: 60s}}\n", zone, before, name)
			before = zone
		}
	}
	fmt.Fprintf(&t, "broker: {url: %q}\n", url)
	if err := os.WriteFile(filepath.Join(dir, name+".yaml"), []byte(t.String()), 0o600); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkHundredThousandZones has one daemon watch 100 farms of 1,000 zones and 100 energizers that report once a
// minute, evenly spread. In the last two minutes one zone of each farm is dead. The bars: two cores, under 4 GiB, no
// growing queue, alarms within a second (p99) of the second dead report. Five minutes; ten with NIGHTWIRE_LONG=1. It
// runs once whatever -benchtime says.
func BenchmarkHundredThousandZones(b *testing.B) {
	minutes := 5
	if os.Getenv("NIGHTWIRE_LONG") == "1" {
		minutes = 10
	}
	mqtt, page, dir := startMosquitto(b), port(b), b.TempDir()
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)
	for i := range manyFarmCount {
		writeRows(b, dir, fmt.Sprintf("farm%d", i), url, rowsPerFarm)
	}
	began := time.Now()
	watch := startProcess(b, "nightwire", "run", "--farms", dir, "--data", b.TempDir(), "--page", fmt.Sprintf("127.0.0.1:%d", page))
	for i := range manyFarmCount {
		until(b, "a farm is connected", func() bool { return farmMetric(page, fmt.Sprintf("farm%d", i), "nightwire_mqtt_connected") == 1 })
	}
	b.Logf("%d farms are watched %v after the start", manyFarmCount, time.Since(began).Round(time.Millisecond))
	pid := watch.cmd.Process.Pid
	p := &pulsation{client: dialPaho(b, paho.NewClientOptions().AddBroker(url).SetClientID("sensors")), confirmed: map[string]time.Time{}}
	defer p.client.Disconnect(100)
	cpu, peak, worst := cpuTime(pid), 0, 0
	began = time.Now()
	for m := range minutes {
		p.minute(m, max(0, m-(minutes-3)))
		backlog := p.sent - ackedByAll(page)
		rss := procFigure(b, pid, "status", "VmRSS")
		peak, worst = max(peak, rss), max(worst, backlog)
		b.Logf("minute %d: %d sent, %d not yet acknowledged, %d MB", m+1, p.sent, backlog, rss>>10)
	}
	cores := (cpuTime(pid) - cpu).Seconds() / time.Since(began).Seconds()
	delays := p.delays(watch.said())
	if len(delays) != manyFarmCount {
		b.Errorf("%d alarms for %d dead zones", len(delays), manyFarmCount)
	}
	if len(delays) == 0 {
		return
	}
	zones := manyFarmCount * rowsPerFarm * zonesPerRow
	b.ReportMetric(delays[len(delays)*99/100].Seconds(), "s-alarm-p99")
	b.ReportMetric(float64(peak)/1024, "MB")
	b.ReportMetric(float64(peak)*1024/float64(zones), "B/zone")
	b.ReportMetric(cores, "cores")
	b.ReportMetric(float64(worst), "backlog")
	b.ReportMetric(0, "ns/op")
	watch.stop(b)
}

// BenchmarkSmallFarms tells what a farm of one energizer and ten zones takes of a daemon that watches many: memory, open
// files, and time to start. It runs once whatever -benchtime says.
func BenchmarkSmallFarms(b *testing.B) {
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", startMosquitto(b))
	const few, many = 50, 250
	rss, files, start := map[int]int{}, map[int]int{}, map[int]time.Duration{}
	for _, farms := range []int{few, many} {
		page, dir := port(b), b.TempDir()
		for i := range farms {
			writeRows(b, dir, fmt.Sprintf("farm%d", i), url, 1)
		}
		began := time.Now()
		watch := startProcess(b, "nightwire", "run", "--farms", dir, "--data", b.TempDir(), "--page", fmt.Sprintf("127.0.0.1:%d", page))
		for i := range farms {
			until(b, "a farm is connected", func() bool { return farmMetric(page, fmt.Sprintf("farm%d", i), "nightwire_mqtt_connected") == 1 })
		}
		start[farms] = time.Since(began)
		c := dialPaho(b, paho.NewClientOptions().AddBroker(url).SetClientID("sensors"))
		for range 5 {
			for i := range farms {
				c.Publish(fmt.Sprintf("farm%d/e0", i), 1, false, `{"kv":7.9}`)
				for z := range zonesPerRow {
					c.Publish(fmt.Sprintf("farm%d/r0z%d", i, z), 1, false, `{"kv":7.5,"pulses":46,"battery_v":3.6}`)
				}
			}
			<-time.After(time.Second)
		}
		for i := range farms {
			until(b, "all is durable", func() bool { return farmMetric(page, fmt.Sprintf("farm%d", i), ackedTotal) >= 5*(zonesPerRow+1) })
		}
		c.Disconnect(100)
		pid := watch.cmd.Process.Pid
		open, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
		if err != nil {
			b.Fatal(err)
		}
		rss[farms], files[farms] = procFigure(b, pid, "status", "VmRSS"), len(open)
		b.Logf("%d farms: %v to start, %d MB, %d open files", farms, start[farms].Round(time.Millisecond), rss[farms]>>10, files[farms])
		watch.stop(b)
	}
	b.ReportMetric(float64(rss[many]-rss[few])/(many-few), "kB/farm")
	b.ReportMetric(float64(files[many]-files[few])/(many-few), "files/farm")
	b.ReportMetric(float64((start[many]-start[few]).Milliseconds())/(many-few), "start-ms/farm")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkBroker tells how much processor time mosquitto takes for a message that comes at QoS 1, goes on at QoS 1 and
// is acknowledged twice. It has one thread, so that is what bounds it. Each sender waits for its acknowledgement, as
// sensors do, so that no two of its messages come in one packet.
func BenchmarkBroker(b *testing.B) {
	const senders, each = 200, 500
	mqtt, broker := startBroker(b)
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)
	all := make(chan struct{})
	got := 0
	sub := dialPaho(b, paho.NewClientOptions().AddBroker(url).SetClientID("taker"))
	defer sub.Disconnect(100)
	if tok := sub.Subscribe("#", 1, func(paho.Client, paho.Message) {
		if got++; got == b.N*senders*each {
			close(all)
		}
	}); !tok.WaitTimeout(time.Minute) || tok.Error() != nil {
		b.Fatal(tok.Error())
	}
	cpu, began := cpuTime(broker.cmd.Process.Pid), time.Now()
	for range b.N {
		var wg sync.WaitGroup
		for s := range senders {
			c := dialPaho(b, paho.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("sender%d", s)))
			wg.Go(func() {
				for i := range each {
					c.Publish(fmt.Sprintf("farm%d/zone%d", s, i%100), 1, false, `{"kv":7.5,"pulses":46,"battery_v":3.6}`).WaitTimeout(time.Minute)
				}
				c.Disconnect(1000)
			})
		}
		wg.Wait()
	}
	select {
	case <-all:
	case <-time.After(5 * time.Minute):
		b.Fatalf("%d messages came", got)
	}
	n := float64(b.N * senders * each)
	used := cpuTime(broker.cmd.Process.Pid) - cpu
	b.ReportMetric(float64(used.Microseconds())/n, "broker-µs/message")
	b.ReportMetric(n/used.Seconds(), "messages/broker-s")
	b.ReportMetric(n/time.Since(began).Seconds(), "messages/s")
	b.ReportMetric(0, "ns/op")
}

func ackedByAll(page int) (n int) {
	for i := range manyFarmCount {
		n += int(max(0, farmMetric(page, fmt.Sprintf("farm%d", i), ackedTotal)))
	}
	return n
}

// pulsation is the sensors of all farms.
type pulsation struct {
	client    paho.Client
	sent      int
	confirmed map[string]time.Time // when the second dead report of a farm went out
}

// minute publishes one report of each sensor over a minute. Dead is the how manieth round this is of reports from a
// dead zone, the last of each farm's first row; 0 for none.
func (p *pulsation) minute(round, dead int) {
	sensors := rowsPerFarm * (zonesPerRow + 1)
	tick := time.NewTicker(time.Minute / time.Duration(sensors))
	defer tick.Stop()
	for s := range sensors {
		row, z := s/(zonesPerRow+1), s%(zonesPerRow+1)
		for f := range manyFarmCount {
			farm := fmt.Sprintf("farm%d", f)
			topic, kv := fmt.Sprintf("%s/e%d", farm, row), 7.9
			if z > 0 {
				topic, kv = fmt.Sprintf("%s/r%dz%d", farm, row, z-1), 7.8-0.1*float64(z)
			}
			if dead > 0 && row == 0 && z == zonesPerRow {
				kv = -1 // whatever is added below, it is 0
				if dead == 2 {
					p.confirmed[farm] = time.Now()
				}
			}
			p.client.Publish(topic, 1, false, fmt.Sprintf(`{"kv":%.2f,"pulses":46,"battery_v":3.6}`, max(0, kv+0.01*float64((round+f)%7))))
			p.sent++
		}
		<-tick.C
	}
}

// delays returns how long after the confirming report each farm's alarm was raised, in order; 0 where it came before.
func (p *pulsation) delays(log string) (out []time.Duration) {
	for _, m := range regexp.MustCompile(`(?m)^time=(\S+) .*farm=(\S+) .*event=raised .*id=\S+-r0z9-dead`).FindAllStringSubmatch(log, -1) {
		at, err := time.Parse(time.RFC3339Nano, m[1])
		if second, ok := p.confirmed[m[2]]; ok && err == nil {
			out = append(out, max(0, at.Sub(second)))
		}
	}
	slices.Sort(out)
	return out
}
