package broker

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

const (
	// reserveBytes are held back on the disk so that the broker can still start when it is full: it needs some
	// hundred kilobytes to open its streams before anyone can connect.
	reserveBytes = 2 << 20
	reserveName  = "reserve"
	probeBytes   = 256 << 10
)

// prepareStore makes the store folder usable. noRoom is not nil when the disk is full, which does not keep the broker
// from starting; err is anything that does.
func (b *Broker) prepareStore() (noRoom, err error) {
	dir := b.opts.StoreDir
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, storeError(dir, err)
	}
	reserve := filepath.Join(dir, reserveName)
	noRoom = probe(dir)
	if noRoom != nil && !full(noRoom) {
		return nil, storeError(dir, noRoom)
	}
	if noRoom != nil {
		if err := os.Remove(reserve); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, storeError(dir, err)
		}
	} else if err := keepReserve(reserve); err != nil && !full(err) {
		return nil, storeError(dir, err)
	}
	id, err := keepClientID(dir)
	if err != nil {
		return nil, storeError(dir, err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.login.ClientID = id
	if b.gate, err = newGate(b.login, b.opts.Users, dir, b.log); err != nil {
		return nil, storeError(dir, err)
	}
	return noRoom, nil
}

// heal waits until the disk takes writes again and then restarts the server, because a stream that could not write
// stays closed until it is opened anew. Until then the server runs on for QoS 0 subscribers.
func (b *Broker) heal(ctx context.Context, cause error) {
	err := storeError(b.opts.StoreDir, cause)
	b.log.Error("broker cannot keep messages", "err", err)
	b.tell(err)
	// With the reserve spent, each try writes it anew, so a disk that stays full is asked less and less often.
	wait := b.healEvery
	timer := time.NewTimer(wait)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		wait = min(2*wait, 12*b.healEvery)
		timer.Reset(wait)
		if hasRoom(b.opts.StoreDir) != nil {
			continue
		}
		b.stop()
		if err := b.start(); err != nil {
			b.log.Warn("broker did not restart", "err", err)
			continue
		}
		select {
		case <-b.noRoom: // a complaint from before the restart
		default:
		}
		b.log.Info("broker keeps messages again")
		b.tell(nil)
		return
	}
}

func (b *Broker) tell(err error) {
	if b.opts.Degraded != nil {
		b.opts.Degraded(err)
	}
}

// hasRoom reports whether the disk takes writes beyond the reserve, which it fills up again.
func hasRoom(dir string) error {
	reserve := filepath.Join(dir, reserveName)
	_, err := os.Stat(reserve)
	spent := errors.Is(err, fs.ErrNotExist)
	if err := keepReserve(reserve); err != nil {
		return err
	}
	err = probe(dir)
	if err != nil && spent {
		err = errors.Join(err, removeIfThere(reserve))
	}
	return err
}

// probe writes and syncs a small file, and removes it.
func probe(dir string) error {
	path := filepath.Join(dir, "probe")
	err := writeSynced(path, probeBytes)
	return errors.Join(err, removeIfThere(path))
}

func keepReserve(path string) error {
	if st, err := os.Stat(path); err == nil && st.Size() >= reserveBytes {
		return nil
	}
	if err := writeSynced(path, reserveBytes); err != nil {
		return errors.Join(err, removeIfThere(path))
	}
	return nil
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// writeSynced writes n random bytes, which no file system can shrink, and waits until they are on the disk.
func writeSynced(path string, n int) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = io.CopyN(f, rand.Reader, int64(n))
	return errors.Join(err, f.Sync(), f.Close())
}

// full reports whether err means that the disk has no room.
func full(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// unwritable reports whether err means that the disk takes no writes, for whatever reason.
func unwritable(err error) bool {
	return full(err) || errors.Is(err, syscall.EROFS) || errors.Is(err, syscall.EIO)
}

// storeError puts an error about the store folder into a keeper's words.
func storeError(dir string, err error) error {
	switch {
	case full(err):
		return fmt.Errorf("the disk is full: broker folder %s: %w\nhint: free some space; messages are kept again within seconds", dir, err)
	case errors.Is(err, syscall.EROFS):
		return fmt.Errorf("the disk is read-only: broker folder %s: %w\nhint: a worn-out card often turns read-only; check it and mount it writable", dir, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("may not write to the broker folder %s: %w\nhint: give the folder to the user that runs nightwire, or choose another with --data", dir, err)
	}
	return fmt.Errorf("broker folder %s: %w", dir, err)
}

// startError puts what kept the server from starting into a keeper's words.
func startError(err error, o Options) error {
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("broker address %s is taken: %w\nhint: another broker (or another nightwire) runs here; stop it, or choose another port", o.Listen, err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return fmt.Errorf("broker address %s is not one of this machine's: %w\nhint: use 0.0.0.0 to listen on all", o.Listen, err)
	case errors.Is(err, fs.ErrPermission) || unwritable(err):
		return storeError(o.StoreDir, err)
	}
	return fmt.Errorf("start broker on %s: %w", o.Listen, err)
}
