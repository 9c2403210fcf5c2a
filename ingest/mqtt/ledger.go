package mqtt

import (
	"hash/maphash"
	"sync"
)

// ledger remembers what became of the messages that came, so that one which the broker sends again is stored once. The
// store would know it by its time, but a reading without a stamp of its own gets a new time with each arrival, and one
// bad reading counted twice could wake somebody.
type ledger struct {
	seed maphash.Seed

	mu      sync.Mutex
	entries [1 << 16]entry // one for each packet identifier; pages that are never used take no memory

	// recent and older hold the sums of the messages stored last, at least recentSums of them. The embedded broker
	// sends a message again under a new identifier when it is slow to note the acknowledgement.
	recent, older map[uint64]struct{}
}

const recentSums = 4096

type entry struct {
	sum    uint64 // of topic and payload; never 0 for a message that has an identifier
	conn   uint32 // the connection it came by
	taken  bool   // in a batch: it will be stored before anything that comes later is acknowledged
	stored bool   // durable, or rejected for good
}

// verdict says what to do with a message that came.
type verdict uint8

const (
	fresh  verdict = iota // take it
	done                  // it is stored: only acknowledge it
	queued                // it waits in the queue: nothing to do
)

func newLedger() *ledger {
	return &ledger{seed: maphash.MakeSeed(), recent: map[uint64]struct{}{}, older: map[uint64]struct{}{}}
}

// arrive notes a message, fills in its sum, and says what to do with it. Only a message marked as sent again can be
// anything but fresh.
func (l *ledger) arrive(m *message) verdict {
	if m.Qos() == 0 {
		return fresh
	}
	m.sum = (maphash.String(l.seed, m.Topic())*31 + maphash.Bytes(l.seed, m.Payload())) | 1
	l.mu.Lock()
	defer l.mu.Unlock()
	e := &l.entries[m.MessageID()]
	if m.Duplicate() && e.sum == m.sum {
		if e.stored {
			return done
		}
		if e.conn == m.conn {
			return queued
		}
		// The first copy came by a dead connection, where its acknowledgement will be lost. Queue this one too, only
		// to be acknowledged.
		e.conn = m.conn
		return fresh
	}
	if m.Duplicate() && l.isRecent(m.sum) {
		return done
	}
	*e = entry{sum: m.sum, conn: m.conn}
	return fresh
}

// take notes that a message goes into a batch, and reports whether an earlier copy of it already did.
func (l *ledger) take(m *message) (again bool) {
	if m.Qos() == 0 {
		return false
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	e := &l.entries[m.MessageID()]
	if e.sum != m.sum {
		return false // its identifier names another message by now
	}
	again = m.Duplicate() && e.taken
	e.taken = true
	return again
}

// store notes that the messages are durable. A broker that restarted may have given an identifier to another message
// since, which the sum tells.
func (l *ledger) store(ms []*message) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, m := range ms {
		if m.Qos() == 0 {
			continue
		}
		if e := &l.entries[m.MessageID()]; e.sum == m.sum {
			e.stored = true
		}
		l.recent[m.sum] = struct{}{}
	}
	if len(l.recent) >= recentSums {
		l.recent, l.older = l.older, l.recent
		clear(l.recent)
	}
}

func (l *ledger) isRecent(sum uint64) bool {
	_, recent := l.recent[sum]
	_, older := l.older[sum]
	return recent || older
}

// forget undoes arrive for a message that was dropped.
func (l *ledger) forget(m *message) {
	if m.Qos() == 0 {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.entries[m.MessageID()] = entry{}
}
