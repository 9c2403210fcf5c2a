package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// Backup writes a consistent copy of the whole file, other tables in it too, to path, while the store is in use. The
// copy is checked and synced before it gets its name. It refuses to write over a file.
func (db *DB) Backup(ctx context.Context, path string) error {
	return explain(db.backup(ctx, path), "back up "+db.path+" to", path)
}

func (db *DB) backup(ctx context.Context, path string) error {
	if exists(path) {
		return ErrExists
	}
	if _, err := os.Stat(filepath.Dir(path)); err != nil {
		return err
	}
	part := path + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	defer os.Remove(part)
	if _, err := db.read.ExecContext(ctx, `VACUUM INTO ?`, part); err != nil {
		return err
	}
	if err := inspect(ctx, part); err != nil {
		return err
	}
	return settle(part, path)
}

// inspect checks that a file is a store of a known version and sound.
func inspect(ctx context.Context, path string) error {
	db, err := connect(path, still)
	if err != nil {
		return err
	}
	defer db.Close()
	v, err := version(ctx, db)
	if err != nil {
		return err
	}
	if v == 0 {
		return fmt.Errorf("%w: it holds no readings", ErrCorrupt)
	}
	var verdict string
	if err := db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return fmt.Errorf("%w: %s", ErrCorrupt, verdict)
	}
	return nil
}

// Restore puts the backup in place of the data file at path, which nothing may have open. What was there is kept
// beside it with ".replaced" in its name.
func Restore(ctx context.Context, backup, path string) error {
	return explain(restore(ctx, backup, path), "restore "+backup+" to", path)
}

func restore(ctx context.Context, backup, path string) (err error) {
	if _, err := os.Stat(backup); err != nil {
		return err
	}
	if err := inspect(ctx, backup); err != nil {
		return err
	}
	unlock, err := lockFile(path + "-lock")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	part := path + ".part"
	defer os.Remove(part)
	if err := copyFile(backup, part); err != nil {
		return err
	}
	// The log belongs to the old file and must go with it, or it would be played into the new one.
	for _, suffix := range []string{"", "-wal"} {
		err := os.Rename(path+suffix, path+".replaced"+suffix)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	if err := os.Remove(path + "-shm"); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return settle(part, path)
}

func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// settle makes the file part durable under its final name.
func settle(part, path string) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// syncFolder makes new names in a folder durable.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
