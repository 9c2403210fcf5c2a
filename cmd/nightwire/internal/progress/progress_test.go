package progress

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"testing"
	"time"
)

// clock is a hand-set clock.
type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

func TestBarShowsRateAndTimeLeft(t *testing.T) {
	c := &clock{time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC)}
	var drawn bytes.Buffer
	m := New(Options{What: "packing", Unit: "readings", Terminal: &drawn, Line: func(s string) { t.Errorf("a line beside the bar: %q", s) }, Now: c.now})
	m.Set(0, 2_000_000)
	if drawn.Len() > 0 {
		t.Errorf("drew %q before there was anything to tell", drawn.String())
	}
	c.at = c.at.Add(2 * time.Second)
	m.Set(500_000, 2_000_000)
	m.Set(500_001, 2_000_000) // too soon to be drawn
	want := eraseLine + "[======                  ] packing: 25 % of 2,000,000 readings, 250,000 readings a second, 6 s left"
	if drawn.String() != want {
		t.Errorf("drew %q, want %q", drawn.String(), want)
	}
	m.End()
	m.End()
	m.Set(2_000_000, 2_000_000)
	if drawn.String() != want+eraseLine {
		t.Errorf("the bar was not taken away once: %q", drawn.String())
	}
}

// TestLinesNowAndThen wants a line each half minute where there is no terminal, and none for what is soon done.
func TestLinesNowAndThen(t *testing.T) {
	c := &clock{time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC)}
	var lines []string
	m := New(Options{What: "copying the past", Unit: "readings", Line: func(s string) { lines = append(lines, s) }, Now: c.now})
	for i := range 70 {
		m.Set(int64(1_000_000+i*1000), 1_100_000) // a million was done before it was started anew
		c.at = c.at.Add(time.Second)
	}
	m.End()
	want := []string{
		"copying the past: 93 % of 1,100,000 readings, 1,000 readings a second, 70 s left",
		"copying the past: 96 % of 1,100,000 readings, 1,000 readings a second, 40 s left",
	}
	if !slices.Equal(lines, want) {
		t.Errorf("got %q, want %q", lines, want)
	}
}

func TestReaderCountsBytes(t *testing.T) {
	c := &clock{time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC)}
	var drawn bytes.Buffer
	m := New(Options{What: "reading", Unit: "bytes", Terminal: &drawn, Now: func() time.Time { c.at = c.at.Add(time.Second); return c.at }})
	n, err := io.Copy(io.Discard, m.Reader(strings.NewReader(strings.Repeat("x", 1<<20)), 1<<20))
	if n != 1<<20 || err != nil {
		t.Fatal(n, err)
	}
	for _, want := range []string{"100 % of 1.0 MB", "kB a second"} {
		if !strings.Contains(drawn.String(), want) {
			t.Errorf("no %q in %q", want, drawn.String())
		}
	}
}

// TestWhatIsNotKnownIsNotSaid has no total, no progress, or nowhere to tell of it.
func TestWhatIsNotKnownIsNotSaid(t *testing.T) {
	c := &clock{time.Date(2026, 4, 20, 6, 0, 0, 0, time.UTC)}
	var got string
	m := New(Options{What: "reading", Unit: "lines", Line: func(s string) { got = s }, Now: c.now})
	m.Set(0, 0)
	for _, tt := range []struct {
		done, total int64
		want        string
	}{
		{60_000, 0, "reading: 60,000 lines, 1,000 lines a second"},
		{60_000, 60_000, "reading: 100 % of 60,000 lines, 500 lines a second"},
		{0, 100, "reading: 0 % of 100 lines"},
		{4, 10, "reading: 40 % of 10 lines, 1 lines a minute, 6 min left"},
		{200, 100, "reading: 100 % of 100 lines, 40 lines a minute"},
		{200, 100, "reading: 100 % of 100 lines, 33 lines a minute"},
	} {
		c.at = c.at.Add(time.Minute)
		if m.Set(tt.done, tt.total); got != tt.want {
			t.Errorf("%d of %d gives %q, want %q", tt.done, tt.total, got, tt.want)
		}
	}
	quiet := New(Options{What: "reading", Unit: "lines"})
	quiet.Set(1, 2)
	quiet.End()
}

func TestTimeLeft(t *testing.T) {
	for d, want := range map[time.Duration]string{
		400 * time.Millisecond: "0 s", 99 * time.Second: "99 s", 2 * time.Minute: "2 min", 99 * time.Minute: "99 min",
		26 * time.Hour: "26 h", 100 * time.Hour: "4 days",
	} {
		if got := left(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}
