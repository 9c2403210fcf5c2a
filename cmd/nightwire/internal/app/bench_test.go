package app

import (
	"bytes"
	"io"
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
