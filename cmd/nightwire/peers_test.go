package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/mail"
	"net/netip"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"nightwire/sim/outside"
)

// port returns a port that is free now.
func port(tb testing.TB) int {
	tb.Helper()
	return int(netip.MustParseAddrPort(outside.Address(tb)).Port())
}

// process is a program under test, with what it says.
type process struct {
	cmd  *exec.Cmd
	done chan struct{}
	err  error

	mu  sync.Mutex
	log strings.Builder
}

// startProcess starts a program that is killed at the end of the test, if it still runs.
func startProcess(tb testing.TB, name string, args ...string) *process {
	tb.Helper()
	p := &process{cmd: exec.Command(name, args...), done: make(chan struct{})}
	out, err := p.cmd.StderrPipe()
	if err != nil {
		tb.Fatal(err)
	}
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := p.cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			p.mu.Lock()
			p.log.WriteString(s.Text() + "\n")
			p.mu.Unlock()
		}
		p.err = p.cmd.Wait()
		close(p.done)
	}()
	tb.Cleanup(func() {
		p.kill()
		if tb.Failed() {
			tb.Logf("%s said:\n%s", name, p.said())
		}
	})
	return p
}

func (p *process) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.log.String()
}

// kill ends the program at once, and waits for it.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may have ended
	<-p.done
}

// stop asks the program to end, and returns how it did.
func (p *process) stop(tb testing.TB) {
	tb.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGINT); err != nil {
		tb.Fatal(err)
	}
	select {
	case <-p.done:
		if p.err != nil {
			tb.Errorf("it ended with %v", p.err)
		}
	case <-time.After(scriptWait):
		tb.Fatal("it did not end")
	}
}

// until polls for a condition.
func until(tb testing.TB, what string, ok func() bool) {
	tb.Helper()
	end := time.After(scriptWait)
	for tick := time.Tick(20 * time.Millisecond); !ok(); {
		select {
		case <-tick:
		case <-end:
			tb.Fatalf("never: %s", what)
		}
	}
}

// startMosquitto starts an outside broker with the settings that a hub of many sensors wants, and returns its port.
func startMosquitto(tb testing.TB) int {
	tb.Helper()
	p, _ := startBroker(tb)
	return p
}

// startBroker is startMosquitto for who asks its process.
func startBroker(tb testing.TB) (int, *process) {
	tb.Helper()
	path := outside.Program(tb, "mosquitto")
	dir, p := tb.TempDir(), port(tb)
	conf := filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 1000\n"+
		"persistence true\npersistence_location %s/\nuser root\nset_tcp_nodelay true\n", p, dir)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		tb.Fatal(err)
	}
	broker := startProcess(tb, path, "-c", conf)
	until(tb, "mosquitto listens", func() bool { return dials(p) })
	return p, broker
}

func dials(port int) bool {
	c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
	if err != nil {
		return false
	}
	c.Close()
	return true
}

// startWatch starts a night watch and waits until it is up.
func startWatch(tb testing.TB, farmFile, data string) *process {
	tb.Helper()
	os.Remove(filepath.Join(data, "running.json")) // of one that was killed
	p := startProcess(tb, "nightwire", "run", "--config", farmFile, "--data", data)
	until(tb, "the watch runs", func() bool {
		select {
		case <-p.done:
			tb.Fatalf("the watch ended: %v", p.err)
		default:
		}
		_, err := os.Stat(filepath.Join(data, "running.json"))
		return err == nil
	})
	return p
}

// ready waits until a watch says that readings get through to its store.
func (p *process) ready(tb testing.TB, page int) {
	tb.Helper()
	until(tb, "the watch is ready", func() bool { return get(fmt.Sprintf("http://127.0.0.1:%d/-/ready", page)) == "ok\n" })
}

// nightFarm takes the reporting period and the ports of mail server, broker and page.
const nightFarm = `farm: test-bank
energizers:
  - {name: shed, open_kv: 8, sensor: {topic: test-bank/shed, every: %[1]s}}
zones:
  - {name: brook, fed_by: shed, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/brook, every: %[1]s}}
  - {name: hazel, fed_by: brook, length_m: 200, ohms_per_km: 4000, stock: pigs, sensor: {topic: test-bank/hazel, every: %[1]s}}
people:
  - {name: Ann, mail: ann@example.org}
channels: {mail: {host: 127.0.0.1, port: %[2]d, security: none, from: fence@example.org}}
broker: {url: "mqtt://127.0.0.1:%[3]d"}
page: {listen: "127.0.0.1:%[4]d", url: "http://127.0.0.1:%[4]d"}
`

// TestANightFromSensorToBed goes the whole way with other people's programs: mosquitto for the broker, mosquitto_pub
// for the sensors, and a mail server. A zone goes dead, the mail comes, its link is pressed, and the zone comes back.
func TestANightFromSensorToBed(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: takes two reporting periods of twenty seconds")
	}
	pub := outside.Program(t, "mosquitto_pub")
	mqtt := startMosquitto(t)
	box, smtp := startMailServer(t)
	page := port(t)
	const every = 20 * time.Second
	farmFile := writeFarm(t, fmt.Sprintf(nightFarm, every, smtp, mqtt, page))
	data := filepath.Join(t.TempDir(), "data")
	watch := startWatch(t, farmFile, data)
	watch.ready(t, page)
	n := 0
	round := func(hazel float64) {
		n++
		for topic, kv := range map[string]float64{"shed": 7.8, "brook": 7.4, "hazel": hazel} {
			sensorSays(t, pub, mqtt, "test-bank/"+topic, kv+0.01*float64(n%3))
		}
	}
	for range 10 {
		round(7.0)
	}
	fault := time.Now()
	stop := repeatedly(every, func() { round(0) })
	var m *mail.Message
	until(t, "the mail comes", func() bool { m = newestMail(t, box, "(?i)hazel.*dead"); return m != nil })
	took := time.Since(fault)
	t.Logf("mail after %s, reports every %s", took.Round(time.Millisecond), every)
	if took > 2*every {
		t.Errorf("the mail came after %s, more than two reporting periods", took)
	}
	stop()
	press(t, m)
	if out := output(t, "nightwire", "status", "--config", farmFile, "--data", data); !strings.Contains(out, "Ann has it") {
		t.Errorf("status after the answer:\n%s", out)
	}
	for range 6 {
		round(7.0)
	}
	until(t, "the mail that it is over", func() bool { return newestMail(t, box, "(?i)hazel is back") != nil })
	if out := output(t, "nightwire", "status", "--config", farmFile, "--data", data); !strings.Contains(out, "No open alarms") {
		t.Errorf("status at the end:\n%s", out)
	}
	watch.stop(t)
	if got := exported(t, farmFile, data); got != 3*n {
		t.Errorf("%d readings are stored, %d were published", got, 3*n)
	}
}

// sensorSays has mosquitto_pub publish one report.
func sensorSays(t *testing.T, pub string, mqtt int, topic string, kv float64) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), pub, "-h", "127.0.0.1", "-p", fmt.Sprint(mqtt), "-q", "1", "-t", topic, "-m", fmt.Sprintf(`{"kv":%.2f}`, kv))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("publish: %v: %s", err, out)
	}
}

// repeatedly calls f at once and then every so often, until it is told to stop.
func repeatedly(every time.Duration, f func()) (stop func()) {
	done := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for tick := time.Tick(every); ; {
			f()
			select {
			case <-tick:
			case <-done:
				return
			}
		}
	})
	return func() {
		close(done)
		wg.Wait()
	}
}

// writeFarm writes a farm file, and the secret that it may name beside it.
func writeFarm(t *testing.T, text string) (path string) {
	t.Helper()
	dir := t.TempDir()
	for name, content := range map[string]string{"farm.yaml": text, "secret": strings.Repeat("s", 32)} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "farm.yaml")
}

// exported returns how many readings the watch has kept.
func exported(t *testing.T, farmFile, data string) int {
	t.Helper()
	var csv strings.Builder
	cmd := exec.Command("nightwire", "export", "--config", farmFile, "--data", data)
	cmd.Stdout = &csv
	if err := cmd.Run(); err != nil {
		t.Fatal(err)
	}
	return strings.Count(csv.String(), "\n") - 1
}

// startMailServer starts a mail server that puts what it gets into a folder.
func startMailServer(t *testing.T) (box string, smtp int) {
	t.Helper()
	smtp = port(t)
	return startMailServerAt(t, smtp), smtp
}

// startMailServerAt does so on a given port.
func startMailServerAt(t *testing.T, smtp int) (box string) {
	t.Helper()
	box = filepath.Join(t.TempDir(), "box")
	startProcess(t, outside.Python(t, "aiosmtpd"), "-m", "aiosmtpd", "-n", "-l", fmt.Sprintf("127.0.0.1:%d", smtp), "-c", "aiosmtpd.handlers.Mailbox", box)
	until(t, "the mail server listens", func() bool { return dials(smtp) })
	return box
}

// newestMail returns a mail whose subject matches, or nil.
func newestMail(t *testing.T, box, subject string) *mail.Message {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(box, "new", "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		m, err := mail.ReadMessage(strings.NewReader(string(data)))
		if err == nil && regexp.MustCompile(subject).MatchString(m.Header.Get("Subject")) {
			return m
		}
	}
	return nil
}

// press presses the button behind a mail's link.
func press(t *testing.T, m *mail.Message) {
	t.Helper()
	body, err := io.ReadAll(m.Body)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.NewReplacer("=\r\n", "", "=\n", "", "=3D", "=").Replace(string(body)) // quoted-printable's soft breaks
	link := regexp.MustCompile(`http://127\.0\.0\.1:\d+/a/[\w.-]+`).FindString(text)
	resp, err := http.PostForm(link, url.Values{})
	if err != nil {
		t.Fatalf("press %q: %v\n%s", link, err, text)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("press %q: %s", link, resp.Status)
	}
}

func get(url string) string {
	resp, err := http.Get(url)
	if err != nil {
		return ""
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(resp.Body) // what came is compared
	return string(body)
}

func output(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(context.WithoutCancel(t.Context()), name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}
