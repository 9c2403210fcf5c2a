package daylog

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// size returns how much stands in the files of a folder.
func size(t *testing.T, dir string) (n int64) {
	t.Helper()
	for _, name := range []string{File, Older} {
		if info, err := os.Stat(filepath.Join(dir, name)); err == nil {
			n += info.Size()
			if info.Size() > maxFile {
				t.Errorf("%s has %d bytes, at most %d are wanted", name, info.Size(), maxFile)
			}
		}
	}
	return n
}

// TestLinesAreGathered sees when lines reach the card: none in a quiet night, a warning within a minute, others later.
func TestLinesAreGathered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		l := Open(dir, time.Now)
		log := slog.New(slog.NewTextHandler(l, nil))
		pass := func(d time.Duration) { <-time.After(d); synctest.Wait() }
		pass(10 * time.Hour)
		if n := size(t, dir); n != 0 {
			t.Errorf("a quiet night wrote %d bytes", n)
		}
		log.Info("farm file read again")
		pass(9 * time.Minute)
		if n := size(t, dir); n != 0 {
			t.Errorf("written after nine minutes: %d bytes", n)
		}
		pass(2 * time.Minute)
		first := size(t, dir)
		log.Info("a")
		log.Warn("b")
		pass(61 * time.Second)
		if n := size(t, dir); first == 0 || n == first {
			t.Errorf("%d bytes after eleven minutes, %d a minute after a warning", first, n)
		}
		log.Info("the end")
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		text, err := Since(dir, time.Now().Add(-90*time.Second))
		if err != nil || bytes.Count(text, []byte("\n")) != 3 || !bytes.Contains(text, []byte("the end")) || bytes.Contains(text, []byte("farm file")) {
			t.Errorf("the last lines are %q, %v", text, err)
		}
	})
}

// TestFloodsAreBounded logs a hundred lines a second for three hours.
func TestFloodsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		l := Open(dir, time.Now)
		line := []byte("time=2026-06-01T12:00:00Z level=WARN msg=\"message rejected\" " + strings.Repeat("x", 60) + "\n")
		for range 3 * 3600 {
			for range 100 {
				if n, err := l.Write(line); n != len(line) || err != nil {
					t.Fatal(n, err)
				}
			}
			<-time.After(time.Second)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		if n := size(t, dir); n > 4*hourBudget || n < hourBudget {
			t.Errorf("three hours of flood left %d bytes", n)
		}
		text, err := Since(dir, time.Time{})
		if err != nil || !bytes.Contains(text, []byte("lines left out")) {
			t.Errorf("what was left out is not said: %v", err)
		}
	})
}

// TestAFolderThatCannotBeWritten loses nothing that fits, and fails nobody.
func TestAFolderThatCannotBeWritten(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "later")
	l := Open(dir, time.Now)
	fmt.Fprintln(l, "time=2026-06-01T12:00:00Z level=INFO msg=kept")
	if err := l.Close(); err == nil {
		t.Error("want an error from Close")
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if text, err := Since(dir, time.Time{}); err != nil || !bytes.Contains(text, []byte("kept")) {
		t.Errorf("got %q, %v", text, err)
	}
}

// TestFilesTurnOver fills one file and begins another.
func TestFilesTurnOver(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	l := Open(dir, func() time.Time { return now })
	for range 10 {
		for range 50 {
			fmt.Fprintf(l, "time=%s level=INFO msg=%s\n", now.Format(time.RFC3339Nano), strings.Repeat("x", 1000))
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		now = now.Add(time.Hour)
	}
	if n := size(t, dir); n < maxFile || n > 2*maxFile {
		t.Errorf("the files have %d bytes", n)
	}
	if _, err := os.Stat(filepath.Join(dir, Older)); err != nil {
		t.Error(err)
	}
}
