package app

import (
	"bytes"
	"fmt"
	"io"
	"runtime"
	"testing"
	"time"

	"nightwire/cmd/nightwire/internal/config"
	"nightwire/sim/scenario"
)

// season returns the first days of a scripted season as a farm file and a capture; 0 takes all.
func season(t testing.TB, name string, days int) (*config.Config, []byte) {
	t.Helper()
	s, err := scenario.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	if days > 0 {
		s.Options.Length = time.Duration(days) * 24 * time.Hour
	}
	cfg, err := config.Parse(name+".yaml", s.FarmFile())
	if err != nil {
		t.Fatal(err)
	}
	var capture bytes.Buffer
	if err := s.Capture(&capture); err != nil {
		t.Fatal(err)
	}
	return cfg, capture.Bytes()
}

// BenchmarkReplay replays a season. The bar is 430,000 messages in 3 s on one core, 7 µs each.
func BenchmarkReplay(b *testing.B) {
	cfg, capture := season(b, "rainy", 0)
	b.SetBytes(int64(len(capture)))
	b.ReportAllocs()
	var messages int
	for b.Loop() {
		counts, err := Replay(b.Context(), ReplayOptions{Config: cfg, Capture: bytes.NewReader(capture), Out: io.Discard})
		if err != nil {
			b.Fatal(err)
		}
		messages += counts.Lines
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(messages), "ns/message")
}

// BenchmarkZoneMemory tells how much of the heap the detectors hold for a zone after days of a season: what they know of
// each sensor grows until it is whole.
func BenchmarkZoneMemory(b *testing.B) {
	cfg, capture := season(b, "estate", 0)
	known, err := newSensors(&cfg.Farm)
	if err != nil {
		b.Fatal(err)
	}
	lines := bytes.Split(bytes.TrimSpace(capture), []byte("\n"))
	heap := func() float64 {
		runtime.GC()
		runtime.GC() // what finalizers let go of
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	for b.Loop() {
		before := heap()
		e, err := newEngine(cfg)
		if err != nil {
			b.Fatal(err)
		}
		var first time.Time
		wanted := []int{0, 1, 7, 14, 28}
		for _, text := range lines {
			m, err := parseCaptured(text)
			if err != nil {
				b.Fatal(err)
			}
			if first.IsZero() {
				first = m.at
			}
			if len(wanted) > 0 && m.at.Sub(first) >= time.Duration(wanted[0])*24*time.Hour {
				b.ReportMetric((heap()-before)/float64(len(cfg.Farm.Zones)), fmt.Sprintf("B/zone-day%02d", wanted[0]))
				wanted = wanted[1:]
			}
			e.advance(m.at)
			if rs, _, err := known.read(m.topic, m.payload, m.at, m.retained); err == nil {
				for i := range rs {
					e.observe(rs[i])
				}
			}
		}
		runtime.KeepAlive(e)
	}
}

// BenchmarkCaptureLine reads lines of a capture, without what becomes of them.
func BenchmarkCaptureLine(b *testing.B) {
	_, capture := season(b, "demo", 1)
	lines := bytes.Split(bytes.TrimSpace(capture), []byte("\n"))
	i := 0
	for b.Loop() {
		if _, err := parseCaptured(lines[i%len(lines)]); err != nil {
			b.Fatal(err)
		}
		i++
	}
}
