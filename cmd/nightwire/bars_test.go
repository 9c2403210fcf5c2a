package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"slices"
	"strconv"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"nightwire/sim/outside"
)

// metric returns a figure from a watch's /metrics, or -1.
func metric(page int, name string) float64 {
	text := get(fmt.Sprintf("http://127.0.0.1:%d/metrics", page))
	m := regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(name) + ` (\S+)$`).FindStringSubmatch(text)
	if m == nil {
		return -1
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		return -1
	}
	return v
}

// procFigure returns a figure of a process from a file under /proc, such as "VmRSS" of "status".
func procFigure(tb testing.TB, pid int, file, name string) int {
	tb.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/%s", pid, file))
	if err != nil {
		tb.Skip("skipped: no /proc here")
	}
	m := regexp.MustCompile(`(?m)^` + name + `:\s*(\d+)`).FindSubmatch(data)
	if m == nil {
		tb.Fatalf("no %s in /proc/…/%s", name, file)
	}
	n, err := strconv.Atoi(string(m[1]))
	if err != nil {
		tb.Fatal(err)
	}
	return n
}

// dialPaho connects a client that tests publish with.
func dialPaho(tb testing.TB, o *paho.ClientOptions) paho.Client {
	tb.Helper()
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
		tb.Fatalf("connect: %v", tok.Error())
	}
	return c
}

// TestSmallEnoughForABoard starts a watch with six sensors and its own broker: cold start to the first stored reading,
// and the memory it takes. The bars are 2 s and 80 MB; only memory is held to its bar here, since other work on the
// machine slows a start.
func TestSmallEnoughForABoard(t *testing.T) {
	p, page := port(t), port(t)
	farmFile := sensorFarm(t, 6, fmt.Sprintf("broker: {listen: \"127.0.0.1:%d\"}\npage: {listen: \"127.0.0.1:%d\"}\n", p, page))
	data := filepath.Join(t.TempDir(), "data")
	began := time.Now()
	watch := startWatch(t, farmFile, data)
	c := dialPaho(t, paho.NewClientOptions().AddBroker(fmt.Sprintf("mqtt://127.0.0.1:%d", p)).SetClientID("sensors"))
	send := func(round int) {
		for z := range 6 {
			tok := c.Publish(fmt.Sprintf("test-bank/zone%d", z), 1, false, fmt.Sprintf(`{"kv":%d.%02d}`, 7, round%10))
			if !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
				t.Fatalf("publish: %v", tok.Error())
			}
		}
	}
	send(0)
	until(t, "the first reading is stored", func() bool { return metric(page, "nightwire_readings_stored_total") >= 1 })
	cold := time.Since(began)
	const rounds = 200
	for i := range rounds {
		send(i + 1)
	}
	until(t, "all are stored", func() bool { return metric(page, "nightwire_readings_stored_total") >= 6*(rounds+1) })
	get(fmt.Sprintf("http://127.0.0.1:%d/", page))
	kb := procFigure(t, watch.cmd.Process.Pid, "status", "VmRSS")
	t.Logf("first reading stored %s after the start; resident memory %.1f MB", cold.Round(time.Millisecond), float64(kb)/1024)
	if kb > 80<<10 && !raced() { // the race detector takes several times the memory
		t.Errorf("resident memory is %d kB, the bar is 80 MB", kb)
	}
	c.Disconnect(100)
	watch.stop(t)
}

// raced reports whether the programs under test run under the race detector.
func raced() bool {
	info, ok := debug.ReadBuildInfo()
	return ok && slices.Contains(info.Settings, debug.BuildSetting{Key: "-race", Value: "true"})
}

// TestWritesLittle holds what one durable commit of 20 sensors writes against the bar of 16 kB, with an outside broker:
// more wears out a memory card.
func TestWritesLittle(t *testing.T) {
	mqtt, page := startMosquitto(t), port(t)
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)
	farmFile := sensorFarm(t, 20, fmt.Sprintf("broker: {url: %q}\npage: {listen: \"127.0.0.1:%d\"}\n", url, page))
	watch := startWatch(t, farmFile, filepath.Join(t.TempDir(), "data"))
	watch.ready(t, page)
	c := dialPaho(t, paho.NewClientOptions().AddBroker(url).SetClientID("sensors"))
	want := 0.0
	round := func() {
		var toks []paho.Token
		for z := range 20 {
			toks = append(toks, c.Publish(fmt.Sprintf("test-bank/zone%d", z), 1, false, `{"kv":7.1,"pulses":46,"interval_ms":1300,"battery_v":3.6,"rssi":-78}`))
		}
		for _, tok := range toks {
			if !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
				t.Fatalf("publish: %v", tok.Error())
			}
		}
		want += 20
		until(t, "the round is stored", func() bool { return metric(page, "nightwire_mqtt_messages_acked_total") >= want })
	}
	for range 3 {
		round() // the first make tables grow
	}
	pid := watch.cmd.Process.Pid
	commits := func() float64 { return metric(page, "nightwire_mqtt_append_seconds_count") }
	// A round that the network tore in two is no commit of 20 sensors, and is not counted.
	wrote, whole := int64(0), int64(0)
	for range 40 {
		bytes, before := procFigure(t, pid, "io", "write_bytes"), commits()
		round()
		if commits() == before+1 {
			wrote += int64(procFigure(t, pid, "io", "write_bytes") - bytes)
			whole++
		}
	}
	if whole < 10 {
		t.Fatalf("only %d of 40 rounds came as one commit", whole)
	}
	each := wrote / whole
	t.Logf("%d commits of 20 sensors wrote %d bytes: %d each", whole, wrote, each)
	if wrote == 0 {
		t.Skip("skipped: the temporary folder is not on a disk")
	}
	if each > 16<<10 {
		t.Errorf("a commit of 20 sensors writes %d bytes, the bar is 16 kB", each)
	}
	c.Disconnect(100)
	watch.stop(t)
}

// TestBuildsForBoards builds for the computers that farms have.
func TestBuildsForBoards(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: builds three times")
	}
	goTool := outside.Program(t, "go")
	for _, tt := range []struct{ name, arch, arm string }{{"amd64", "amd64", ""}, {"arm64", "arm64", ""}, {"armv6", "arm", "6"}} {
		t.Run(tt.name, func(t *testing.T) {
			cmd := exec.Command(goTool, "build", "-o", filepath.Join(t.TempDir(), "nightwire"), ".")
			cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+tt.arch, "GOARM="+tt.arm)
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Errorf("build: %v\n%s", err, out)
			}
		})
	}
}

// backlog publishes messages for sessions that are away, each with a time of its own, and returns the next time.
func backlog(tb testing.TB, url string, from time.Time, messages int) time.Time {
	tb.Helper()
	c := dialPaho(tb, paho.NewClientOptions().AddBroker(url).SetClientID("sensors"))
	var toks []paho.Token
	for i := range messages {
		msg := fmt.Sprintf(`{"kv":7.%02d,"pulses":46,"interval_ms":1300,"battery_v":3.6,"rssi":-78,"t":%d}`, i%100, from.UnixMilli())
		toks = append(toks, c.Publish(fmt.Sprintf("test-bank/zone%d", i%20), 1, false, msg))
		if i%20 == 19 {
			from = from.Add(time.Millisecond)
		}
		if len(toks) == 500 {
			for _, tok := range toks {
				if !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
					tb.Fatalf("publish: %v", tok.Error())
				}
			}
			toks = toks[:0]
		}
	}
	for _, tok := range toks {
		tok.WaitTimeout(scriptWait)
	}
	c.Disconnect(100)
	return from
}

// bareOptions are those of a subscriber that only acknowledges.
func bareOptions(url string, handle paho.MessageHandler) *paho.ClientOptions {
	o := paho.NewClientOptions().AddBroker(url).SetClientID("bare").SetCleanSession(false).SetAutoAckDisabled(true).SetAutoReconnect(false)
	return o.SetDefaultPublishHandler(handle)
}

// subscribeBare makes the bare subscriber's session.
func subscribeBare(tb testing.TB, o *paho.ClientOptions) {
	tb.Helper()
	c := dialPaho(tb, o)
	if tok := c.Subscribe("test-bank/#", 1, nil); !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
		tb.Fatalf("subscribe: %v", tok.Error())
	}
	c.Disconnect(100)
}
