package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"nightwire/cmd/nightwire/internal/app"
	"nightwire/cmd/nightwire/internal/config"
)

// wrongClock shows a time that is moved by hand, and can be set wrong.
type wrongClock struct {
	mu    sync.Mutex
	right time.Time
	wrong time.Duration
}

func (c *wrongClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.right.Add(c.wrong)
}

// steady tells how much time has passed, whatever the clock shows.
func (c *wrongClock) steady() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.right.Sub(time.Unix(0, 0))
}

func (c *wrongClock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.right = c.right.Add(d)
}

func (c *wrongClock) set(wrong time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wrong = wrong
}

// clockTrial is a trial in this process, where the clock is ours: the whole watch with its own broker. Reports come
// once a period, without a time of their own.
type clockTrial struct {
	*trial
	clock   *wrongClock
	started chan struct{}
	looked  chan int
	stop    func()

	heard sync.Mutex
	said  map[string]int // events, by kind
}

func startClockTrial(t *testing.T, from time.Time, every time.Duration, rest string) *clockTrial {
	t.Helper()
	c := &clockTrial{trial: alone(t), clock: &wrongClock{right: from}, started: make(chan struct{}, 10), looked: make(chan int, 10_000), said: map[string]int{}}
	c.every = every
	c.farmFile = writeFarm(t, fmt.Sprintf(trialFarm, every, c.hook.url, "", "", c.farmFile, c.page)+rest)
	c.run()
	for range 10 {
		c.step("shed", "brook", "hazel")
	}
	return c
}

// run starts the watch.
func (c *clockTrial) run() {
	c.Helper()
	cfg, err := config.Load(c.farmFile)
	if err == nil {
		err = cfg.ReadSecrets()
	}
	if err != nil {
		c.Fatal(err)
	}
	watch, err := app.New(app.Options{
		Config: cfg, DataDir: c.data, Log: slog.New(slog.NewTextHandler(c, nil)), Now: c.clock.now, Steady: c.clock.steady,
		Started: func(app.Addresses) { c.started <- struct{}{} }, Looked: func(n int) { c.looked <- n },
	})
	if err != nil {
		c.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- watch.Run(ctx) }()
	c.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			c.Errorf("the watch ended with %v", err)
		}
	})
	c.Cleanup(c.stop)
	c.up()
}

// Write writes the watch's log to the test, and counts the events in it.
func (c *clockTrial) Write(p []byte) (int, error) {
	c.heard.Lock()
	defer c.heard.Unlock()
	for _, kind := range []string{"raised", "returned"} {
		c.said[kind] += bytes.Count(p, []byte("msg=alarm event="+kind))
	}
	c.Logf("%s", bytes.TrimSpace(p))
	return len(p), nil
}

// up waits until the watch has started, or has started anew.
func (c *clockTrial) up() {
	c.Helper()
	select {
	case <-c.started:
	case <-time.After(scriptWait):
		c.Fatal("the watch did not start")
	}
}

// step lets a period pass, and these sensors report.
func (c *clockTrial) step(sensors ...string) {
	c.Helper()
	c.clock.pass(c.every)
	kv := map[string]float64{"shed": 7.8, "brook": 7.4, "hazel": c.hazel}
	for _, name := range sensors {
		c.say(name, kv[name])
	}
}

// say has a sensor report, and waits until the watch has looked at that.
func (c *clockTrial) say(name string, kv float64) {
	c.Helper()
	n := len(c.accepted)
	payload := fmt.Sprintf(`{"kv":%.2f,"seq":%d}`, kv+0.01*float64(n%7)*min(kv, 1), n)
	until(c, "the sensors reach the broker", c.reach)
	for left := []report{{n, "test-bank/" + name, payload}}; len(left) > 0; {
		until(c, "the sensors reach the broker", c.reach)
		left = c.publish(left, true)
	}
	c.accepted = append(c.accepted, n)
	select {
	case <-c.looked:
	case <-time.After(scriptWait):
		c.Fatal("the watch did not look at a report")
	}
}

// dies has the zone go dead and reports go on until Ann is told.
func (c *clockTrial) dies() {
	c.Helper()
	c.hazel = 0
	c.alarms++
	c.until("raised", 10)
}

// heals mends it.
func (c *clockTrial) heals() {
	c.Helper()
	c.hazel = 7
	c.until("returned", 75) // a watch that began with a dead zone wants to see it well for an hour
}

// until has the sensors report until Ann has had a message of this kind for every alarm, at most so many periods.
func (c *clockTrial) until(kind string, periods int) {
	c.Helper()
	for range periods {
		c.step("shed", "brook", "hazel")
		c.heard.Lock()
		said := c.said[kind]
		c.heard.Unlock()
		if said >= c.alarms {
			until(c, "Ann is told", func() bool { return len(c.hook.messages(kind)) >= c.alarms })
			return
		}
	}
	c.Fatalf("Ann was not told %q within %d periods", kind, periods)
}

// only checks that Ann was told of hazel being dead and nothing else.
func (c *clockTrial) only() {
	c.Helper()
	for _, m := range c.hook.messages("") {
		for _, a := range m.Alarms {
			if a.Source != "zone/hazel" || a.Condition != "dead" {
				c.Errorf("Ann was told %s: %s", m.Kind, m.Subject)
			}
		}
	}
}

func (c *clockTrial) finish(times int) tally {
	c.Helper()
	c.stop()
	t := tally{times: times, accepted: len(c.accepted), alarms: c.alarms, messagesTwice: c.hook.twice()}
	t.lost, t.readingsTwice = c.counted()
	c.compare(&t)
	return t
}

// springNight is a start far from any change of summer time.
func springNight() time.Time { return time.Date(2026, 4, 20, 22, 0, 0, 0, time.UTC) }

// clockSet sets the clock wrong by so much while a zone is dead, and right again while another fault stands.
func clockSet(t *testing.T, wrong time.Duration) tally {
	c := startClockTrial(t, springNight(), time.Minute, "")
	c.dies()
	for _, by := range []time.Duration{wrong, 0} {
		c.clock.set(by)
		c.up()
		for range 5 {
			c.step("shed", "brook", "hazel")
		}
		if got := len(c.hook.messages("returned")); got >= c.alarms {
			t.Fatalf("the zone is still dead, and Ann was told that it is back")
		}
		c.heals()
		for range 10 {
			c.step("shed", "brook", "hazel")
		}
		c.dies()
	}
	c.heals()
	c.only()
	return c.finish(2)
}

func clockBack(t *testing.T) tally    { return clockSet(t, -24*time.Hour) }
func clockForward(t *testing.T) tally { return clockSet(t, 24*time.Hour) }

// clockMonths has the watch start months behind, since the board's battery is flat, and leap to the right time later.
func clockMonths(t *testing.T) tally {
	c := startClockTrial(t, springNight(), time.Minute, "")
	c.stop()
	c.clock.pass(time.Hour)
	c.clock.set(-120 * 24 * time.Hour)
	c.run()
	for range 10 {
		c.step("shed", "brook", "hazel")
	}
	c.dies()
	c.clock.set(0)
	c.up()
	for range 5 {
		c.step("shed", "brook", "hazel")
	}
	if len(c.hook.messages("returned")) > 0 {
		t.Fatal("the zone is still dead, and Ann was told that it is back")
	}
	c.heals()
	c.only()
	return c.finish(2)
}

// silentNight has a sensor fall silent in a night in which summer time begins or ends: it is a matter for the morning,
// or for the evening when the farm file says so. Whatever else is said by the day is said at its hour, and once. The clock
// here runs an hour while the watch, which looks five times a second, looks once.
func silentNight(t *testing.T, evening time.Time) tally {
	var sum tally
	for _, tt := range []struct{ rest, kind, from, until string }{
		{"", "raised", "07:00", "07:01"},
		{"alarms: {conditions: {silent: {priority: low}}}\n", "round", "19:00", "20:30"},
	} {
		c := startClockTrial(t, evening, 15*time.Minute, tt.rest)
		c.alarms++
		for range 4 * 26 {
			c.step("shed", "brook")
		}
		until(t, "Ann is told of the silent sensor", func() bool { return len(c.hook.messages(tt.kind)) > 0 })
		c.checkHours(tt.kind, tt.from, tt.until)
		one := c.finish(1)
		sum.times += one.times
		sum.accepted += one.accepted
		sum.lost += one.lost
		sum.readingsTwice += one.readingsTwice
		sum.alarms++
		sum.messages++
	}
	return sum
}

// checkHours checks that messages of a kind came once, between two times of the farm's day, and that none came in the
// quiet hours.
func (c *clockTrial) checkHours(kind, from, until string) {
	c.Helper()
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		c.Fatal(err)
	}
	count := map[string]int{}
	for _, m := range c.hook.messages("") {
		count[m.Kind]++
		at := m.Time.In(dublin).Format("15:04")
		if at < "07:00" || at >= "22:00" {
			c.Errorf("%s was told at %s: %s", m.Kind, at, m.Subject)
		}
		if m.Kind == kind && (at < from || at >= until) {
			c.Errorf("%s was told at %s, want %s to %s", kind, at, from, until)
		}
	}
	for kind, n := range count {
		if n != 1 {
			c.Errorf("%s was told %d times in a day", kind, n)
		}
	}
}

func summerEnds(t *testing.T) tally {
	return silentNight(t, time.Date(2026, 10, 24, 18, 30, 0, 0, time.UTC))
}

func summerBegins(t *testing.T) tally {
	return silentNight(t, time.Date(2027, 3, 27, 19, 30, 0, 0, time.UTC))
}
