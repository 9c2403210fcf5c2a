package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// smallDisk mounts a filesystem of so many bytes, or skips where that is not allowed.
func smallDisk(t *testing.T, bytes int) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("nightwire-test", dir, "tmpfs", 0, fmt.Sprintf("size=%d", bytes)); err != nil {
		t.Skipf("skipped: cannot mount a small disk: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return dir
}

// fill writes to the disk until there is no room left.
func fill(t *testing.T, dir string) (path string) {
	t.Helper()
	path = filepath.Join(dir, "filler")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for chunk := make([]byte, 64<<10); len(chunk) > 0; {
		_, err := f.Write(chunk)
		if errors.Is(err, syscall.ENOSPC) {
			chunk = chunk[:len(chunk)/2] // down to the last byte
		} else if err != nil {
			t.Fatal(err)
		}
	}
	return path
}

// fullFarm takes the addresses of webhook and broker, and the port of the page.
const fullFarm = `farm: test-bank
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: 20s}}
zones:
  - {name: brook, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/brook, every: 20s}}
  - {name: hazel, fed_by: brook, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/hazel, every: 20s}}
people:
  - {name: Ann, webhook: %q}
channels: {webhook: {secret_file: secret}}
broker: {url: %q}
page: {listen: "127.0.0.1:%d"}
`

// listener takes webhook messages at url, and passes on the kind and subject of each.
func listener(t *testing.T) (told <-chan string, url string) {
	t.Helper()
	out := make(chan string, 100)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m struct{ Kind, Subject string }
		if json.NewDecoder(r.Body).Decode(&m) == nil {
			out <- m.Kind + " " + m.Subject
		}
	}))
	t.Cleanup(hook.Close)
	return out, hook.URL
}

// firstTold has the sensors report every 20 seconds until somebody is told of something.
func firstTold(t *testing.T, told <-chan string, round func()) string {
	t.Helper()
	tick := time.NewTicker(20 * time.Second)
	defer tick.Stop()
	for range 60 {
		round()
		select {
		case got := <-told:
			return got
		case <-tick.C:
		}
	}
	t.Fatal("nobody was told of the dead zone")
	return ""
}

// TestAFullDiskHidesNoDeadFence fills the disk under a watch. A zone that goes dead then still wakes somebody; when
// there is room again, everything is stored and nobody is told twice.
func TestAFullDiskHidesNoDeadFence(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: takes two reporting periods of twenty seconds")
	}
	disk := smallDisk(t, 8<<20)
	told, hook := listener(t)
	mqtt, page := startMosquitto(t), port(t)
	url := fmt.Sprintf("mqtt://127.0.0.1:%d", mqtt)
	farmFile := writeFarm(t, fmt.Sprintf(fullFarm, hook, url, page))
	data := filepath.Join(disk, "data")
	watch := startWatch(t, farmFile, data)
	watch.ready(t, page)
	c := dialPaho(t, paho.NewClientOptions().AddBroker(url).SetClientID("sensors"))
	sent := 0
	round := func(hazel float64) {
		for topic, kv := range map[string]float64{"shed": 7.8, "brook": 7.4, "hazel": hazel} {
			tok := c.Publish("test-bank/"+topic, 1, false, fmt.Sprintf(`{"kv":%.2f}`, kv+0.01*float64(sent%3)*min(kv, 1)))
			if !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
				t.Fatalf("publish: %v", tok.Error())
			}
			sent++
		}
	}
	stored := func() float64 { return metric(page, "nightwire_readings_stored_total") }
	for range 10 {
		round(7)
	}
	until(t, "the first rounds are stored", func() bool { return stored() == float64(sent) })

	filler := fill(t, disk)
	round(7)
	until(t, "the watch says that the disk is full", func() bool {
		return strings.Contains(watch.said(), "watching without storing") && !strings.Contains(get(fmt.Sprintf("http://127.0.0.1:%d/-/ready", page)), "ok")
	})
	if !strings.Contains(watch.said(), "hint: make room on the disk") {
		t.Errorf("no word of what to do:\n%s", watch.said())
	}
	got := firstTold(t, told, func() { round(0) })
	if !strings.HasPrefix(got, "raised ") || !strings.Contains(got, "azel") {
		t.Errorf("told was %q, want that hazel is dead", got)
	}

	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	until(t, "everything is stored", func() bool { return stored() == float64(sent) })
	watch.ready(t, page)
	select {
	case again := <-told:
		t.Errorf("told again: %q", again)
	default:
	}
	c.Disconnect(100)
	watch.stop(t)
	if out := output(t, "nightwire", "status", "--config", farmFile, "--data", data); !strings.Contains(out, "Hazel is dead") {
		t.Errorf("the alarm of the full disk is not in the journal:\n%s", out)
	}
}

// TestAFolderThatTurnsReadOnlyIsWatchedFromMemory starts a watch on data that can no longer be written, as a worn card
// ends: it says so, and goes on watching.
func TestAFolderThatTurnsReadOnlyIsWatchedFromMemory(t *testing.T) {
	disk := smallDisk(t, 8<<20)
	p, page := port(t), port(t)
	farmFile := sensorFarm(t, 2, fmt.Sprintf("broker: {listen: \"127.0.0.1:%d\"}\npage: {listen: \"127.0.0.1:%d\"}\n", p, page))
	data := filepath.Join(disk, "data")
	startWatch(t, farmFile, data).stop(t)
	if err := syscall.Mount("", disk, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		t.Skipf("skipped: cannot make the disk read-only: %v", err)
	}
	watch := startProcess(t, "nightwire", "run", "--config", farmFile, "--data", data)
	until(t, "it says that it watches from memory", func() bool {
		return strings.Contains(watch.said(), "nothing can be stored, watching from memory") && strings.Contains(watch.said(), "hint: ")
	})
	until(t, "the broker listens", func() bool { return dials(p) })
	c := dialPaho(t, paho.NewClientOptions().AddBroker(fmt.Sprintf("mqtt://127.0.0.1:%d", p)).SetClientID("sensors"))
	until(t, "the page shows what a sensor says", func() bool {
		tok := c.Publish("test-bank/zone0", 1, false, `{"kv":6.54}`)
		return tok.WaitTimeout(scriptWait) && strings.Contains(get(fmt.Sprintf("http://127.0.0.1:%d/", page)), "6.5")
	})
	if get(fmt.Sprintf("http://127.0.0.1:%d/-/ready", page)) == "ok\n" {
		t.Error("it calls itself ready")
	}
	c.Disconnect(100)
	watch.stop(t)
}
