package store

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"nightwire/ingest/pulse"
)

// smallDisk mounts a filesystem of its own, which wants root.
func smallDisk(t *testing.T, size string) (dir string) {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("skipped: mounting a small filesystem wants root")
	}
	dir = t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skip("skipped: cannot mount a small filesystem:", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error("unmount:", err)
		}
	})
	return dir
}

func TestDiskFull(t *testing.T) {
	ctx := t.Context()
	dir := smallDisk(t, "2m")
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	db := openAt(t, filepath.Join(dir, "night.db"))
	var want, refused []pulse.Reading
	var err error
	for refused == nil {
		batch := numbered(len(want), 500)
		var fresh []pulse.Reading
		if fresh, err = db.Append(ctx, batch); err != nil {
			refused = batch
		}
		want = append(want, fresh...)
		if len(want) > 1_000_000 {
			t.Fatal("the disk does not fill")
		}
	}
	wantFor(t, "append", err, ErrFull)
	_, err = db.Append(ctx, refused)
	wantFor(t, "append again", err, ErrFull)
	if err := db.Pack(ctx, nil); err != nil {
		wantFor(t, "pack", err, ErrFull)
	}
	if diff := diffReadings(want, collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("while full (-want +got):\n%.2000s", diff)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	fresh := mustAppend(t, db, append(want[:10:10], refused...)...)
	if diff := diffReadings(refused, fresh); diff != "" {
		t.Errorf("with room again (-want +got):\n%.2000s", diff)
	}
	mustPack(t, db)
	db.Close()
	db = openAt(t, db.path)
	if diff := diffReadings(append(want, refused...), collect(t, db, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("opened again (-want +got):\n%.2000s", diff)
	}
	wantFor(t, "backup", db.Backup(ctx, filepath.Join(smallDisk(t, "16k"), "copy.db")), ErrFull)
}

func TestReadOnlyFolder(t *testing.T) {
	ctx := t.Context()
	dir := smallDisk(t, "4m")
	remount := func(flags uintptr) {
		t.Helper()
		if err := syscall.Mount("none", dir, "tmpfs", syscall.MS_REMOUNT|flags, ""); err != nil {
			t.Fatal(err)
		}
	}
	remount(syscall.MS_RDONLY)
	path := filepath.Join(dir, "night.db")
	_, err := Open(ctx, Options{Path: path})
	wantFor(t, "open a new one", err, ErrReadOnly)

	remount(0)
	db := openAt(t, path)
	mustAppend(t, db, numbered(0, 10)...)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	remount(syscall.MS_RDONLY)
	_, err = Open(ctx, Options{Path: path})
	wantFor(t, "open an old one", err, ErrReadOnly)

	ro, err := Open(ctx, Options{Path: path, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	if diff := diffReadings(numbered(0, 10), collect(t, ro, "a", time.Time{}, time.Time{})); diff != "" {
		t.Errorf("read (-want +got):\n%s", diff)
	}
	if err := ro.Close(); err != nil {
		t.Error(err)
	}
	wantFor(t, "restore", Restore(ctx, path, filepath.Join(dir, "other.db")), ErrReadOnly)
}
