package store

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// What can be wrong with the file, where a caller may want to act on it. The errors that wrap these end in a line
// that says what to do.
var (
	ErrFull     = errors.New("the disk is full")
	ErrReadOnly = errors.New("the data folder cannot be written")
	ErrLocked   = errors.New("another program holds the data file")
	ErrCorrupt  = errors.New("the data file is damaged")
	ErrNewer    = errors.New("the data file was written by a newer version")
	ErrExists   = errors.New("the file exists already")
	ErrMissing  = errors.New("there is no such file or folder")
	ErrCursor   = errors.New("the cursor points outside what is kept")
)

// hints say what a keeper can do.
var hints = map[error]string{
	ErrFull:     "make room on the disk; readings are accepted again as soon as there is some",
	ErrReadOnly: "let the user that runs nightwire write to the folder, or choose another with --data",
	ErrLocked:   "stop the other program, or wait until it is done, and try again",
	ErrCorrupt:  "put back the last backup, or move the file away to start an empty one; keep the damaged file",
	ErrNewer:    "install the newer version again, or put back a backup from before it",
	ErrExists:   "choose another name, or move the old file away",
	ErrMissing:  "check the name; the daemon makes the data file when it first starts",
	ErrCursor:   "start again from the oldest reading; storing one twice does no harm",
}

// explain wraps err with what was being done to which file, and with the sentinel and the hint that fit it.
func explain(err error, doing, path string) error {
	if err == nil {
		return nil
	}
	kind := kindOf(err)
	switch {
	case kind == nil:
		return fmt.Errorf("%s %s: %w", doing, path, err)
	case errors.Is(err, kind):
		return fmt.Errorf("%s %s: %w\nhint: %s", doing, path, err, hints[kind])
	default:
		return fmt.Errorf("%s %s: %w: %w\nhint: %s", doing, path, kind, err, hints[kind])
	}
}

// kindOf returns the sentinel for err, or nil.
func kindOf(err error) error {
	for kind := range hints {
		if errors.Is(err, kind) {
			return kind
		}
	}
	var sq *sqlite.Error
	if errors.As(err, &sq) {
		switch sq.Code() & 0xff { // the low byte is the primary code
		case sqlite3.SQLITE_FULL:
			return ErrFull
		case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
			return ErrReadOnly
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			return ErrLocked
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			return ErrCorrupt
		}
	}
	switch {
	case errors.Is(err, errDamaged):
		return ErrCorrupt
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return ErrFull
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return ErrReadOnly
	case errors.Is(err, fs.ErrNotExist):
		return ErrMissing
	case errors.Is(err, fs.ErrExist):
		return ErrExists
	}
	return nil
}
