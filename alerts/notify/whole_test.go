package notify_test

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"nightwire/alerts"
	"nightwire/alerts/journal"
	"nightwire/alerts/notify"
	"nightwire/alerts/notify/webhook"
	"nightwire/ingest/farm"
)

// The journal is the outbox of a real run.
var _ notify.Outbox = (*journal.Journal)(nil)

const (
	childEnv = "NIGHTWIRE_TEST_NIGHT" // "database address how-many"
	secret   = "0123456789abcdef0123456789abcdef"
)

func TestMain(m *testing.M) {
	if args := os.Getenv(childEnv); args != "" {
		if err := child(context.Background(), strings.Fields(args)); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func config(address string) notify.Config {
	return notify.Config{Gather: time.Nanosecond, RepeatEvery: 1000 * time.Hour, Farm: &farm.Farm{Name: "alder-bank", People: []farm.Person{
		{Name: "Orla", Order: 1, Routes: []farm.Route{{Channel: "webhook", Address: address}}}}}}
}

// event is the i-th thing that the detectors say, always the same.
func event(i int) alerts.Event {
	at := time.Date(2026, 4, 21, 1, 0, i, 0, time.UTC)
	name := "zone" + strconv.Itoa(i)
	return alerts.Event{ID: alerts.AlarmID(at, farm.ZoneSource(name), alerts.Dead), Time: at, Kind: alerts.Raised, Finding: alerts.Finding{
		Source: farm.ZoneSource(name), Condition: alerts.Dead, Cause: alerts.Unknown, Priority: alerts.High, Text: "Dead."}}
}

// night is a desk, its journal and its sender, started as the daemon would.
type night struct {
	desk   *notify.Desk
	log    *journal.Journal
	sender *notify.Sender
	said   int // events recorded by earlier lives
}

func start(ctx context.Context, path, address string) (*night, error) {
	n := &night{}
	var err error
	if n.log, err = journal.Open(ctx, journal.Options{Path: path, LockWait: 50 * time.Millisecond}); err != nil {
		return nil, err
	}
	if n.desk, err = notify.NewDesk(alerts.BookOptions{}, config(address)); err != nil {
		return nil, err
	}
	past, err := n.log.Load(ctx)
	if err != nil {
		return nil, err
	}
	n.said = len(past.Said)
	if err := n.desk.Load(past.Saved, past.Said); err != nil {
		return nil, err
	}
	hook, err := webhook.New(webhook.Config{Secret: secret})
	if err != nil {
		return nil, err
	}
	n.sender, err = notify.NewSender(notify.SenderOptions{Outbox: n.log, Channels: map[string]notify.Channel{"webhook": hook}})
	return n, err
}

// child lives through the night until it is killed or all is told.
func child(ctx context.Context, args []string) error {
	n, err := start(ctx, args[0], args[1])
	if err != nil {
		return err
	}
	many, err := strconv.Atoi(args[2])
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	wg.Go(func() { n.sender.Run(ctx) })
	for i := range many {
		e := event(i)
		s := n.desk.Events(e.Time, e) // detectors say all of it again
		if i < n.said && !s.Empty() {
			return fmt.Errorf("event %d was recorded before, and planned again: %+v", i, s)
		}
		if err := n.log.Record(ctx, s); err != nil {
			return err
		}
		n.sender.Wake()
		fmt.Println(i)
	}
	for len(n.log.Pending()) > 0 {
		<-time.After(10 * time.Millisecond)
	}
	cancel()
	wg.Wait()
	fmt.Println("done")
	return n.log.Close()
}

// receiver counts what arrives, by alarm.
type receiver struct {
	mu  sync.Mutex
	got map[string]int
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	var body struct{ Alarms []alerts.Event }
	if err := json.NewDecoder(req.Body).Decode(&body); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, e := range body.Alarms {
		r.got[e.ID]++
	}
}

func (r *receiver) count(id string) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.got[id]
}

// TestKilledThroughTheNight kills the whole of it ten times while alarms come and are told, and wants every alarm told,
// and told twice at most once for each kill.
func TestKilledThroughTheNight(t *testing.T) {
	const many, kills = 300, 10
	rec := &receiver{got: map[string]int{}}
	srv := httptest.NewServer(rec)
	defer srv.Close()
	path := filepath.Join(t.TempDir(), "farm.db")
	r := rand.New(rand.NewPCG(7, 7))
	killed := 0
	for range kills {
		if !live(t, path, srv.URL, many, time.Duration(10+r.IntN(120))*time.Millisecond) {
			killed++
		}
	}
	if !live(t, path, srv.URL, many, time.Hour) {
		t.Fatal("the last life did not end by itself")
	}
	twice := 0
	for i := range many {
		switch n := rec.count(event(i).ID); n {
		case 0:
			t.Errorf("alarm %d was never told", i)
		default:
			twice += n - 1
		}
	}
	if killed == 0 {
		t.Fatal("nothing was killed")
	}
	if twice > killed {
		t.Errorf("%d were told again over %d kills", twice, killed)
	}
	t.Logf("%d alarms, %d kills: none lost, %d told twice", many, killed, twice)
}

// live runs a child, kills it after d, and reports whether it came to its end before.
func live(t *testing.T, path, address string, many int, d time.Duration) (done bool) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s %s %d", childEnv, path, address, many))
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var killer *time.Timer
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "error") {
			t.Fatal(lines.Text())
		}
		done = done || lines.Text() == "done"
		if killer == nil {
			killer = time.AfterFunc(d, func() { cmd.Process.Kill() })
		}
	}
	if killer != nil {
		killer.Stop()
	}
	cmd.Wait() // the error says that it was killed
	return done
}

// TestDiskTrouble holds the database locked while an alarm comes: people are woken from memory, and it is written down
// afterwards, once.
func TestDiskTrouble(t *testing.T) {
	rec := &receiver{got: map[string]int{}}
	srv := httptest.NewServer(rec)
	defer srv.Close()
	path := filepath.Join(t.TempDir(), "farm.db")
	n, err := start(t.Context(), path, srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	defer n.log.Close()
	other, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	other.SetMaxOpenConns(1)
	if _, err := other.Exec("BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var wg sync.WaitGroup
	wg.Go(func() { n.sender.Run(ctx) })
	err = n.log.Record(t.Context(), n.desk.Events(event(0).Time, event(0)))
	var u *journal.UnwritableError
	if !errors.As(err, &u) || u.Reason != journal.Locked {
		t.Fatalf("got %v, want an unwritable journal", err)
	}
	n.sender.Wake()
	deadline := time.After(20 * time.Second)
	for len(n.log.Pending()) > 0 {
		select {
		case <-time.After(10 * time.Millisecond):
		case <-deadline:
			t.Fatal("nobody was woken")
		}
	}
	cancel()
	wg.Wait()

	if _, err := other.Exec("ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	if err := n.log.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	sent, err := n.log.Messages(t.Context(), event(0).ID)
	if err != nil || len(sent) != 1 || sent[0].Outcome != alerts.Taken {
		t.Errorf("written down: %+v, %v", sent, err)
	}
	if c := rec.count(event(0).ID); c != 1 {
		t.Errorf("told %d times", c)
	}
}
