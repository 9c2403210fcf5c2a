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
	// that is killed before it has acknowledged what came again leaves that to the next. One that ended in peace leaves
	// word that there are none.
	unackedFile = "unacked.json"
	// lastStored is more readings than are ever stored and not yet acknowledged: a batch, and one whose acknowledgements
	// were on their way.
	lastStored = 2000
	// unackedFor is how long before the last reading one can have come and still lack its acknowledgement, which follows
	// the commit at once. Sensors report more seldom, so two reports that say the same are not taken for one.
	unackedFor = 5 * time.Second
	// ackedAfter is after how long with a broker all of it is acknowledged.
	ackedAfter = 10 * time.Second
)

// unacked is what the file holds.
type unacked struct {
	From store.Cursor `json:"from"`
}

// unacknowledged returns the readings that may come again since they were stored and not acknowledged before this start.
func (n *night) unacknowledged(ctx context.Context) ([]pulse.Reading, error) {
	rs, err := n.store.Last(ctx, lastStored)
	if err != nil || len(rs) == 0 {
		return nil, err
	}
	end, err := n.store.End(ctx)
	if err != nil {
		return nil, err
	}
	first := len(rs) - 1
	for first > 0 && rs[len(rs)-1].Arrived.Sub(rs[first-1].Arrived).Abs() <= unackedFor {
		first--
	}
	start := end - store.Cursor(len(rs))
	path := filepath.Join(n.opts.DataDir, unackedFile)
	var earlier unacked
	if data, err := os.ReadFile(path); err == nil && json.Unmarshal(data, &earlier) == nil {
		first = int(min(max(earlier.From-start, 0), end-start))
	}
	return rs[first:], n.leaveWord(unacked{From: start + store.Cursor(first)})
}

func (n *night) leaveWord(u unacked) error {
	data, err := json.Marshal(u)
	if err != nil {
		return err
	}
	return writeWhole(filepath.Join(n.opts.DataDir, unackedFile), data)
}

// endInPeace leaves word, once the client has ended, that everything stored is acknowledged.
func (n *night) endInPeace() error {
	end, err := n.store.End(context.Background())
	if err == nil {
		err = n.leaveWord(unacked{From: end})
	}
	if err != nil {
		n.log.Warn("no word left that all is acknowledged", "err", err)
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
