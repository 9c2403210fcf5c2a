package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"nightwire/ingest/store"
)

// Backup copies the data file, which a watch may be writing, to path.
func Backup(ctx context.Context, dir, path string) error {
	db, err := openToRead(ctx, dir)
	if err != nil {
		return err
	}
	return errors.Join(db.Backup(ctx, path), db.Close())
}

// Restore puts a backup in the place of the data file in dir. The detectors then read the past anew: what they knew
// belongs to the data that went.
func Restore(ctx context.Context, backup, dir string) error {
	if err := makeDataDir(dir); err != nil {
		return err
	}
	if err := store.Restore(ctx, backup, filepath.Join(dir, storeFile)); err != nil {
		return err
	}
	if err := os.Remove(filepath.Join(dir, memoryFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("let the detectors forget: %w\nhint: delete %s by hand before the next start", err, filepath.Join(dir, memoryFile))
	}
	return nil
}
