package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	sqlite3 "modernc.org/sqlite/lib"

	"modernc.org/sqlite"
)

// schema brings a file up step by step; the number of steps a file has had is its version, kept in store_state
// because others keep tables of their own in the same file. Steps that were released never change.
var schema = [...]string{
	// 1: names, fresh readings in the order of arrival, packed blocks.
	`CREATE TABLE store_sensor (
		id   INTEGER PRIMARY KEY,
		name TEXT NOT NULL UNIQUE);
	CREATE TABLE store_fresh (
		seq  INTEGER PRIMARY KEY, -- how many readings had been stored before this row's first
		n    INTEGER NOT NULL,
		data BLOB NOT NULL);
	CREATE TABLE store_block (
		id      INTEGER PRIMARY KEY,
		sensor  INTEGER NOT NULL,
		from_ms INTEGER NOT NULL, -- first and last reading; blocks of a sensor never overlap, nor span UTC midnight
		to_ms   INTEGER NOT NULL,
		n       INTEGER NOT NULL,
		head    BLOB NOT NULL,    -- what its hours say
		data    BLOB);            -- its readings; NULL when only the hours were kept
	CREATE UNIQUE INDEX store_block_time ON store_block (sensor, from_ms, to_ms);`,

	// 2: followers, for whom fresh rows are kept after packing; a place for what can no longer be read.
	`CREATE TABLE store_follower (
		name TEXT PRIMARY KEY,
		seq  INTEGER NOT NULL) WITHOUT ROWID;
	CREATE TABLE store_damaged (
		id       INTEGER PRIMARY KEY,
		found_ms INTEGER NOT NULL,
		origin   TEXT NOT NULL,
		data     BLOB);`,

	// 3: followers who want also what was stored before they began.
	`ALTER TABLE store_follower ADD COLUMN past_ms INTEGER;  -- read up to here; NULL when all is, or is not wanted
	ALTER TABLE store_follower ADD COLUMN until_ms INTEGER;  -- where that past ends`,

	// 4: minutes between single readings and hours.
	`ALTER TABLE store_block ADD COLUMN kept INTEGER NOT NULL DEFAULT 0; -- see kept
	UPDATE store_block SET kept = 2 WHERE data IS NULL;`,
}

// kept says what of its readings a block still has beside its head.
type kept int

const (
	keptReadings kept = 0 // every one: data has them
	keptMinutes  kept = 1 // what their minutes say: data is a summary
	keptHours    kept = 2 // nothing more: data is NULL
)

// The keys of store_state.
const (
	stateSchema  = "schema"
	statePacked  = "packed"  // readings numbered below this are in blocks
	stateFloor   = "floor"   // rows numbered below this are gone
	stateReduced = "reduced" // readings before this time, milliseconds, may have been let go
)

// upgrade creates the schema, or brings an older one up in one transaction. It refuses a newer one.
func upgrade(ctx context.Context, db *sql.DB) error {
	v, err := version(ctx, db)
	if err != nil || v == len(schema) {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	_, err = tx.ExecContext(ctx, `CREATE TABLE IF NOT EXISTS store_state (
		key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID`)
	if err != nil {
		return err
	}
	for i := v; i < len(schema); i++ {
		if _, err := tx.ExecContext(ctx, schema[i]); err != nil {
			return fmt.Errorf("upgrade to schema %d: %w", i+1, err)
		}
	}
	if err := setState(ctx, tx, stateSchema, int64(len(schema))); err != nil {
		return err
	}
	return tx.Commit()
}

// version returns the schema of the file, 0 when it has none.
func version(ctx context.Context, db queryer) (int, error) {
	v, err := state(ctx, db, stateSchema)
	var sq *sqlite.Error
	if errors.As(err, &sq) && sq.Code() == sqlite3.SQLITE_ERROR { // no such table
		return 0, nil
	}
	if err == nil && v > int64(len(schema)) {
		err = fmt.Errorf("%w (schema %d, this version knows up to %d)", ErrNewer, v, len(schema))
	}
	return int(v), err
}

// queryer is a database or a transaction.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// state returns a number from store_state, 0 when it is not there.
func state(ctx context.Context, q queryer, key string) (v int64, err error) {
	err = q.QueryRowContext(ctx, `SELECT value FROM store_state WHERE key = ?`, key).Scan(&v)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return v, err
}

func setState(ctx context.Context, tx *sql.Tx, key string, v int64) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO store_state (key, value) VALUES (?, ?)
		ON CONFLICT (key) DO UPDATE SET value = excluded.value`, key, v)
	return err
}
