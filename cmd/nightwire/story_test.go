package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rogpeppe/go-internal/testscript"
)

// rehearsalClock names the environment variable with the file that a rehearsal reads its clock from.
const rehearsalClock = "REHEARSAL_CLOCK"

// mainOrRehearsal is the program; with a clock in a file it goes by that one.
func mainOrRehearsal() {
	path := os.Getenv(rehearsalClock)
	if path == "" {
		main()
		return
	}
	var mu sync.Mutex
	var last time.Time
	now := func() time.Time {
		mu.Lock()
		defer mu.Unlock()
		if t, err := readClock(path); err == nil {
			last = t
		}
		return last
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := run(withClock(ctx, now), os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

func readClock(path string) (time.Time, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return time.Time{}, err
	}
	return time.Parse(time.RFC3339, strings.TrimSpace(string(data)))
}

// writeClock sets a clock in one move, so that nobody reads half a time.
func writeClock(path string, t time.Time) error {
	if err := os.WriteFile(path+".new", []byte(t.Format(time.RFC3339)), 0o644); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// setClock sets a rehearsal's clock: clock FILE TIME.
func setClock(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: clock FILE TIME")
	}
	t, err := time.Parse(time.RFC3339, args[1])
	ts.Check(err)
	ts.Check(writeClock(ts.MkAbs(args[0]), t))
}

// hook takes in posted messages and writes a line for each, its kind, person and subject: hook VAR FILE.
func hook(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: hook VAR FILE")
	}
	ln := listen(ts, neg, args[:1])
	f, err := os.Create(ts.MkAbs(args[1]))
	ts.Check(err)
	server := &http.Server{ReadHeaderTimeout: scriptWait, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m struct{ Kind, Person, Subject, Text string }
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		fmt.Fprintf(f, "%s %s: %s\n%s\n", m.Kind, m.Person, m.Subject, m.Text)
	})}
	go server.Serve(ln)
	ts.Defer(func() { server.Close(); f.Close() })
}

// sensor is what a script says that a topic reads, from a first value to a last.
type sensor struct {
	topic    string
	from, to float64
}

func readSensors(ts *testscript.TestScript, args []string) []sensor {
	var out []sensor
	for _, a := range args {
		topic, kv, _ := strings.Cut(a, "=")
		from, to, ok := strings.Cut(kv, "..")
		if !ok {
			to = from
		}
		s := sensor{topic: topic}
		var err error
		s.from, err = strconv.ParseFloat(from, 64)
		ts.Check(err)
		s.to, err = strconv.ParseFloat(to, 64)
		ts.Check(err)
		out = append(out, s)
	}
	return out
}

// field is the sensors' side of a script: it publishes, and waits until what it published is stored.
type field struct {
	ts     *testscript.TestScript
	client paho.Client
	page   int
	stored float64
}

func newField(ts *testscript.TestScript, port, page string) *field {
	f := &field{ts: ts, client: paho.NewClient(paho.NewClientOptions().AddBroker("mqtt://127.0.0.1:" + port))}
	if tok := f.client.Connect(); !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
		ts.Fatalf("connect: %v", tok.Error())
	}
	var err error
	f.page, err = strconv.Atoi(page)
	ts.Check(err)
	f.stored = metric(f.page, "nightwire_readings_stored_total")
	return f
}

// say publishes what each sensor reads at a share of the way, stamped with at.
func (f *field) say(sensors []sensor, share float64, at time.Time) {
	for i, s := range sensors {
		wobble := 0.01 * float64((int(at.Unix()/60)+i)%3-1)
		payload := fmt.Sprintf(`{"kv":%.3f,"t":%d}`, max(0, s.from+(s.to-s.from)*share+wobble), at.UnixMilli())
		if tok := f.client.Publish(s.topic, 1, false, payload); !tok.WaitTimeout(scriptWait) || tok.Error() != nil {
			f.ts.Fatalf("publish: %v", tok.Error())
		}
	}
	f.stored += float64(len(sensors))
}

// settle waits until all is stored.
func (f *field) settle() {
	end := time.After(scriptWait)
	for tick := time.Tick(5 * time.Millisecond); metric(f.page, "nightwire_readings_stored_total") < f.stored; {
		select {
		case <-tick:
		case <-end:
			f.ts.Fatalf("%g readings were never stored", f.stored)
		}
	}
}

// live lets minutes pass, with a reading of each sensor in each: live MQTT PAGE CLOCK MINUTES TOPIC=KV...
func live(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 5 {
		ts.Fatalf("usage: live MQTT PAGE CLOCK MINUTES TOPIC=KV...")
	}
	minutes, err := strconv.Atoi(args[3])
	ts.Check(err)
	f, sensors, clock := newField(ts, args[0], args[1]), readSensors(ts, args[4:]), ts.MkAbs(args[2])
	defer f.client.Disconnect(0)
	now, err := readClock(clock)
	ts.Check(err)
	for m := range minutes {
		now = now.Add(time.Minute)
		ts.Check(writeClock(clock, now))
		f.say(sensors, float64(m)/float64(minutes), now)
		f.settle()
	}
}

// keptBack sends what sensors kept over days, a reading an hour, as after a gateway was mended: backlog MQTT PAGE CLOCK
// DAYS TOPIC=FROM..TO...
func keptBack(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 5 {
		ts.Fatalf("usage: backlog MQTT PAGE CLOCK DAYS TOPIC=FROM..TO...")
	}
	days, err := strconv.Atoi(args[3])
	ts.Check(err)
	f, sensors := newField(ts, args[0], args[1]), readSensors(ts, args[4:])
	defer f.client.Disconnect(0)
	now, err := readClock(ts.MkAbs(args[2]))
	ts.Check(err)
	for h := range 24 * days {
		f.say(sensors, float64(h)/float64(24*days), now.Add(time.Duration(h-24*days)*time.Hour))
	}
	f.settle()
}
