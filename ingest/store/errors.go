package store

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// fault is a kind of error, and what a keeper can do about it.
type fault struct{ text, hint string }

// Error returns what is wrong, without the hint.
func (f *fault) Error() string { return f.text }

// What can be wrong with the file, where a caller may want to act on it. Errors of this package that wrap one of these
// end in a line that says what to do.
var (
	ErrFull error = &fault{"the disk is full",
		"make room on the disk; readings are accepted again as soon as there is some"}
	ErrReadOnly error = &fault{"the data folder cannot be written",
		"let the user that runs nightwire write to the folder, or choose another with --data"}
	ErrLocked error = &fault{"another program holds the data file",
		"stop the other program, or wait until it is done, and try again"}
	ErrCorrupt error = &fault{"the data file is damaged",
		"put back the last backup, or move the file away to start an empty one; keep the damaged file"}
	ErrNewer error = &fault{"the data file was written by a newer version",
		"install the newer version again, or put back a backup from before it"}
	ErrExists error = &fault{"the file exists already",
		"choose another name, or move the old file away"}
	ErrMissing error = &fault{"there is no such file or folder",
		"check the name; the daemon makes the data file when it first starts"}
	ErrCursor error = &fault{"the cursor points outside what is kept",
		"start again from the oldest reading; storing one twice does no harm"}
)

// explain wraps err with what was being done to which file, and with the fault and the hint that fit it.
func explain(err error, doing, path string) error {
	if err == nil {
		return nil
	}
	known := faultOf(err)
	switch {
	case known == nil:
		return fmt.Errorf("%s %s: %w", doing, path, err)
	case errors.Is(err, known):
		return fmt.Errorf("%s %s: %w\nhint: %s", doing, path, err, known.hint)
	default:
		return fmt.Errorf("%s %s: %w: %w\nhint: %s", doing, path, known, err, known.hint)
	}
}

// faultOf returns the fault behind err, or nil.
func faultOf(err error) *fault {
	var known *fault
	if errors.As(err, &known) {
		return known
	}
	kind := classify(err)
	errors.As(kind, &known)
	return known
}

// classify returns the sentinel for an error of SQLite or the system, or nil.
func classify(err error) error {
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
