package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"text/tabwriter"
	"time"

	"nightwire/sim/outside"
)

// faultKind is one kind of fault, and a trial of it.
type faultKind struct {
	name string
	try  func(t *testing.T) tally
}

// faultKinds returns every kind that the harness knows.
func faultKinds() []faultKind {
	return []faultKind{
		{"watch killed under load, outside broker", killedBeside},
		{"watch killed under load, own broker", killedAlone},
		{"watch told to end (SIGTERM) under load", endedUnderLoad},
		{"link to the broker cut", linkCut},
		{"broker ended (SIGTERM) and started again with its state", brokerRestarts},
		{"broker killed (SIGKILL) and started again", brokerKilled},
		{"store locked by another program", storeLocked},
		{"disk full", diskFull},
		{"data folder read-only", folderReadOnly},
		{"mail server away", mailAway},
		{"push server hangs", pushHangs},
		{"name of the mail server unknown (DNS gone)", nameGone},
		{"clock set back a day", clockBack},
		{"clock set forward a day", clockForward},
		{"clock months behind, then right again", clockMonths},
		{"summer time ends, 2026-10-25", summerEnds},
		{"summer time begins, 2027-03-28", summerBegins},
		{"every report twice, and some a week late", twiceAndLate},
		{"one sensor floods with 1,000 reports a second", flooded},
		{"payloads of 10 MB", hugePayloads},
		{"random payloads", randomPayloads},
	}
}

// atOnceFaults is how many kinds are tried at once: they mostly wait.
const atOnceFaults = 5

// TestFaults is the fault harness: it does to a night watch what farms do to computers, with real programs, and prints
// a table of what that cost. NIGHTWIRE_LONG=1 does more of each.
func TestFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: takes a minute")
	}
	outside.Program(t, "mosquitto")
	kinds := faultKinds()
	costs := make([]tally, len(kinds))
	ran := make([]bool, len(kinds))
	room := make(chan struct{}, atOnceFaults)
	var wg sync.WaitGroup
	for i, k := range kinds {
		wg.Go(func() {
			room <- struct{}{}
			defer func() { <-room }()
			t.Run(k.name, func(t *testing.T) {
				costs[i] = k.try(t)
				costs[i].check(t)
				ran[i] = true
			})
		})
	}
	wg.Wait()
	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "fault\ttimes\treadings\tlost\ttwice\talarms\tlost\tmessages\tlost\ttwice")
	for i, c := range costs {
		if !ran[i] {
			fmt.Fprintf(w, "%s\tnot tried, or failed\n", kinds[i].name)
			continue
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\n", kinds[i].name, c.times, c.accepted, c.lost, c.readingsTwice,
			c.alarms, c.alarmsLost, c.messages, c.messagesLost, c.messagesTwice)
	}
	w.Flush()
	t.Logf("what was accepted and what became of it:\n%s", table.String())
}

// atMoments calls f so many times, each a random moment of up to a third of a second after the last.
func atMoments(times int, f func(i int)) {
	for i := range times {
		<-time.After(rand.N(300 * time.Millisecond))
		f(i)
	}
}

// kills returns how often a watch is killed.
func kills(short, length int) int {
	if long() {
		return length
	}
	return short
}

// underLoad has a zone go dead and come back while the watch is ended again and again.
func underLoad(x *trial, times int, end func(i int)) tally {
	x.start()
	stop := x.steadily(5 * time.Millisecond)
	atMoments(times, func(i int) {
		if i == times/3 {
			x.alarms++
			x.show(0)
		}
		end(i)
		x.watch = startWatch(x, x.farmFile, x.data)
	})
	until(x, "Ann is told that hazel is dead", func() bool { return len(x.hook.messages("raised")) > 0 })
	x.show(7)
	until(x, "Ann is told that hazel is back", func() bool { return len(x.hook.messages("returned")) > 0 })
	stop()
	return x.finish(times)
}

func killedBeside(t *testing.T) tally {
	x := beside(t, nil)
	return underLoad(x, kills(10, 100), func(int) { x.watch.kill() })
}

func killedAlone(t *testing.T) tally {
	x := alone(t)
	return underLoad(x, kills(5, 100), func(int) { x.watch.kill() })
}

func endedUnderLoad(t *testing.T) tally {
	x := beside(t, nil)
	c := underLoad(x, kills(3, 30), func(int) {
		if err := x.watch.cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		<-x.watch.done
		if x.watch.err != nil {
			t.Errorf("told to end, it ended with %v", x.watch.err)
		}
	})
	if c.messagesTwice > 0 {
		t.Errorf("%d messages came twice, although it had time to end", c.messagesTwice)
	}
	return c
}

// linkCut cuts the link between watch and broker; the sensors still reach the broker. The zone dies while it is cut.
func linkCut(t *testing.T) tally {
	var cut *link
	x := beside(t, func(mqtt int) int {
		cut = startLink(t, mqtt)
		return cut.port()
	})
	x.start()
	times := kills(2, 20)
	for i := range times {
		cut.set(true)
		if i == times-1 {
			x.show(0)
		}
		for range 20 {
			x.round()
		}
		cut.set(false)
		x.watch.ready(x, x.page)
	}
	x.dies()
	x.heals()
	return x.finish(times)
}

// brokerRestarts ends mosquitto, which keeps its state, and starts it again.
func brokerRestarts(t *testing.T) tally {
	return brokerGone(t, "", func(m *mosquitto) { m.process.stop(t) })
}

// brokerKilled kills mosquitto under load, with the settings that a farm's broker wants: it keeps each change on the
// disk.
func brokerKilled(t *testing.T) tally {
	return brokerGone(t, "autosave_interval 1\nautosave_on_changes true\n", func(m *mosquitto) { m.process.kill() })
}

// brokerGone has the broker go and come again under load; a zone dies when it goes for the last time.
func brokerGone(t *testing.T, settings string, end func(*mosquitto)) tally {
	m := newMosquitto(t, settings)
	m.start(t)
	x := (&trial{T: t, url: fmt.Sprintf("mqtt://127.0.0.1:%d", m.port)}).set(fmt.Sprintf(`url: "mqtt://127.0.0.1:%d"`, m.port))
	x.start()
	times := kills(3, 20)
	stop := x.steadily(20 * time.Millisecond)
	atMoments(times, func(i int) {
		end(m)
		if i == times-1 {
			x.show(0)
		}
		m.start(t)
		x.watch.ready(x, x.page)
	})
	stop()
	x.dies()
	x.heals()
	return x.finish(times)
}

// twiceAndLate has every report come twice, and a zone's bad ones of a week ago, which wake nobody.
func twiceAndLate(t *testing.T) tally {
	x := beside(t, nil).start()
	const n = 200
	weekAgo := time.Now().Add(-7 * 24 * time.Hour)
	for i := range n {
		late := fmt.Sprintf(`{"kv":0,"seq":%d,"t":%d}`, 1_000_000+i, weekAgo.Add(time.Duration(i)*time.Second).UnixMilli())
		x.stamp = max(x.stamp+1, time.Now().UnixMilli())
		now := fmt.Sprintf(`{"kv":7.1%d,"seq":%d,"t":%d}`, i%10, 2_000_000+i, x.stamp)
		rs := []report{{1_000_000 + i, "test-bank/hazel", late}, {2_000_000 + i, "test-bank/brook", now}}
		if left := x.publish(append(rs, rs...), true); len(left) > 0 {
			t.Fatal("the broker did not take a report")
		}
	}
	for i := range n {
		x.accepted = append(x.accepted, 1_000_000+i, 2_000_000+i)
	}
	until(t, "the late ones are stored", func() bool { lost, _ := x.counted(); return lost == 0 })
	if got := x.hook.messages(""); len(got) > 0 {
		t.Errorf("Ann was told %q", got)
	}
	x.dies()
	x.heals()
	return x.finish(2 * n)
}

// hugePayloads sends what no sensor says. They are refused, and harm nothing else.
func hugePayloads(t *testing.T) tally {
	x := beside(t, nil).start()
	times := kills(3, 20)
	huge := strings.Repeat("7", 10<<20)
	for range times {
		if left := x.publish([]report{{-1, "test-bank/brook", huge}}, true); len(left) > 0 {
			t.Fatal("the broker did not take a payload of 10 MB")
		}
		x.round()
	}
	x.dies()
	x.heals()
	if kb := procFigure(t, x.watch.cmd.Process.Pid, "status", "VmHWM"); kb > 300<<10 {
		t.Errorf("resident memory was %d kB at its most", kb)
	}
	return x.finish(times)
}

// randomPayloads sends noise, half of it almost JSON, between the sensors' reports.
func randomPayloads(t *testing.T) tally {
	x := beside(t, nil).start()
	times := kills(20_000, 1_000_000)
	const lot = 1000
	for done := 0; done < times; done += lot {
		var rs []report
		for range lot {
			rs = append(rs, report{-1, "test-bank/shed", noise()})
		}
		if left := x.publish(rs, true); len(left) > 0 {
			t.Fatal("the broker did not take a payload")
		}
		x.round()
	}
	until(t, "all of it was looked at", func() bool { // of two alike that come again one may be taken for the other
		return metric(x.page, ackedTotal)+metric(x.page, "nightwire_mqtt_messages_repeated_total") >= float64(times+len(x.accepted))
	})
	x.dies()
	x.heals()
	if got := x.hook.messages("raised"); len(got) > 1 {
		t.Errorf("Ann was told %+v", got)
	}
	return x.finish(times)
}

// noise returns a random payload that says nothing, as a broken sensor's.
func noise() string {
	b := make([]byte, rand.IntN(60))
	for i := range b {
		if b[i] = byte(rand.IntN(256)); rand.IntN(2) == 0 {
			b[i] = `{}[]":,.-+eE tnulrsfakv0`[rand.IntN(24)]
		}
	}
	return "x" + string(b)
}

// flooded has one sensor go mad while a zone dies.
func flooded(t *testing.T) tally {
	x := beside(t, nil).start()
	x.without = "brook"
	seconds := kills(5, 300)
	mad := &trial{T: t, url: x.url}
	until(t, "the mad sensor connects", func() bool { return mad.reachAs("mad") })
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for lot := range 100 * seconds {
			<-tick.C
			var rs []report
			for i := range 10 {
				n := 1_000_000 + 10*lot + i
				rs = append(rs, report{n, "test-bank/brook", fmt.Sprintf(`{"kv":7.4%d,"seq":%d}`, n%10, n)})
			}
			if left := mad.publish(rs, true); len(left) > 0 {
				t.Error("the broker did not take a report")
				return
			}
		}
	}()
	x.dies()
	x.heals()
	<-done
	for i := range 1000 * seconds {
		x.accepted = append(x.accepted, 1_000_000+i)
	}
	return x.finish(1)
}

// mosquitto is an outside broker that can be started again with its state.
type mosquitto struct {
	port    int
	conf    string
	process *process
}

func newMosquitto(t *testing.T, settings string) *mosquitto {
	t.Helper()
	m := &mosquitto{port: port(t), conf: t.TempDir() + "/mosquitto.conf"}
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 1000\n"+
		"persistence true\npersistence_location %s/\nuser root\nset_tcp_nodelay true\n", m.port, t.TempDir()) + settings
	if err := os.WriteFile(m.conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return m
}

func (m *mosquitto) start(t *testing.T) {
	t.Helper()
	m.process = startProcess(t, outside.Program(t, "mosquitto"), "-c", m.conf)
	until(t, "mosquitto listens", func() bool { return dials(m.port) })
}
