package mqtt_test

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"

	"nightwire/ingest/mqtt"
	"nightwire/ingest/pulse"
)

// BenchmarkDrain empties the same session of the same mosquitto, first with a bare subscriber of the library that
// acknowledges each message in its handler and does nothing else, then with the client, which decodes each and syncs
// it to a file before it acknowledges. One iteration is one message. Compare the two msg/s.
//
//	go test -run '^$' -bench Drain -benchtime 50000x -count 3 ./ingest/mqtt
func BenchmarkDrain(b *testing.B) {
	m := newMosquitto(b, "")
	b.Run("bare", func(b *testing.B) {
		session := fillSession(b, m, b.N)
		b.ReportAllocs()
		b.ResetTimer()
		cpu := cpuTime(b)
		drainBare(b, m, session, b.N)
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
		b.ReportMetric(float64(cpuTime(b)-cpu)/float64(b.N), "cpu-ns/msg")
	})
	b.Run("client", func(b *testing.B) {
		session := fillSession(b, m, b.N)
		f, err := os.Create(filepath.Join(b.TempDir(), "readings"))
		if err != nil {
			b.Fatal(err)
		}
		defer f.Close()
		s := &fileSink{f: f, want: int64(b.N), done: make(chan struct{})}
		b.ReportAllocs()
		b.ResetTimer()
		cpu := cpuTime(b)
		drainClient(b, m, session, s)
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
		b.ReportMetric(float64(cpuTime(b)-cpu)/float64(b.N), "cpu-ns/msg")
		b.ReportMetric(float64(b.N)/float64(s.batches), "readings/commit")
	})
}

// cpuTime is what this process has used, which tells the two apart on a busy machine too.
func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func benchOptions(m *mosquitto, id string) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker("tcp://" + m.at).SetClientID(id).SetCleanSession(false).
		SetAutoReconnect(false).SetAutoAckDisabled(true)
}

// fillSession leaves n messages from twenty topics with the broker, and returns the session that they wait for.
func fillSession(b *testing.B, m *mosquitto, n int) (session string) {
	b.Helper()
	session = "nightwire-" + rand.Text() // a session of its own: nothing may be left from the run before
	c := paho.NewClient(benchOptions(m, session))
	if err := errors.Join(wait(c.Connect()), wait(c.Subscribe("farm/+/kv", 1, nil))); err != nil {
		b.Fatal(err)
	}
	c.Disconnect(100)
	pub := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + m.at).SetClientID("filler"))
	if err := wait(pub.Connect()); err != nil {
		b.Fatal(err)
	}
	defer pub.Disconnect(100)
	for i := 0; i < n; {
		var toks []paho.Token
		for range min(500, n-i) {
			p := fmt.Sprintf(`{"kv":8.17,"seq":%d,"battery_v":3.91,"rssi":-71,"t":%d}`, i, 1_780_000_000+i)
			toks = append(toks, pub.Publish("farm/zone"+strconv.Itoa(i%20)+"/kv", 1, false, p))
			i++
		}
		for _, t := range toks {
			if err := wait(t); err != nil {
				b.Fatal(err)
			}
		}
	}
	return session
}

func drainBare(b *testing.B, m *mosquitto, session string, n int) {
	b.Helper()
	done := make(chan struct{})
	left := int64(n)
	o := benchOptions(m, session)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		m.Ack()
		if left--; left == 0 {
			close(done)
		}
	})
	c := paho.NewClient(o)
	if err := wait(c.Connect()); err != nil {
		b.Fatal(err)
	}
	<-done
	b.StopTimer()
	c.Disconnect(250)
}

func drainClient(b *testing.B, m *mosquitto, session string, s *fileSink) {
	b.Helper()
	c, err := mqtt.New(mqtt.Options{
		Config: mqtt.Config{URL: "mqtt://" + m.at, ClientID: session}, Topics: []string{"farm/+/kv"},
		Decode: decodeJSON, Sink: s, Log: slog.New(slog.DiscardHandler), Metrics: mqtt.NewMetrics(prometheus.NewRegistry()),
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	<-s.done
	b.StopTimer()
	cancel()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
}

// decodeJSON stands for the real decoder.
func decodeJSON(topic string, payload []byte, arrived time.Time, _ bool) ([]pulse.Reading, error) {
	var p struct {
		KV      float64 `json:"kv"`
		Seq     float64 `json:"seq"`
		Battery float64 `json:"battery_v"`
		RSSI    float64 `json:"rssi"`
		T       int64   `json:"t"`
	}
	if err := json.Unmarshal(payload, &p); err != nil {
		return nil, err
	}
	r := pulse.Reading{Sensor: pulse.SensorID(topic), At: time.Unix(p.T, 0), Arrived: arrived}
	r.Set(pulse.Volts, p.KV*1000)
	r.Set(pulse.Seq, p.Seq)
	r.Set(pulse.BatteryVolts, p.Battery)
	r.Set(pulse.RSSI, p.RSSI)
	return []pulse.Reading{r}, nil
}

// fileSink appends readings to a file and syncs it.
type fileSink struct {
	f       *os.File
	buf     []byte
	want    int64
	got     atomic.Int64
	batches int
	done    chan struct{}
}

func (s *fileSink) Append(_ context.Context, rs []pulse.Reading) error {
	s.buf = s.buf[:0]
	for i := range rs {
		r := &rs[i]
		s.buf = append(s.buf, r.Sensor...)
		s.buf = strconv.AppendInt(append(s.buf, ' '), r.At.UnixMilli(), 10)
		for f := range pulse.NumFields {
			if v, ok := r.Get(f); ok {
				s.buf = strconv.AppendFloat(append(s.buf, ' '), v, 'f', -1, 64)
			}
		}
		s.buf = append(s.buf, '\n')
	}
	if _, err := s.f.Write(s.buf); err != nil {
		return err
	}
	s.batches++
	err := s.f.Sync()
	if got := s.got.Add(int64(len(rs))); got >= s.want && got-int64(len(rs)) < s.want {
		close(s.done)
	}
	return err
}
