package broker

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// childEnv makes the test binary run a broker instead of tests, so that it can be killed. It holds "listen|folder".
const childEnv = "NIGHTWIRE_BROKER_CHILD"

func TestMain(m *testing.M) {
	if where := os.Getenv(childEnv); where != "" {
		if err := runChild(where); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func runChild(where string) error {
	listen, dir, _ := strings.Cut(where, "|")
	b, err := New(Options{Listen: listen, StoreDir: dir, AckWait: time.Second, Log: slog.New(slog.NewTextHandler(os.Stderr, nil))})
	if err != nil {
		return err
	}
	go func() {
		<-b.Ready()
		fmt.Println(b.Addr())
	}()
	return b.Run(context.Background())
}

// child is a broker in a process of its own.
type child struct {
	cmd  *exec.Cmd
	addr net.Addr
}

func startChild(tb testing.TB, listen, dir string) *child {
	tb.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+listen+"|"+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		tb.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	c := &child{cmd: cmd}
	tb.Cleanup(c.kill)
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		tb.Fatalf("broker process said nothing: %v", err)
	}
	if c.addr, err = net.ResolveTCPAddr("tcp", strings.TrimSpace(line)); err != nil {
		tb.Fatal(err)
	}
	return c
}

// kill ends the process as a power cut would and waits for it.
func (c *child) kill() {
	_ = c.cmd.Process.Kill() // gone already is fine
	_ = c.cmd.Wait()
}

// Two thousand messages flow while the broker is killed twice. What was acknowledged to the publisher must arrive.
func TestNothingAcknowledgedIsLostByKills(t *testing.T) {
	const messages = 2000
	dir := t.TempDir()
	b := startChild(t, "127.0.0.1:0", dir)
	listen := b.addr.String()
	durable := func(o *paho.ClientOptions) { o.SetClientID("durable").SetCleanSession(false) }

	c := mustDial(t, b.addr, "", "", durable)
	if err := wait(c.Subscribe("farm/+/kv", 1, nil)); err != nil {
		t.Fatal(err)
	}
	c.Disconnect(100)

	acked := map[string]bool{}
	for seq := 0; seq < messages; {
		pub := mustDial(t, b.addr, "", "", func(o *paho.ClientOptions) { o.SetClientID("publisher") })
		killAt := (len(acked)/700 + 1) * 700
		seq += publishUntil(pub, seq, messages, killAt, acked, b.kill)
		if seq < messages {
			b = startChild(t, listen, dir)
		}
	}
	if len(acked) < messages/2 {
		t.Fatalf("only %d of %d were acknowledged: the test shows nothing", len(acked), messages)
	}

	got := make(chan string, 10*messages)
	mustDial(t, b.addr, "", "", durable, func(o *paho.ClientOptions) {
		o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { got <- string(m.Payload()) })
	})
	for missing := len(acked); missing > 0; {
		s := next(t, got)
		if acked[s] {
			acked[s] = false
			missing--
		}
	}
	t.Logf("%d of %d acknowledged, all arrived", len(acked), messages)
}

// publishUntil sends messages from seq on in groups, notes which were acknowledged, and calls kill in the middle of a
// group once killAt are. It returns how many it sent.
func publishUntil(c paho.Client, seq, end, killAt int, acked map[string]bool, kill func()) (sent int) {
	const group = 50
	for seq+sent < end {
		toks := map[string]paho.Token{}
		for range min(group, end-seq-sent) {
			s := fmt.Sprintf(`{"kv":8.1,"seq":%d}`, seq+sent)
			toks[s] = c.Publish(fmt.Sprintf("farm/z%d/kv", sent%7), 1, false, s)
			sent++
		}
		dying := len(acked) >= killAt
		if dying {
			kill()
		}
		for s, tok := range toks {
			if dying && !tok.WaitTimeout(10*time.Millisecond) {
				continue
			}
			if wait(tok) == nil {
				acked[s] = true
			}
		}
		if dying {
			return sent
		}
	}
	return sent
}

// The disk fills while sensors report: watching goes on at QoS 0, the broker says why, and it mends itself.
func TestFullDisk(t *testing.T) {
	dir := smallDisk(t, 8<<20)
	told := make(chan error, 10)
	rec := &recorder{}
	b := startBroker(t, Options{
		StoreDir: filepath.Join(dir, "broker"), Log: slog.New(rec), AckWait: time.Second,
		Degraded: func(err error) { told <- err },
	})
	live := mustDial(t, b.Addr(), "", "", func(o *paho.ClientOptions) { o.SetClientID("live") })
	watching := collect(t, live, "farm/brook", 0)
	// Without a durable subscriber there is nothing to store, and a full disk would not matter.
	durable := func(o *paho.ClientOptions) { o.SetClientID("store").SetCleanSession(false) }
	keeping := collect(t, mustDial(t, b.Addr(), "", "", durable), "farm/brook", 1)
	sensor := mustDial(t, b.Addr(), "", "", func(o *paho.ClientOptions) { o.SetClientID("sensor") })
	if err := wait(sensor.Publish("farm/brook", 1, false, "before")); err != nil {
		t.Fatal(err)
	}
	next(t, watching)
	next(t, keeping)

	filler := filepath.Join(dir, "filler")
	fill(t, filler)
	big := strings.Repeat("x", 8<<10)
	for range 100 { // what is left of the last block takes a few
		sensor.Publish("farm/brook", 1, false, big)
		if s := next(t, watching); len(s) < len(big) {
			t.Errorf("watching saw %q", s)
		}
		if len(told) > 0 {
			break
		}
	}
	if err := nextError(t, told); err == nil || !strings.Contains(err.Error(), "disk is full") {
		t.Fatalf("told %v, want that the disk is full", err)
	}
	if n := rec.count("broker cannot keep messages", slog.LevelError); n != 1 {
		t.Errorf("said so %d times, want once", n)
	}

	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	if err := nextError(t, told); err != nil {
		t.Fatalf("told %v, want nil", err)
	}
	again := mustDial(t, b.Addr(), "", "", func(o *paho.ClientOptions) { o.SetClientID("sensor") })
	if err := wait(again.Publish("farm/brook", 1, false, "after")); err != nil {
		t.Fatal(err)
	}
	got := make(chan string, 1000)
	mustDial(t, b.Addr(), "", "", durable, func(o *paho.ClientOptions) {
		o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { got <- string(m.Payload()) })
	})
	for next(t, got) != "after" {
	}
}

// With the disk full from the start, clients can still connect thanks to the reserve.
func TestStartOnFullDisk(t *testing.T) {
	dir := smallDisk(t, 8<<20)
	store := filepath.Join(dir, "broker")
	t.Run("once with room", func(t *testing.T) { startBroker(t, Options{StoreDir: store}) })
	fill(t, filepath.Join(dir, "filler"))
	told := make(chan error, 10)
	b := startBroker(t, Options{StoreDir: store, Degraded: func(err error) { told <- err }})
	if err := nextError(t, told); err == nil {
		t.Error("a full disk was not told")
	}
	c := mustDial(t, b.Addr(), "", "")
	got := collect(t, c, "farm/brook", 0)
	if err := wait(c.Publish("farm/brook", 0, false, "8.1")); err != nil {
		t.Fatal(err)
	}
	if s := next(t, got); s != "farm/brook 8.1" {
		t.Errorf("got %q", s)
	}
}

func nextError(tb testing.TB, ch <-chan error) error {
	tb.Helper()
	select {
	case err := <-ch:
		return err
	case <-time.After(patience):
		tb.Fatal("nothing was told")
		return nil
	}
}

// smallDisk mounts a file system of its own, which takes root.
func smallDisk(tb testing.TB, size int) string {
	tb.Helper()
	dir := tb.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%d", size)); err != nil {
		tb.Skipf("skipped: cannot mount a small disk: %v", err)
	}
	tb.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			tb.Errorf("unmount: %v", err)
		}
	})
	return dir
}

// fill takes all the room that is left.
func fill(tb testing.TB, path string) {
	tb.Helper()
	f, err := os.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	if !errors.Is(err, syscall.ENOSPC) {
		tb.Fatal(err)
	}
}
