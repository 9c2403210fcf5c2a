// Package journal keeps alarms, what was said about them, what people did, and the messages still to be sent, across
// restarts and power cuts. It lives in the same database file as the time series, on a connection of its own.
//
// What one moment brought goes in whole or not at all ([Journal.Record]), so a crash never separates an alarm from its
// messages. Every commit is synced to the disk before Record returns (WAL with synchronous=FULL).
//
// When the disk is full, read-only or locked, Record and Settle return an [UnwritableError] and keep what they were
// given in memory, in order. Its messages are then in [Journal.Pending] like all others, so people are woken; what was
// kept is written before anything newer, by the next call that can. A crash in that time forgets it; the detectors then
// say it again from the stored readings, and some messages are sent twice.
package journal

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"sync"
	"time"

	"nightwire/alerts"
)

// Options says where the journal is.
type Options struct {
	Path string // the database file; empty keeps everything in memory, for when there is no disk to be had
	// LockWait is how long to wait for another writer; default 2 s. Detection waits with it.
	LockWait time.Duration
}

// Journal is the record of one farm. It is safe for concurrent use.
type Journal struct {
	w *sql.DB // one connection, so that writes do not wait for each other
	r *sql.DB // for the page

	mu      sync.Mutex
	pending map[string]*alerts.Message
	order   map[string]int // of pending messages, by arrival
	count   int
	backlog []entry         // not yet on disk, oldest first
	held    map[string]bool // keys of messages in the backlog
}

// entry is one thing to write: a step, or deliveries.
type entry struct {
	step       alerts.Step
	deliveries []alerts.Delivery
}

// Open opens the journal, making or upgrading its tables where needed, and loads the messages still to be sent. A file
// from a newer program is refused.
func Open(ctx context.Context, opts Options) (*Journal, error) {
	wait := cmp.Or(opts.LockWait, 2*time.Second).Milliseconds()
	dsn := func(more string) string {
		if opts.Path == "" {
			return ":memory:"
		}
		return fmt.Sprintf("file:%s?_pragma=busy_timeout(%d)%s", (&url.URL{Path: opts.Path}).EscapedPath(), wait, more)
	}
	w, err := sql.Open("sqlite", dsn("&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_txlock=immediate"))
	if err != nil {
		return nil, fmt.Errorf("open journal %s: %w", opts.Path, err)
	}
	w.SetMaxOpenConns(1)
	j := &Journal{w: w, r: w, pending: map[string]*alerts.Message{}, order: map[string]int{}, held: map[string]bool{}}
	if opts.Path != "" {
		if j.r, err = sql.Open("sqlite", dsn("&_pragma=query_only(1)")); err != nil {
			w.Close()
			return nil, fmt.Errorf("open journal %s: %w", opts.Path, err)
		}
		j.r.SetMaxOpenConns(2)
	}
	if err := migrate(ctx, w); err != nil {
		j.Close()
		return nil, fmt.Errorf("open journal %s: %w", opts.Path, openError(err))
	}
	if err := j.loadPending(ctx); err != nil {
		j.Close()
		return nil, fmt.Errorf("open journal %s: read the messages to send: %w", opts.Path, err)
	}
	return j, nil
}

// Close writes what is still in memory, if it can, and closes the file.
func (j *Journal) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	err := j.Flush(ctx)
	if j.r != j.w {
		err = errors.Join(err, j.r.Close())
	}
	return errors.Join(err, j.w.Close())
}

// Record writes one step, whole, and puts its messages among those to be sent. Recording the same event, action or
// message again changes nothing. An error that is an
// *UnwritableError says that the step is kept and its messages are sent from memory.
func (j *Journal) Record(ctx context.Context, s alerts.Step) error {
	if s.Empty() {
		return nil
	}
	if _, err := json.Marshal(s); err != nil {
		return fmt.Errorf("record a step: %w", err) // it could never be written, and would hold up all that follow
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.write(ctx, entry{step: s})
}

// Settle notes what became of messages. An error is an *UnwritableError: what was settled is kept, so that no message
// goes out twice unless the program ends before it is written.
func (j *Journal) Settle(ctx context.Context, ds ...alerts.Delivery) error {
	if len(ds) == 0 {
		return nil
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	err := j.write(ctx, entry{deliveries: ds})
	for _, d := range ds {
		m := j.pending[d.Key]
		switch {
		case m == nil:
		case d.Outcome == alerts.Pending:
			m.Tries, m.NextTry = d.Tries, d.NextTry
		default:
			delete(j.pending, d.Key)
			delete(j.order, d.Key)
		}
	}
	return err
}

// Pending returns the messages still to be sent, oldest first. It reads no disk.
func (j *Journal) Pending() []alerts.Message {
	j.mu.Lock()
	defer j.mu.Unlock()
	out := make([]alerts.Message, 0, len(j.pending))
	for _, m := range j.pending {
		out = append(out, *m)
	}
	slices.SortFunc(out, func(a, b alerts.Message) int { return cmp.Compare(j.order[a.Key], j.order[b.Key]) })
	return out
}

// Backlog returns how many steps and deliveries wait to be written; 0 when all is well.
func (j *Journal) Backlog() int {
	j.mu.Lock()
	defer j.mu.Unlock()
	return len(j.backlog)
}

// Flush tries to write what waits. Call it every few seconds while Backlog is not 0.
func (j *Journal) Flush(ctx context.Context) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.backlog) == 0 {
		return nil
	}
	return j.write(ctx)
}

// write commits the backlog and es in one transaction. Where that fails, es joins the backlog. The backlog has no
// limit: the worst alarm makes some 150 messages a day, a kilobyte each.
func (j *Journal) write(ctx context.Context, es ...entry) error {
	all := append(slices.Clone(j.backlog), es...)
	fresh, err := j.commit(ctx, all)
	if err == nil {
		j.backlog = nil
		clear(j.held)
		for _, m := range fresh {
			j.await(m)
		}
		return nil
	}
	for _, e := range es {
		for _, m := range e.step.Messages {
			if !j.held[m.Key] && j.pending[m.Key] == nil && !j.settled(m.Key) {
				j.held[m.Key] = true
				j.await(m)
			}
		}
	}
	j.backlog = all
	return unwritable(err)
}

// commit writes all and returns the messages among es that are new and still to be sent.
func (j *Journal) commit(ctx context.Context, all []entry) ([]alerts.Message, error) {
	tx, err := j.w.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer tx.Rollback() // does nothing after Commit
	var fresh []alerts.Message
	for _, e := range all {
		ms, err := putStep(ctx, tx, e.step)
		if err != nil {
			return nil, err
		}
		for _, m := range ms {
			if !j.held[m.Key] { // what was held has been in Pending since, and may be sent by now
				fresh = append(fresh, m)
			}
		}
		for _, d := range e.deliveries {
			if err := putDelivery(ctx, tx, d); err != nil {
				return nil, err
			}
		}
	}
	return fresh, tx.Commit()
}

// await puts m among the messages to be sent.
func (j *Journal) await(m alerts.Message) {
	j.count++
	j.order[m.Key] = j.count
	j.pending[m.Key] = &m
}

// settled reports whether the file has the message as done with. When it cannot be read either, it is taken as new:
// better told twice than not at all.
func (j *Journal) settled(key string) bool {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	var n int
	err := j.r.QueryRowContext(ctx, `SELECT count(*) FROM message WHERE key = ? AND outcome <> 'pending'`, key).Scan(&n)
	return err == nil && n > 0
}

func (j *Journal) loadPending(ctx context.Context) error {
	rows, err := j.w.QueryContext(ctx, `SELECT json, tries, next_try FROM message WHERE outcome = 'pending' ORDER BY seq`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var data []byte
		var m alerts.Message
		var next sql.NullInt64
		var tries int
		if err := rows.Scan(&data, &tries, &next); err != nil {
			return err
		}
		if err := json.Unmarshal(data, &m); err != nil {
			return err
		}
		m.Tries, m.NextTry = tries, fromNano(next)
		j.await(m)
	}
	return rows.Err()
}

// openError keeps the words of a refusal and names the reason of all else.
func openError(err error) error {
	var u *UnwritableError
	if errors.As(unwritable(err), &u) && u.Reason != Broken {
		return u
	}
	return err
}

func toNano(t time.Time) sql.NullInt64 {
	return sql.NullInt64{Int64: t.UnixNano(), Valid: !t.IsZero()}
}

func fromNano(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.Unix(0, n.Int64).UTC()
}
