package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// bareReport is what the bare subscriber decodes.
type bareReport struct {
	KV         float64 `json:"kv"`
	Pulses     float64 `json:"pulses"`
	IntervalMS float64 `json:"interval_ms"`
	BatteryV   float64 `json:"battery_v"`
	RSSI       float64 `json:"rssi"`
	T          int64   `json:"t"`
}

// bareSubscriber is the program that a night watch is held against: it takes so many messages from a broker's session,
// decodes each with encoding/json, appends it to a file, and acknowledges at once. Every 500 messages, as many as a
// watch stores at once, the file is flushed; it is never synced, so what it acknowledged may be lost. It prints its
// rate and its CPU time a message, and ends.
func bareSubscriber() {
	messages, err := strconv.Atoi(os.Args[2])
	if err != nil {
		panic(err)
	}
	f, err := os.Create(os.Args[3])
	if err != nil {
		panic(err)
	}
	defer f.Close()
	out := bufio.NewWriter(f)
	n, done := 0, make(chan struct{})
	var first time.Time
	var cpu time.Duration
	o := bareOptions(os.Args[1], func(_ paho.Client, m paho.Message) {
		if n == 0 {
			first, cpu = time.Now(), cpuTime(os.Getpid())
		}
		var r bareReport
		if err := json.Unmarshal(m.Payload(), &r); err != nil {
			panic(err)
		}
		fmt.Fprintf(out, "%s,%d,%g,%g,%g,%g,%g\n", m.Topic(), r.T, r.KV, r.Pulses, r.IntervalMS, r.BatteryV, r.RSSI)
		m.Ack()
		if n++; n%500 == 0 || n == messages {
			if err := out.Flush(); err != nil {
				panic(err)
			}
		}
		if n == messages {
			close(done)
		}
	})
	c := paho.NewClient(o)
	if tok := c.Connect(); tok.Wait() && tok.Error() != nil {
		panic(tok.Error())
	}
	<-done
	took, used := time.Since(first), cpuTime(os.Getpid())-cpu
	fmt.Printf("%.1f %.3f\n", float64(messages)/took.Seconds(), float64(used.Nanoseconds())/1000/float64(messages))
	c.Disconnect(250)
}

// cpuTime returns how much processor time a process has had, in hundredths of a second; 0 where there is no /proc.
func cpuTime(pid int) time.Duration {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	// The 14th and 15th fields (proc(5)), counted from after the name, which may have spaces.
	fields := bytes.Fields(data[bytes.LastIndexByte(data, ')')+1:])
	var ticks int64
	for _, f := range fields[11:13] {
		n, err := strconv.ParseInt(string(f), 10, 64)
		if err != nil {
			return 0
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}

// BenchmarkDrain lets one backlog of QoS 1 messages after another run out of mosquitto, by turns into the bare
// subscriber and into a whole night watch that decodes, stores durably, looks with all detectors, and acknowledges. The
// bars: at least 0.85 of its rate, at most 1.25 of its processor time a message. NIGHTWIRE_DRAIN sets the size.
func BenchmarkDrain(b *testing.B) {
	messages := 400_000 // many more than the 65,536 that may be in the queue before the first are counted
	if n, err := strconv.Atoi(os.Getenv("NIGHTWIRE_DRAIN")); err == nil {
		messages = n
	}
	mqtt, page := startMosquitto(b), port(b)
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)
	farmFile := sensorFarm(b, 20, fmt.Sprintf("broker: {url: %q}\npage: {listen: \"127.0.0.1:%d\"}\n", url, page))
	data := filepath.Join(b.TempDir(), "data")
	watch := startWatch(b, farmFile, data)
	watch.ready(b, page)
	watch.stop(b)
	subscribeBare(b, bareOptions(url, nil))
	from := time.Now().Add(-24 * time.Hour)
	var ratios, shares []float64
	for b.Loop() {
		from = backlog(b, url, from, messages)
		bareRate, bareCPU := drainBare(b, url, messages)
		rate, cpu := drainWhole(b, farmFile, data, page, messages)
		b.Logf("bare: %.0f/s, %.1f µs each; watch: %.0f/s, %.1f µs each; rate %.2f (bar 0.85), CPU %.2f (bar 1.25)",
			bareRate, bareCPU, rate, cpu, rate/bareRate, cpu/bareCPU)
		ratios, shares = append(ratios, rate/bareRate), append(shares, cpu/bareCPU)
	}
	slices.Sort(ratios)
	slices.Sort(shares)
	b.ReportMetric(ratios[len(ratios)/2], "rate-ratio")
	b.ReportMetric(shares[len(shares)/2], "cpu-ratio")
}

// drainBare returns how many messages a second the bare subscriber takes, and its CPU time for each in microseconds.
func drainBare(tb testing.TB, url string, messages int) (rate, cpu float64) {
	tb.Helper()
	text := programOutput(tb, "bare-subscriber", url, strconv.Itoa(messages), filepath.Join(tb.TempDir(), "bare.csv"))
	if _, err := fmt.Sscan(text, &rate, &cpu); err != nil {
		tb.Fatalf("the bare subscriber said %q: %v", text, err)
	}
	return rate, cpu
}

// programOutput runs a program and returns what it prints.
func programOutput(tb testing.TB, name string, args ...string) string {
	tb.Helper()
	out, err := exec.Command(name, args...).Output()
	if err != nil {
		tb.Fatalf("%s %q: %v", name, args, err)
	}
	return string(out)
}

// drainWhole returns the same for the night watch, which has stored and acknowledged what it counts.
func drainWhole(tb testing.TB, farmFile, data string, page, messages int) (rate, cpu float64) {
	tb.Helper()
	watch := startWatch(tb, farmFile, data)
	pid := watch.cmd.Process.Pid
	var first time.Time
	var used time.Duration
	before := 0.0 // stored when it was first looked at
	until(tb, "the watch has stored and acknowledged all", func() bool {
		stored := metric(page, "nightwire_readings_stored_total")
		if first.IsZero() && stored > 0 {
			first, used, before = time.Now(), cpuTime(pid), stored
		}
		return stored >= float64(messages) && metric(page, ackedTotal) >= stored
	})
	took, spent := time.Since(first), cpuTime(pid)-used
	if n := metric(page, "nightwire_readings_stored_total"); n != float64(messages) {
		tb.Errorf("%v readings are stored, want %d", n, messages)
	}
	watch.stop(tb)
	counted := float64(messages) - before
	return counted / took.Seconds(), float64(spent.Nanoseconds()) / 1000 / counted
}
