package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// childEnv makes the test binary a daemon to be killed; its value is the data file.
const childEnv = "NIGHTWIRE_STORE_CHILD"

func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		run := child
		if os.Args[1] == thinArg {
			run = thinChild
		}
		if err := run(path, os.Args[1]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// crashReading is the i-th reading of the crash test. Some are late by days.
func crashReading(i int) pulse.Reading {
	at := day0.Add(time.Duration(i) * 11 * time.Second)
	if i%10 == 9 {
		at = at.Add(-72*time.Hour + time.Second)
	}
	return volts(pulse.SensorID(fmt.Sprint("s", i%7)), at, float64(i))
}

// child stores readings from the first on for ever, each batch twice, packs all the while, and says after each batch
// up to where everything is safe.
func child(path, first string) error {
	ctx, cancel := context.WithCancelCause(context.Background())
	defer cancel(nil)
	db, err := Open(ctx, Options{Path: path})
	if err != nil {
		return err
	}
	go func() {
		for {
			if err := db.Pack(ctx, nil); err != nil {
				cancel(err)
				return
			}
		}
	}()
	i, err := strconv.Atoi(first)
	if err != nil {
		return err
	}
	for ctx.Err() == nil {
		batch := make([]pulse.Reading, 25)
		for k := range batch {
			batch[k] = crashReading(i + k)
		}
		for range 2 {
			if _, err := db.Append(ctx, batch); err != nil {
				return err
			}
		}
		i += len(batch)
		fmt.Println(i)
	}
	return context.Cause(ctx)
}

// thinArg makes the child let go of days instead.
const thinArg = "thin"

// thinChild thins the first two days, and ends.
func thinChild(path, _ string) error {
	db, err := Open(context.Background(), Options{Path: path})
	if err != nil {
		return err
	}
	fmt.Println("open")
	return errors.Join(db.Retain(context.Background(), Retention{Readings: day0.AddDate(0, 0, 2)}), db.Close())
}

// startChild starts this test's program again as a child that works on a file; out is what it says.
func startChild(t *testing.T, path, arg string) (cmd *exec.Cmd, out io.Reader) {
	t.Helper()
	cmd = exec.CommandContext(t.Context(), os.Args[0], arg)
	cmd.Env = append(os.Environ(), childEnv+"="+path)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd, out
}

// runThinner starts a child that thins and kills it after a while from when it has the file open; true means that it
// had ended.
func runThinner(t *testing.T, path string, after time.Duration) (ended bool) {
	t.Helper()
	cmd, out := startChild(t, path, thinArg)
	if !bufio.NewScanner(out).Scan() {
		t.Error("the child did not open the file")
	}
	timer := time.AfterFunc(after, func() { _ = cmd.Process.Kill() }) // it may have ended
	defer timer.Stop()
	return cmd.Wait() == nil
}

// runChild starts a child at reading first, kills it after it has said so many lines, and returns what it said last.
func runChild(t *testing.T, path string, first, lines int) (safe int) {
	t.Helper()
	cmd, out := startChild(t, path, strconv.Itoa(first))
	safe = first
	for scan := bufio.NewScanner(out); scan.Scan(); {
		n, err := strconv.Atoi(scan.Text())
		if err != nil {
			t.Fatal(err)
		}
		safe = n
		if lines--; lines == 0 {
			if err := cmd.Process.Kill(); err != nil { // SIGKILL; what is still in the pipe is read on
				t.Fatal(err)
			}
		}
	}
	if err := cmd.Wait(); err == nil || lines > 0 {
		t.Fatalf("the child ended by itself: %v", err)
	}
	return safe
}

// TestKilledWhileAppendingAndPacking: what was accepted is there after kill -9, once, and no half batch.
func TestKilledWhileAppendingAndPacking(t *testing.T) {
	cycles := 10
	if testing.Short() {
		cycles = 3
	}
	rng := rand.New(rand.NewPCG(1, 3))
	path := filepath.Join(t.TempDir(), "night.db")
	safe := 0
	for cycle := range cycles {
		// The readings of the batch under way are sent again, as a broker would.
		safe = runChild(t, path, safe, 1+rng.IntN(25))
		db, err := Open(t.Context(), Options{Path: path})
		if err != nil {
			t.Fatalf("cycle %d: %v", cycle, err)
		}
		stored := 0
		for k := range 7 {
			name := pulse.SensorID(fmt.Sprint("s", k))
			got := collect(t, db, name, time.Time{}, time.Time{})
			stored += len(got)
			var want []pulse.Reading
			for i := range safe + 25 {
				if r := crashReading(i); i%7 == k && (i < safe || len(mustAppend(t, db, r)) == 0) {
					want = append(want, r)
				}
			}
			if diff := diffReadings(once(want), got); diff != "" {
				t.Fatalf("cycle %d, %s, safe up to %d (-want +got):\n%.2000s", cycle, name, safe, diff)
			}
		}
		if stored != safe && stored != safe+25 {
			t.Errorf("cycle %d: %d readings stored, want %d or a whole batch more", cycle, stored, safe)
		}
		checkBlocks(t, db)
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("killed %d times, %d readings accepted, none lost or doubled", cycles, safe)
}
