package main

import (
	"bufio"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"nightwire/sim/outside"
)

// storeLocked has another program hold the data file for longer than the watch waits for it.
func storeLocked(t *testing.T) tally {
	python := outside.Program(t, "python3")
	x := beside(t, nil).start()
	hold := exec.Command(python, "-c", `import sqlite3, sys
c = sqlite3.connect(sys.argv[1], isolation_level=None)
c.execute("BEGIN IMMEDIATE")
print("held", flush=True)
sys.stdin.read()`, x.data+"/nightwire.db")
	in, err := hold.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := hold.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := hold.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); line != "held\n" {
		t.Fatalf("the other program said %q, %v", line, err)
	}
	x.dies() // while it is locked
	if !strings.Contains(x.watch.said(), "watching without storing") {
		t.Error("the watch did not say that it cannot store")
	}
	in.Close()
	if err := hold.Wait(); err != nil {
		t.Fatal(err)
	}
	x.watch.ready(t, x.page)
	x.heals()
	return x.finish(1)
}

// diskFull fills the disk; the zone dies while it is full, and Ann is told that too.
func diskFull(t *testing.T) tally {
	x := beside(t, nil)
	disk := smallDisk(t, 8<<20)
	x.data = disk + "/data"
	x.start()
	filler := fill(t, disk)
	until(t, "the watch says that the disk is full", func() bool {
		x.round()
		return strings.Contains(x.watch.said(), "watching without storing")
	})
	x.dies()
	if !strings.Contains(x.watch.said(), "hint: make room on the disk") {
		t.Error("the watch did not say what to do")
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	x.watch.ready(t, x.page)
	x.heals()
	return x.finish(1)
}

// folderReadOnly has the disk turn read-only, as worn cards do, and the watch start again on it. The broker keeps what
// comes meanwhile.
func folderReadOnly(t *testing.T) tally {
	x := beside(t, nil)
	disk := smallDisk(t, 8<<20)
	x.data = disk + "/data"
	x.start()
	x.watch.stop(t)
	if err := syscall.Mount("", disk, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		t.Skipf("skipped: cannot make the disk read-only: %v", err)
	}
	x.watch = startProcess(t, "nightwire", "run", "--config", x.farmFile, "--data", x.data)
	until(t, "it watches from memory", func() bool {
		return strings.Contains(x.watch.said(), "watching from memory") && strings.Contains(x.watch.said(), "hint: ") &&
			strings.Contains(x.watch.said(), "connected to the broker")
	})
	for range 10 {
		x.round() // it knows nothing of the past
	}
	x.dies()
	x.heals()
	x.watch.stop(t)
	if err := syscall.Mount("", disk, "", syscall.MS_REMOUNT, ""); err != nil {
		t.Fatal(err)
	}
	x.watch = startWatch(t, x.farmFile, x.data)
	c := x.finish(1)
	c.mayTell = 2 // what it told from memory it cannot know to have told: the alarm and its end may come again
	return c
}

// mailAway has the mail server away through several tries; the other route goes on.
func mailAway(t *testing.T) tally {
	x := beside(t, nil)
	smtp := port(t)
	x.ann = ", mail: ann@example.org"
	x.channels = fmt.Sprintf(", mail: {host: 127.0.0.1, port: %d, security: none, from: fence@example.org}", smtp)
	x.start()
	x.dies()
	for i := range kills(2, 4) { // with twice as long to wait each time, about 5 s at first
		x.await("it was tried again", func() bool { return strings.Count(x.watch.said(), "message not taken") > i })
	}
	box := startMailServerAt(t, smtp)
	x.await("the mail comes", func() bool { return newestMail(t, box, "(?i)hazel.*dead") != nil })
	x.heals()
	x.await("the mail that it is over", func() bool { return newestMail(t, box, "(?i)hazel is back") != nil })
	c := x.finish(1)
	files, err := os.ReadDir(box + "/new")
	if err != nil {
		t.Fatal(err)
	}
	c.messagesTwice += len(files) - 2
	return c
}

// pushHangs has the push server answer nothing until the zone is back; the other route is not slowed.
func pushHangs(t *testing.T) tally {
	x := beside(t, nil)
	free := make(chan struct{})
	pushed := make(chan string, 100)
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		select {
		case <-free:
			pushed <- r.Header.Get("Title")
		case <-r.Context().Done():
		}
	}))
	t.Cleanup(server.Close)
	x.ann = ", push: fence"
	x.channels = fmt.Sprintf(", push: {server: %q}", server.URL)
	x.start()
	began := time.Now()
	x.dies()
	x.heals()
	t.Logf("told of both by the other route within %s", time.Since(began).Round(time.Millisecond))
	close(free)
	x.await("both pushes come", func() bool { return len(pushed) >= 2 })
	c := x.finish(1)
	c.messagesTwice += len(pushed) - 2
	return c
}

// nameGone has a mail server whose name nobody knows. Its mail waits until the farm file names another.
func nameGone(t *testing.T) tally {
	box, smtp := startMailServer(t)
	x := beside(t, nil)
	x.ann = ", mail: ann@example.org"
	const unknown = "mail.invalid" // RFC 6761, 6.4: never resolves
	x.channels = fmt.Sprintf(", mail: {host: %s, port: %d, security: none, from: fence@example.org}", unknown, smtp)
	x.start()
	x.dies()
	x.await("the mail was tried", func() bool { return strings.Contains(x.watch.said(), "message not taken") })
	text, err := os.ReadFile(x.farmFile)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(x.farmFile, []byte(strings.ReplaceAll(string(text), unknown, "127.0.0.1")), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := x.watch.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	x.await("the mail comes", func() bool { return newestMail(t, box, "(?i)hazel.*dead") != nil })
	x.watch.ready(t, x.page)
	x.heals()
	x.await("the mail that it is over", func() bool { return newestMail(t, box, "(?i)hazel is back") != nil })
	c := x.finish(1)
	return c
}
