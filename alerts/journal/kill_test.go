package journal

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightwire/alerts"
)

const killEnv = "NIGHTWIRE_TEST_RECORD"

func TestMain(m *testing.M) {
	if path := os.Getenv(killEnv); path != "" {
		recordForEver(path)
		return
	}
	os.Exit(m.Run())
}

// recordForEver records steps, and says the number of each after Record has returned, until it is killed.
func recordForEver(path string) {
	j, err := Open(context.Background(), Options{Path: path})
	if err != nil {
		fmt.Println("error", err)
		return
	}
	first, err := j.Events(context.Background(), "")
	if err != nil {
		fmt.Println("error", err)
		return
	}
	for i := len(first); ; i++ {
		if err := j.Record(context.Background(), step(fmt.Sprint(i), alerts.Raised, i)); err != nil {
			fmt.Println("error", err)
			return
		}
		fmt.Println(i)
	}
}

// TestKilledWhileRecording kills the recorder ten times, and wants every step that it called recorded, and no alarm
// without its message or the other way round.
func TestKilledWhileRecording(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	r := rand.New(rand.NewPCG(1, 1))
	said := -1
	for range 10 {
		said = max(said, killAfter(t, path, time.Duration(20+r.IntN(150))*time.Millisecond, said))
		j := open(t, path)
		if n := len(j.Pending()); n <= said {
			t.Fatalf("%d messages after %d were said to be recorded", n, said+1)
		}
		var lone int
		err := j.r.QueryRow(`SELECT (SELECT count(*) FROM event WHERE id NOT IN (SELECT alarm FROM message_alarm)) +
			(SELECT count(*) FROM message_alarm WHERE alarm NOT IN (SELECT id FROM event)) +
			(SELECT count(*) FROM event WHERE id NOT IN (SELECT id FROM alarm)) +
			(SELECT count(*) FROM event) - (SELECT count(*) FROM message)`).Scan(&lone)
		if err != nil || lone != 0 {
			t.Fatalf("%d alarms or messages stand alone, %v", lone, err)
		}
		j.Close()
	}
	if said < 10 {
		t.Fatalf("only %d steps in ten lives; nothing was tested", said)
	}
	t.Logf("%d steps recorded over ten kills, none lost", said+1)
}

// killAfter runs the recorder, kills it d after it first spoke, and returns the last number it said.
func killAfter(t *testing.T, path string, d time.Duration, last int) int {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), killEnv+"="+path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	var killer *time.Timer
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "error") {
			t.Fatal(lines.Text())
		}
		if n, err := strconv.Atoi(lines.Text()); err == nil {
			last = n
		}
		if killer == nil {
			killer = time.AfterFunc(d, func() { cmd.Process.Kill() })
		}
	}
	cmd.Wait() // it was killed; the error says so
	return last
}
