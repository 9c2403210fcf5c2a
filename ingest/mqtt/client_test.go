package mqtt_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"nightwire/ingest/mqtt"
	"nightwire/ingest/pulse"
)

// upTo returns 0, 1, … n-1.
func upTo(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// sortedOnce sorts and drops repeats, for what may come again.
func sortedOnce(in []int) []int {
	slices.Sort(in)
	return slices.Compact(in)
}

func TestReadingsAreStoredInOrder(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		run(t, options(p, s, "farm/+/kv"))
		c := sensor(t, p)
		for i := range 300 {
			c.Publish("farm/brook/kv", 1, false, strconv.Itoa(i))
		}
		poll(t, "all stored", func() bool { return len(s.all()) >= 300 })
		if diff := cmp.Diff(upTo(300), s.seqs()); diff != "" {
			t.Errorf("stored (-want +got):\n%s", diff)
		}
		seen := map[time.Time]bool{}
		for _, r := range s.all() {
			seen[r.Arrived] = true
		}
		if len(seen) != 300 {
			t.Errorf("%d times of arrival for 300 readings, want each its own", len(seen))
		}
		if s.batches >= 150 {
			t.Errorf("%d commits for 300 readings that came together", s.batches)
		}
	})
}

func TestBadPayloadsHarmNothingElse(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		var mu sync.Mutex
		var rejected []string
		o := options(p, s, "farm/#")
		reg := prometheus.NewRegistry()
		o.Metrics = mqtt.NewMetrics(reg)
		o.Rejected = func(topic string, payload []byte, err error) {
			mu.Lock()
			defer mu.Unlock()
			rejected = append(rejected, fmt.Sprintf("%s %.8s", topic, payload))
		}
		client, stop := run(t, o)
		c := sensor(t, p)
		for i, payload := range []string{"0", "rubbish", "1", "panic", "2", "", "3"} {
			send(t, c, fmt.Sprint("farm/", i), payload)
		}
		poll(t, "all acknowledged", func() bool { return counter(t, reg, "nightwire_mqtt_messages_acked_total") == 7 })
		// When the broker has this, it has read the acknowledgements before it.
		if err := client.Publish(t.Context(), "end", nil, false); err != nil {
			t.Fatal(err)
		}
		stop()
		if diff := cmp.Diff(upTo(4), s.seqs()); diff != "" {
			t.Errorf("stored (-want +got):\n%s", diff)
		}
		want := []string{"farm/1 rubbish", "farm/3 panic", "farm/5 "}
		if diff := cmp.Diff(want, rejected); diff != "" {
			t.Errorf("rejected (-want +got):\n%s", diff)
		}
		err := testutil.GatherAndCompare(reg, strings.NewReader(`
# HELP nightwire_mqtt_messages_rejected_total Messages that gave no readings, by reason.
# TYPE nightwire_mqtt_messages_rejected_total counter
nightwire_mqtt_messages_rejected_total{reason="panic"} 1
nightwire_mqtt_messages_rejected_total{reason="payload"} 2
nightwire_mqtt_messages_rejected_total{reason="too_large"} 0
`), "nightwire_mqtt_messages_rejected_total")
		if err != nil {
			t.Error(err)
		}
		// A rejected message must not come back.
		s2 := &sink{}
		o = options(p, s2, "farm/#")
		o.Rejected = func(topic string, _ []byte, _ error) { t.Errorf("%s came again", topic) }
		run(t, o)
		send(t, c, "farm/x", "4")
		poll(t, "stored", func() bool { return len(s2.all()) == 1 })
	})
}

// TestOnlyReadingsTakeStamps sends a flood of rubbish, which moves no clock ahead: nobody else would be heard in that time.
func TestOnlyReadingsTakeStamps(t *testing.T) {
	p := newEmbedded(t)
	s := &sink{}
	came := time.Date(2026, 6, 1, 2, 0, 0, 0, time.UTC)
	o := options(p, s, "farm/brook")
	o.Now = func() time.Time { return came }
	o.Decode = func(topic string, payload []byte, arrived time.Time, _ bool) ([]pulse.Reading, error) {
		if string(payload) == "rubbish" {
			return nil, errors.New("no reading")
		}
		return []pulse.Reading{{Sensor: pulse.SensorID(topic), At: arrived, Arrived: arrived}}, nil
	}
	run(t, o)
	c := sensor(t, p)
	for range 50 {
		send(t, c, "farm/brook", "rubbish")
	}
	send(t, c, "farm/brook", "bare")
	send(t, c, "farm/brook", "bare")
	poll(t, "stored", func() bool { return len(s.all()) == 2 })
	for i, want := range []time.Time{came, came.Add(time.Millisecond)} {
		if got := s.all()[i].At; !got.Equal(want) {
			t.Errorf("the time of reading %d is %s, want %s", i, got, want)
		}
	}
}

func TestHugePayloadIsRejected(t *testing.T) {
	p := newMosquitto(t, "")
	s := &sink{}
	o := options(p, s, "farm/#")
	got := make(chan int, 1)
	o.Rejected = func(_ string, payload []byte, _ error) { got <- len(payload) }
	run(t, o)
	c := sensor(t, p)
	send(t, c, "farm/brook", strings.Repeat("9", 10<<20))
	send(t, c, "farm/brook", "1")
	poll(t, "stored", func() bool { return len(s.all()) == 1 })
	select {
	case <-got:
	default:
		t.Error("10 MB were not rejected")
	}
}

func TestRetainedIsTold(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		c := sensor(t, p)
		if err := wait(c.Publish("farm/brook", 1, true, "1")); err != nil {
			t.Fatal(err)
		}
		s := &sink{}
		run(t, options(p, s, "farm/brook"))
		poll(t, "retained", func() bool { return len(s.all()) == 1 })
		send(t, c, "farm/brook", "2")
		poll(t, "fresh", func() bool { return len(s.all()) == 2 })
		var retained []bool
		for _, r := range s.all() {
			_, ok := r.Get(pulse.RSSI)
			retained = append(retained, ok)
		}
		if diff := cmp.Diff([]bool{true, false}, retained); diff != "" {
			t.Errorf("retained (-want +got):\n%s", diff)
		}
	})
}

func TestMessagesWaitWhileTheClientIsAway(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		_, stop := run(t, options(p, s, "farm/brook"))
		stop()
		c := sensor(t, p)
		for i := range 50 {
			send(t, c, "farm/brook", strconv.Itoa(i))
		}
		run(t, options(p, s, "farm/brook"))
		poll(t, "all stored", func() bool { return len(s.all()) >= 50 })
		if diff := cmp.Diff(upTo(50), s.seqs()); diff != "" {
			t.Errorf("stored (-want +got):\n%s", diff)
		}
	})
}

// Readings flow while the broker is killed and started again; the sensor repeats what was not acknowledged to it.
func TestBrokerRestarts(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		run(t, options(p, s, "farm/brook"))
		const messages = 300
		for i, restarts := 0, 0; i < messages; {
			c := sensor(t, p)
			for ; i < messages; i++ {
				if i > (restarts+1)*100 {
					p.kill(t)
					p.start(t)
					restarts++
					break
				}
				send(t, c, "farm/brook", strconv.Itoa(i))
			}
			c.Disconnect(0)
		}
		poll(t, "the last stored", func() bool { return slices.Contains(s.seqs(), messages-1) })
		got := sortedOnce(s.seqs())
		if lost := messages - len(got); lost > 2*p.lossPerKill() {
			t.Errorf("%d readings lost in two kills, stored (-want +got):\n%s", lost, cmp.Diff(upTo(messages), got))
		}
	})
}

func TestFailingStoreLosesNothing(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		told := make(chan error, 100)
		o := options(p, s, "farm/brook")
		o.Stalled = func(err error) { told <- err }
		run(t, o)
		c := sensor(t, p)
		broken := errors.New("database is locked")
		for round := range 3 {
			s.fail(broken)
			for i := range 100 {
				send(t, c, "farm/brook", strconv.Itoa(round*100+i))
			}
			if err := <-told; !errors.Is(err, broken) {
				t.Errorf("told %v", err)
			}
			s.fail(nil)
			poll(t, "all stored", func() bool { return len(s.all()) >= (round+1)*100 })
			if err := <-told; err != nil {
				t.Errorf("told %v, want nil", err)
			}
		}
		if diff := cmp.Diff(upTo(300), s.seqs()); diff != "" {
			t.Errorf("stored (-want +got):\n%s", diff)
		}
		if len(told) > 0 {
			t.Errorf("told %d times too often", len(told))
		}
	})
}

// The store hangs while a readings come without a stamp of their own, and the connection breaks meanwhile: the broker
// sends them all again, and each must be stored once.
func TestRepeatsAreStoredOnce(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		connects := make(chan bool, 100)
		o := options(p, s, "farm/brook")
		reg := prometheus.NewRegistry()
		o.Metrics = mqtt.NewMetrics(reg)
		o.Connected = func(up bool) {
			if up {
				connects <- up
			}
		}
		client, _ := run(t, o)
		<-connects
		release := s.block()
		c := sensor(t, p)
		for i := range 20 {
			send(t, c, "farm/brook", strconv.Itoa(i))
		}
		poll(t, "received", func() bool { return counter(t, reg, "nightwire_mqtt_messages_received_total") >= 20 })
		for range 2 {
			before := counter(t, reg, "nightwire_mqtt_messages_received_total")
			client.Reconnect()
			<-connects
			poll(t, "sent again", func() bool { return counter(t, reg, "nightwire_mqtt_messages_received_total") >= before+20 })
		}
		release()
		send(t, c, "farm/brook", "20")
		poll(t, "all stored", func() bool { return slices.Contains(s.seqs(), 20) })
		if diff := cmp.Diff(upTo(21), s.seqs()); diff != "" {
			t.Errorf("stored (-want +got):\n%s", diff)
		}
	})
}

func counter(tb testing.TB, reg *prometheus.Registry, name string) float64 {
	tb.Helper()
	families, err := reg.Gather()
	if err != nil {
		tb.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == name {
			return f.GetMetric()[0].GetCounter().GetValue()
		}
	}
	tb.Fatalf("no metric %s", name)
	return 0
}

// A store that hangs while more comes than the queue holds: what was dropped stays with the broker and comes later.
func TestFullQueueLosesNothing(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		log := &lines{}
		o := options(p, s, "farm/brook")
		reg := prometheus.NewRegistry()
		o.Metrics, o.QueueMessages, o.Log = mqtt.NewMetrics(reg), 16, slog.New(log)
		run(t, o)
		release := s.block()
		c := sensor(t, p)
		send(t, c, "farm/brook", "0")
		poll(t, "the store hanging", func() bool { return s.called() > 0 })
		for i := 1; i < 200; i++ {
			send(t, c, "farm/brook", strconv.Itoa(i))
		}
		poll(t, "queue full", func() bool { return counter(t, reg, "nightwire_mqtt_messages_dropped_total") > 0 })
		release()
		poll(t, "all stored", func() bool { return len(sortedOnce(s.seqs())) == 200 })
		if got := s.seqs(); len(got) != 200 {
			t.Errorf("%d readings stored for 200 messages", len(got))
		}
		if n := len(log.with("queue full")); n == 0 || n > 20 {
			t.Errorf("%d lines about the full queue", n)
		}
	})
}

func TestBrokerDownAtStartIsOneLine(t *testing.T) {
	p := newEmbedded(t)
	p.kill(t)
	log := &lines{}
	s := &sink{}
	o := options(p, s, "farm/brook")
	o.Log = slog.New(log)
	var tries atomic.Int64
	var conn net.Conn
	dial := dialer(p.addr(), &conn)
	o.Dial = func(ctx context.Context) (net.Conn, error) { tries.Add(1); return dial(ctx) }
	c, _ := runUnconnected(t, o)
	poll(t, "a line", func() bool { return len(log.with("no connection")) > 0 })
	if err := c.Publish(t.Context(), "farm/state", []byte("x"), true); !errors.Is(err, mqtt.ErrNotConnected) {
		t.Errorf("Publish gave %v", err)
	}
	poll(t, "several more tries", func() bool { return tries.Load() > 5 })
	got := log.with("no connection")
	if len(got) != 1 || !strings.Contains(got[0], "is it running") {
		t.Errorf("lines %q, want one with what to do", got)
	}
	p.start(t)
	poll(t, "connected", func() bool { return len(log.with("connected to")) == 1 })
	send(t, sensor(t, p), "farm/brook", "1")
	poll(t, "stored", func() bool { return len(s.all()) == 1 })
}

func TestSetTopics(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		client, _ := run(t, options(p, s, "farm/a", "farm/b"))
		c := sensor(t, p)
		if err := client.SetTopics([]string{"farm/b", "farm/c"}); err != nil {
			t.Fatal(err)
		}
		for i, topic := range []string{"farm/a", "farm/b", "farm/c"} {
			send(t, c, topic, strconv.Itoa(i))
		}
		poll(t, "stored", func() bool { return len(s.all()) >= 2 })
		// Order is kept within a topic only. MQTT 3.1.1, 4.6.
		if diff := cmp.Diff([]int{1, 2}, slices.Sorted(slices.Values(s.seqs()))); diff != "" {
			t.Errorf("stored (-want +got):\n%s", diff)
		}
	})
}

func TestPublishAndWill(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		got := make(chan string, 10)
		c := sensor(t, p)
		if err := wait(c.Subscribe("farm/state", 1, func(_ paho.Client, m paho.Message) { got <- string(m.Payload()) })); err != nil {
			t.Fatal(err)
		}
		var conn net.Conn
		o := options(p, &sink{}, "farm/brook")
		o.Will = &mqtt.Will{Topic: "farm/state", Payload: "gone"}
		o.Dial = dialer(p.addr(), &conn)
		client, _ := run(t, o)
		if err := client.Publish(t.Context(), "farm/state", []byte("watching"), true); err != nil {
			t.Fatal(err)
		}
		conn.Close() // no goodbye
		want := []string{"watching", "gone"}
		if diff := cmp.Diff(want, []string{<-got, <-got}); diff != "" {
			t.Errorf("state (-want +got):\n%s", diff)
		}
	})
}

// While the store takes nothing, Live still sees what comes.
func TestLiveWatchesWhileTheStoreIsStalled(t *testing.T) {
	eachBroker(t, func(t *testing.T, p peer) {
		s := &sink{}
		run(t, options(p, s, "farm/brook"))
		s.fail(errors.New("disk full"))
		seen := make(chan float64, 1000)
		live, err := mqtt.NewLive(mqtt.LiveOptions{
			Config: mqtt.Config{URL: "mqtt://" + p.addr()}, Topics: []string{"farm/brook"}, Decode: decodeSeq,
			Log: slog.New(slog.DiscardHandler),
			Observe: func(rs []pulse.Reading) {
				v, _ := rs[0].Get(pulse.Seq)
				seen <- v
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		live.Hasten()
		var wg sync.WaitGroup
		defer wg.Wait()
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		wg.Go(func() {
			if err := live.Run(ctx); err != nil {
				t.Error(err)
			}
		})
		c := sensor(t, p)
		sent := 0
		poll(t, "live sees a reading", func() bool {
			send(t, c, "farm/brook", strconv.Itoa(sent))
			sent++
			return len(seen) > 0
		})
		s.fail(nil)
		poll(t, "all stored", func() bool { return len(s.all()) >= sent })
		if diff := cmp.Diff(upTo(sent), s.seqs()); diff != "" {
			t.Errorf("stored (-want +got):\n%s", diff)
		}
	})
}

func TestMetricsAreWellFormed(t *testing.T) {
	reg := prometheus.NewRegistry()
	mqtt.NewMetrics(reg)
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestNewRefuses(t *testing.T) {
	good := options(&embedded{at: "127.0.0.1:1883"}, &sink{}, "farm/brook")
	tests := []struct {
		name   string
		change func(*mqtt.Options)
		want   string
	}{
		{"no decoder", func(o *mqtt.Options) { o.Decode = nil }, "needs Decode"},
		{"no sink", func(o *mqtt.Options) { o.Sink = nil }, "needs Decode, Sink"},
		{"no client ID", func(o *mqtt.Options) { o.Config.ClientID = "" }, "client ID"},
		{"bad url", func(o *mqtt.Options) { o.Config.URL = "not an address" }, "broker url"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			o := good
			tc.change(&o)
			if _, err := mqtt.New(o); err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("New gave %v, want an error with %q", err, tc.want)
			}
		})
	}
}
