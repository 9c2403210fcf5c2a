package app

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"nightwire/ingest/pulse"
	"nightwire/ingest/store"
)

const (
	// unackedFile says from where on readings may be stored and not acknowledged. It is there while a watch is young: one
	// that is killed before it has acknowledged what came again leaves that to the next.
	unackedFile = "unacked.json"
	// lastStored is more than any broker has in flight, since packet identifiers have 16 bits.
	lastStored = 1 << 16
	// unackedFor is how long before the last reading one can have come and still lack its acknowledgement, which follows
	// the commit at once. Sensors report more seldom, so two reports that say the same are not taken for one.
	unackedFor = 5 * time.Second
	// ackedAfter is after how long with a broker all of it is acknowledged.
	ackedAfter = 10 * time.Second
)

// unacked is what the file holds.
type unacked struct {
	From  *store.Cursor `json:"from,omitempty"`  // missing when the time of arrival tells
	Ended bool          `json:"ended,omitempty"` // the watch ended in peace
}

// unacknowledged returns the readings that may come again since they were stored and not acknowledged before this start,
// and whether the watch before was killed.
func (n *night) unacknowledged(ctx context.Context) (rs []pulse.Reading, killed bool, err error) {
	var earlier unacked
	path := filepath.Join(n.opts.DataDir, unackedFile)
	if data, err := os.ReadFile(path); err == nil && json.Unmarshal(data, &earlier) != nil {
		earlier = unacked{}
	}
	end, err := n.store.End(ctx)
	if err != nil {
		return nil, false, err
	}
	last := lastBatches
	if earlier.From != nil {
		last = int(min(max(end-*earlier.From, 0), lastStored))
	}
	if rs, err = n.store.Last(ctx, last); err != nil {
		return nil, false, err
	}
	if earlier.From == nil && len(rs) > 0 {
		newest := rs[len(rs)-1].Arrived
		first := len(rs) - 1
		for first > 0 && newest.Sub(rs[first-1].Arrived).Abs() <= unackedFor {
			first--
		}
		rs = rs[first:]
	}
	return rs, !earlier.Ended, n.leaveWord(unacked{From: new(end - store.Cursor(len(rs)))})
}

// lastBatches is more readings than come within unackedFor on any farm.
const lastBatches = 5000

func (n *night) leaveWord(u unacked) error {
	data, err := json.Marshal(u)
	if err != nil {
		return err
	}
	return writeWhole(filepath.Join(n.opts.DataDir, unackedFile), data)
}

// endInPeace leaves word that the client has acknowledged what it stored, though the broker may not have heard all.
func (n *night) endInPeace() error {
	if err := n.leaveWord(unacked{Ended: true}); err != nil {
		n.log.Warn("no word left that the watch ended in peace", "err", err)
	}
	return nil
}

// acknowledged notes, once, that what came again at the start has been acknowledged by now.
func (n *night) acknowledged() {
	if since := n.feed.young.Load(); since == nil || since.IsZero() || time.Since(*since) < ackedAfter {
		return
	}
	n.feed.young.Store(&time.Time{})
	err := os.Remove(filepath.Join(n.opts.DataDir, unackedFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		n.log.Warn("note of a young watch not removed", "err", err)
	}
}
