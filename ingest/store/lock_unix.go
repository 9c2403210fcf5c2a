//go:build unix

package store

import (
	"errors"
	"os"
	"sync"
	"syscall"
)

// lockFile makes sure that one process at a time writes to the store: it keeps in memory which readings it has, and
// a second writer would not know. The lock is a file of its own, because closing any descriptor of the data file
// would drop SQLite's locks on it; the system lets go of it when the process dies.
func lockFile(path string) (unlock func() error, err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = ErrLocked
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return sync.OnceValue(f.Close), nil
}
