package journal

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// Reason says why the journal cannot be written.
type Reason string

// The reasons.
const (
	DiskFull Reason = "the disk is full"
	Locked   Reason = "another program holds the database"
	ReadOnly Reason = "the database is read-only"
	Broken   Reason = "the database does not answer"
)

// UnwritableError says that a step or a delivery could not be recorded. It is not lost: the journal keeps it in memory,
// gives its messages to the sender all the same, and writes it as soon as it can.
type UnwritableError struct {
	Reason Reason
	Err    error
}

// Error returns the reason, the cause and what to do.
func (e *UnwritableError) Error() string {
	hint := map[Reason]string{
		DiskFull: "free some space; alarms and messages go on from memory until then",
		Locked:   "stop the other program; alarms and messages go on from memory until then",
		ReadOnly: "make the data folder writable; alarms and messages go on from memory until then",
		Broken:   "look at the disk and at the cause above; alarms and messages go on from memory",
	}[e.Reason]
	return fmt.Sprintf("the journal cannot be written, %s: %v\nhint: %s", e.Reason, e.Err, hint)
}

// Unwrap returns the cause.
func (e *UnwritableError) Unwrap() error { return e.Err }

// unwritable wraps what the database said.
func unwritable(err error) error {
	if err == nil {
		return nil
	}
	reason := Broken
	var se *sqlite.Error
	if errors.As(err, &se) {
		switch se.Code() & 0xff { // the low byte is the primary result code
		case lib.SQLITE_FULL:
			reason = DiskFull
		case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
			reason = Locked
		case lib.SQLITE_READONLY:
			reason = ReadOnly
		}
	}
	return &UnwritableError{Reason: reason, Err: err}
}
