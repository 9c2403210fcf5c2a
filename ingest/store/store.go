// Package store keeps readings on disk for as long as they are wanted: append, latest, range, daily extremes, packing,
// retention, backup.
//
// Everything is in one SQLite file with a write-ahead log. A commit of fresh readings adds one row to one table, a
// page or two, so that memory cards last; Pack later seals each sensor's readings into blocks of a UTC day. Retain
// makes minutes of old days, where that takes less room, and then hours. A reading is known by its sensor and its time
// in milliseconds: the first one stored is kept, and the same again changes nothing, however late it comes.
//
// # What survives a power cut
//
// Append returns only after the log was synced to the disk (synchronous=FULL), so what it accepted is there after a
// power cut as far as the disk keeps its word. The log itself is made durable with its folder entry by SQLite. Moving
// the log into the file (a checkpoint, each 1000 pages) syncs the log, then the file, before the log is used again.
// Pack writes blocks and syncs them before it removes what they were made from, and doing it twice changes nothing.
// Retain takes a sensor's day from one level to the next in one transaction.
// Backup and Restore sync the file, give it its name, and sync the folder.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sync"

	"nightwire/ingest/pulse"
)

// Options say how to open a store.
type Options struct {
	Path     string       // the data file; its folder must exist
	Log      *slog.Logger // nil is quiet
	ReadOnly bool         // look on while another process writes; the file must exist
}

// DB is an open store. Its methods may be called from many goroutines.
type DB struct {
	path string
	log  *slog.Logger
	read *sql.DB // a few connections, each reading a snapshot
	w    *writer // nil when read-only

	pages sync.Pool // of *[]pulse.Reading, into which Range unpacks

	namesMu sync.Mutex
	names   map[int64]pulse.SensorID // used when read-only; a writer has all in memory
}

// errNoWriter is what a read-only store says to a change.
var errNoWriter = fmt.Errorf("%w: it was opened for reading", ErrReadOnly)

// Open opens the store at opts.Path, which is created or brought up to date when needed. Only one process may have it
// open for writing.
func Open(ctx context.Context, opts Options) (*DB, error) {
	if opts.Path == "" {
		return nil, errors.New("open store: no path given")
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	db := &DB{path: opts.Path, log: opts.Log, names: make(map[int64]pulse.SensorID)}
	open := db.openWriter
	if opts.ReadOnly {
		open = db.openReader
	}
	if err := open(ctx); err != nil {
		return nil, errors.Join(explain(err, "open store", opts.Path), db.Close())
	}
	return db, nil
}

func (db *DB) openWriter(ctx context.Context) (err error) {
	w := newWriter(db.log)
	db.w = w
	if w.unlock, err = lockFile(db.path + "-lock"); err != nil {
		return err
	}
	// Others have no business with the file. SQLite gives its log the same permissions.
	f, err := os.OpenFile(db.path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err == nil {
		err = f.Close()
	}
	if err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if w.db, err = connect(db.path, writing); err != nil {
		return err
	}
	if err := upgrade(ctx, w.db); err != nil {
		return err
	}
	if err := syncFolder(filepath.Dir(db.path)); err != nil {
		return err
	}
	if w.insert, err = w.db.PrepareContext(ctx, `INSERT INTO store_fresh (seq, n, data) VALUES (?, ?, ?)`); err != nil {
		return err
	}
	if db.read, err = connect(db.path, reading); err != nil {
		return err
	}
	return w.load(ctx)
}

func (db *DB) openReader(ctx context.Context) (err error) {
	if _, err := os.Stat(db.path); err != nil {
		return err
	}
	if db.read, err = connect(db.path, reading); err != nil {
		return err
	}
	v, err := version(ctx, db.read)
	if errors.Is(classify(err), ErrReadOnly) && !exists(db.path+"-wal") {
		// Reading needs a log file beside the data file. In a folder that cannot be written and has none, nobody
		// else can be writing either.
		db.read.Close()
		if db.read, err = connect(db.path, still); err != nil {
			return err
		}
		v, err = version(ctx, db.read)
	}
	if err == nil && v < len(schema) {
		err = fmt.Errorf("the file has schema %d of %d; start the daemon once to bring it up to date", v, len(schema))
	}
	return err
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return !errors.Is(err, fs.ErrNotExist)
}

// access says how to open the file.
type access int

const (
	writing access = iota
	reading
	still // reading, and nobody else has it open
)

// readers is how many reads may run at once; the rest wait in line.
const readers = 4

// busyTimeoutMS is how long to wait for a lock, here the journal's: its transactions take milliseconds.
const busyTimeoutMS = 10_000

// connect opens a pool of connections. Each has its own page cache, which is kept small. There is one to write with:
// SQLite lets one write at a time, and a transaction of ours must not wait for another of ours.
func connect(path string, how access) (*sql.DB, error) {
	pragmas := []string{fmt.Sprintf("busy_timeout(%d)", busyTimeoutMS)}
	q := url.Values{"mode": {"ro"}}
	conns := readers
	switch how {
	case writing:
		conns = 1
		q = url.Values{"mode": {"rwc"}, "_txlock": {"immediate"}}
		// After a large pack or import the log shrinks back to 16 MB.
		pragmas = append(pragmas, "cache_size(-4096)", "journal_mode(wal)", "synchronous(full)", "journal_size_limit(16777216)")
	case reading:
		pragmas = append(pragmas, "cache_size(-1024)")
	case still:
		q.Set("immutable", "1")
	}
	q["_pragma"] = pragmas
	name := url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: q.Encode()}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}

// Close closes the store. Readings that Append accepted are safe without it.
func (db *DB) Close() error {
	var errs []error
	if db.read != nil {
		errs = append(errs, db.read.Close())
	}
	if db.w != nil {
		errs = append(errs, db.w.close())
	}
	return explain(errors.Join(errs...), "close store", db.path)
}

// Stats are figures for a status page and for deciding when to Pack.
type Stats struct {
	Sensors int
	Fresh   int64 // readings not packed yet
	Bytes   int64 // on disk, the log included
}

// Stats returns the store's figures.
func (db *DB) Stats(ctx context.Context) (Stats, error) {
	var s Stats
	err := db.snapshot(ctx, func(tx *sql.Tx) error {
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM store_sensor`).Scan(&s.Sensors); err != nil {
			return err
		}
		packed, end, err := bounds(ctx, tx)
		s.Fresh = end - packed
		return err
	})
	for _, suffix := range []string{"", "-wal"} {
		if info, err := os.Stat(db.path + suffix); err == nil {
			s.Bytes += info.Size()
		}
	}
	return s, explain(err, "read figures of", db.path)
}

// bounds returns up to which number readings are packed, and the number that the next one will have.
func bounds(ctx context.Context, q queryer) (packed, end int64, err error) {
	if packed, err = state(ctx, q, statePacked); err != nil {
		return 0, 0, err
	}
	var last sql.NullInt64
	err = q.QueryRowContext(ctx, `SELECT seq + n FROM store_fresh ORDER BY seq DESC LIMIT 1`).Scan(&last)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return 0, 0, err
	}
	floor, err := state(ctx, q, stateFloor)
	return packed, max(last.Int64, floor), err
}

// snapshot runs read on one connection that sees the file as it is now. It must be short: the log cannot be cleared
// while it lasts.
func (db *DB) snapshot(ctx context.Context, read func(tx *sql.Tx) error) error {
	tx, err := db.read.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	return read(tx)
}

// Sensors returns all sensors that ever had a reading, by name.
func (db *DB) Sensors(ctx context.Context) (out []pulse.SensorID, err error) {
	rows, err := db.read.QueryContext(ctx, `SELECT name FROM store_sensor ORDER BY name`)
	if err != nil {
		return nil, explain(err, "list sensors of", db.path)
	}
	defer rows.Close()
	for rows.Next() {
		var name pulse.SensorID
		if err := rows.Scan(&name); err != nil {
			return nil, explain(err, "list sensors of", db.path)
		}
		out = append(out, name)
	}
	return out, explain(rows.Err(), "list sensors of", db.path)
}

// sensorID returns the number under which a sensor is stored; ok is false when it never had a reading.
func sensorID(ctx context.Context, q queryer, name pulse.SensorID) (id int64, ok bool, err error) {
	err = q.QueryRowContext(ctx, `SELECT id FROM store_sensor WHERE name = ?`, string(name)).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	return id, err == nil, err
}
