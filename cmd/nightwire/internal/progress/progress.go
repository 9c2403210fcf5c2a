// Package progress tells how far something long is, at what rate, and how long it still takes: on a terminal by a bar
// that is written over, else by a line now and then.
package progress

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
)

// Options say what a Meter is to tell of. What and Unit are required.
type Options struct {
	What string // is being done, as packing
	Unit string // of what is counted, as readings

	Terminal io.Writer    // takes the bar; nil where there is no terminal
	Line     func(string) // takes the lines otherwise; nil for none
	Now      func() time.Time
}

const (
	drawEvery = 200 * time.Millisecond
	// Short work needs no words, and a log no more than a few.
	lineEvery = 30 * time.Second
	barWidth  = 24

	eraseLine = "\r\x1b[K" // ECMA-48: back to the start, and erase to the end
)

// Meter tells of one piece of work. Its methods may be called from many goroutines.
type Meter struct {
	opts  Options
	every time.Duration

	mu          sync.Mutex
	began, told time.Time
	first       int64 // how much was done when it began
	drawn       bool
	ended       bool
}

// New returns a Meter. Its clock begins with the first Set.
func New(opts Options) *Meter {
	if opts.Now == nil {
		opts.Now = time.Now
	}
	m := &Meter{opts: opts, every: lineEvery}
	if opts.Terminal != nil {
		m.every = drawEvery
	}
	return m
}

// Set notes how much is done, and of how much; 0 for what is not known.
func (m *Meter) Set(done, total int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := m.opts.Now()
	if m.began.IsZero() {
		m.began, m.told, m.first = now, now, done
	}
	if m.ended || now.Sub(m.told) < m.every {
		return
	}
	m.told = now
	text := m.text(done, total, now.Sub(m.began))
	switch {
	case m.opts.Terminal != nil:
		m.drawn = true
		io.WriteString(m.opts.Terminal, eraseLine+bar(done, total)+text) // nobody is left to tell when the terminal is gone
	case m.opts.Line != nil:
		m.opts.Line(text)
	}
}

// End takes the bar away. It may be called more than once.
func (m *Meter) End() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.drawn && !m.ended {
		io.WriteString(m.opts.Terminal, eraseLine)
	}
	m.ended = true
}

// Reader counts in bytes what is read from r, of total bytes.
func (m *Meter) Reader(r io.Reader, total int64) io.Reader { return &counted{m: m, r: r, total: total} }

type counted struct {
	m           *Meter
	r           io.Reader
	done, total int64
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.done += int64(n)
	c.m.Set(c.done, c.total)
	return n, err
}

func bar(done, total int64) string {
	if total <= 0 {
		return ""
	}
	full := int(min(done, total) * barWidth / total)
	return "[" + strings.Repeat("=", full) + strings.Repeat(" ", barWidth-full) + "] "
}

// text says all that is known after so much time.
func (m *Meter) text(done, total int64, took time.Duration) string {
	parts := []string{m.opts.What + ": " + m.amount(done)}
	if total > 0 {
		parts[0] = fmt.Sprintf("%s: %d %% of %s", m.opts.What, min(done, total)*100/total, m.amount(total))
	}
	more := float64(done - m.first)
	if more <= 0 || took <= 0 {
		return parts[0]
	}
	for _, per := range []struct {
		unit time.Duration
		name string
	}{{time.Second, "second"}, {time.Minute, "minute"}, {time.Hour, "hour"}} {
		if rate := more * float64(per.unit) / float64(took); rate >= 1 {
			parts = append(parts, m.amount(int64(rate))+" a "+per.name)
			break
		}
	}
	if total > done {
		parts = append(parts, left(time.Duration(float64(total-done)/more*float64(took)))+" left")
	}
	return strings.Join(parts, ", ")
}

// amount writes a number with its unit.
func (m *Meter) amount(n int64) string {
	if m.opts.Unit != "bytes" {
		return grouped(n) + " " + m.opts.Unit
	}
	switch {
	case n >= 1e9:
		return fmt.Sprintf("%.1f GB", float64(n)/1e9)
	case n >= 1e6:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%.0f kB", float64(n)/1e3)
}

// grouped writes 1234567 as 1,234,567.
func grouped(n int64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// left writes how long something still takes, as exactly as can be known.
func left(d time.Duration) string {
	switch {
	case d < 100*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 100*time.Minute:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 72*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
