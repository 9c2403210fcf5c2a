package mqtt

import (
	"bufio"
	"net"
	"sync"
	"time"
)

const (
	readBuffer   = 64 << 10
	writeBuffer  = 16 << 10
	flushAfter   = time.Millisecond
	writeTimeout = 10 * time.Second
)

// bufferedConn saves system calls. The client library reads each packet in three or more small pieces and writes each
// acknowledgement by itself, which is most of the work of draining a queue.
type bufferedConn struct {
	net.Conn
	r *bufio.Reader

	mu    sync.Mutex
	out   []byte
	armed bool // flush is on its way
	flush *time.Timer
	err   error // of the last flush; there is none after it
}

func newBufferedConn(c net.Conn) *bufferedConn {
	b := &bufferedConn{Conn: c, r: bufio.NewReaderSize(c, readBuffer), out: make([]byte, 0, writeBuffer)}
	b.flush = time.AfterFunc(time.Hour, b.flushNow)
	b.flush.Stop()
	return b
}

func (b *bufferedConn) Read(p []byte) (int, error) { return b.r.Read(p) }

// Write takes p and sends it within flushAfter, together with what else comes.
func (b *bufferedConn) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return 0, b.err
	}
	b.out = append(b.out, p...)
	if len(b.out) >= writeBuffer {
		b.send()
	} else if !b.armed {
		b.armed = true
		b.flush.Reset(flushAfter)
	}
	return len(p), b.err
}

func (b *bufferedConn) flushNow() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.armed = false
	b.send()
}

// send writes what is buffered; b.mu is held. A connection that fails is closed, so that the reader learns of it too.
func (b *bufferedConn) send() {
	if len(b.out) == 0 || b.err != nil {
		return
	}
	if b.err = b.Conn.SetWriteDeadline(time.Now().Add(writeTimeout)); b.err == nil {
		_, b.err = b.Conn.Write(b.out)
	}
	b.out = b.out[:0]
	if b.err != nil {
		_ = b.Conn.Close() // the write error is what counts
	}
}

// Close sends what is buffered first.
func (b *bufferedConn) Close() error {
	b.flush.Stop()
	b.flushNow()
	return b.Conn.Close()
}

// SetDeadline limits reading only: send has a limit of its own.
func (b *bufferedConn) SetDeadline(t time.Time) error { return b.Conn.SetReadDeadline(t) }

// SetWriteDeadline does nothing, for the same reason.
func (b *bufferedConn) SetWriteDeadline(time.Time) error { return nil }
