// Package daylog keeps the last of the log in two small files, for whoever helps. The service manager keeps the whole;
// this is what a support archive can take along without asking it.
//
// It is sparing with memory cards: lines are gathered and appended ten minutes later, or within a minute when one is a
// warning, never synced, and no more of them in an hour than one budget. A quiet night writes nothing.
package daylog

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// File and Older are the names within the data folder.
const (
	File  = "watch.log"
	Older = "watch.log.1"
)

const (
	maxFile    = 256 << 10 // two of them: the least that holds a day of trouble
	hourBudget = 64 << 10  // 1.5 MB a day at the very most, where readings write a hundred
	gather     = 10 * time.Minute
	hurry      = time.Minute
)

// Log is an io.Writer for a text handler of log/slog. It never fails: a log that cannot be kept must not stop what is
// logged.
type Log struct {
	dir string
	now func() time.Time

	mu      sync.Mutex
	buf     bytes.Buffer
	timer   *time.Timer
	due     time.Time // when timer fires
	hour    time.Time // that the budget is of
	spent   int
	skipped int
}

// Open returns a log that keeps its files in dir. Nothing is written until there is something to write.
func Open(dir string, now func() time.Time) *Log { return &Log{dir: dir, now: now} }

// Write takes one line.
func (l *Log) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.now()
	if since := now.Sub(l.hour); since >= time.Hour || since < 0 {
		l.hour, l.spent = now, 0
		l.recall()
	}
	if l.spent+len(line) > hourBudget {
		l.skipped++
		return len(line), nil
	}
	l.spent += len(line)
	l.buf.Write(line)
	wait := gather
	if bytes.Contains(line, []byte("level=WARN")) || bytes.Contains(line, []byte("level=ERROR")) {
		wait = hurry
	}
	l.plan(now.Add(wait), wait)
	return len(line), nil
}

// recall says how many lines were left out of the hour before.
func (l *Log) recall() {
	if l.skipped > 0 {
		fmt.Fprintf(&l.buf, "time=%s level=WARN msg=\"lines left out of this file\" lines=%d\n", l.now().UTC().Format(time.RFC3339), l.skipped)
		l.skipped = 0
	}
}

// plan makes sure that what is gathered is written by at.
func (l *Log) plan(at time.Time, wait time.Duration) {
	switch {
	case l.timer == nil:
		l.timer = time.AfterFunc(wait, l.flush)
	case at.Before(l.due):
		l.timer.Reset(wait)
	default:
		return
	}
	l.due = at
}

func (l *Log) flush() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.timer = nil
	_ = l.write() // the next flush tries again; the service manager has the lines
}

// Close writes what is gathered.
func (l *Log) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.timer != nil {
		l.timer.Stop()
		l.timer = nil
	}
	l.recall()
	return l.write()
}

// write appends what is gathered. What cannot be written is kept, up to the size of a file.
func (l *Log) write() error {
	if l.buf.Len() == 0 {
		return nil
	}
	if l.buf.Len() > maxFile {
		l.buf.Next(l.buf.Len() - maxFile)
	}
	path := filepath.Join(l.dir, File)
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist): // the first
	case err != nil:
		return err
	case info.Size()+int64(l.buf.Len()) > maxFile:
		if err := os.Rename(path, filepath.Join(l.dir, Older)); err != nil {
			return err
		}
	}
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(l.buf.Bytes())
	if err = errors.Join(err, f.Close()); err == nil {
		l.buf.Reset()
	}
	return err
}

// Since returns the lines of a data folder that were logged from a time on, oldest first. A line without a time goes
// with the one before.
func Since(dir string, from time.Time) ([]byte, error) {
	var out bytes.Buffer
	for _, name := range []string{Older, File} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		recent := false
		for line := range bytes.Lines(text) {
			if at, ok := timeOf(line); ok {
				recent = !at.Before(from)
			}
			if recent {
				out.Write(line)
			}
		}
	}
	return out.Bytes(), nil
}

// timeOf reads the time at the head of a line.
func timeOf(line []byte) (time.Time, bool) {
	rest, ok := bytes.CutPrefix(line, []byte("time="))
	if !ok {
		return time.Time{}, false
	}
	stamp, _, _ := bytes.Cut(rest, []byte(" "))
	at, err := time.Parse(time.RFC3339Nano, string(bytes.TrimSpace(stamp)))
	return at, err == nil
}
