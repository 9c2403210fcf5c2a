package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// migrations bring the tables from one version to the next; the version is how many have been applied. Never change
// one that was released: add another. Times are nanoseconds since 1970 in UTC. The file is shared with the time series,
// so the version has a table of its own, and PRAGMA user_version is left alone.
func migrations() []string {
	return []string{`
CREATE TABLE event (
	seq INTEGER PRIMARY KEY,
	id TEXT NOT NULL, kind TEXT NOT NULL, time INTEGER NOT NULL,
	json TEXT NOT NULL,
	UNIQUE (id, kind, time)
);
CREATE TABLE alarm (
	id TEXT PRIMARY KEY,
	source TEXT NOT NULL, condition TEXT NOT NULL,
	raised INTEGER NOT NULL, updated INTEGER NOT NULL, returned INTEGER,
	acked INTEGER, acked_by TEXT, escalated INTEGER NOT NULL DEFAULT 0,
	finding TEXT NOT NULL
);
CREATE INDEX alarm_raised ON alarm (raised);
CREATE INDEX alarm_open ON alarm (raised) WHERE returned IS NULL;
CREATE TABLE action (
	seq INTEGER PRIMARY KEY,
	time INTEGER NOT NULL, kind TEXT NOT NULL, alarm TEXT NOT NULL, source TEXT NOT NULL, by TEXT NOT NULL,
	json TEXT NOT NULL,
	UNIQUE (time, kind, alarm, source, by)
);
CREATE TABLE message (
	seq INTEGER PRIMARY KEY,
	key TEXT NOT NULL UNIQUE,
	outcome TEXT NOT NULL, tries INTEGER NOT NULL DEFAULT 0, next_try INTEGER,
	changed INTEGER NOT NULL, err TEXT NOT NULL DEFAULT '',
	json TEXT NOT NULL
);
CREATE INDEX message_pending ON message (seq) WHERE outcome = 'pending';
CREATE TABLE message_alarm (
	alarm TEXT NOT NULL, key TEXT NOT NULL,
	PRIMARY KEY (alarm, key)
) WITHOUT ROWID;
CREATE TABLE alarm_state (
	kind TEXT NOT NULL, key TEXT NOT NULL, json TEXT NOT NULL,
	PRIMARY KEY (kind, key)
) WITHOUT ROWID;
`}
}

// migrate brings the file up to date. It writes nothing to a file that is, so that a full disk can still be opened.
func migrate(ctx context.Context, db *sql.DB) error {
	all := migrations()
	version, err := schemaVersion(ctx, db)
	if err != nil {
		return err
	}
	if version > len(all) {
		return fmt.Errorf("the journal has schema %d, this program knows up to %d: it was written by a newer one\n"+
			"hint: run the newer program again, or restore a backup made before", version, len(all))
	}
	if version == len(all) {
		return nil
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // does nothing after Commit
	for _, m := range all[version:] {
		if _, err := tx.ExecContext(ctx, m); err != nil {
			return err
		}
	}
	if _, err := tx.ExecContext(ctx, `
		CREATE TABLE IF NOT EXISTS journal_schema (one INTEGER PRIMARY KEY CHECK (one = 1), version INTEGER NOT NULL);
		INSERT INTO journal_schema VALUES (1, ?) ON CONFLICT DO UPDATE SET version = excluded.version`, len(all)); err != nil {
		return err
	}
	return tx.Commit()
}

func schemaVersion(ctx context.Context, db *sql.DB) (int, error) {
	var there int
	const look = `SELECT count(*) FROM sqlite_master WHERE name = 'journal_schema'`
	if err := db.QueryRowContext(ctx, look).Scan(&there); err != nil || there == 0 {
		return 0, err
	}
	var version int
	err := db.QueryRowContext(ctx, `SELECT version FROM journal_schema`).Scan(&version)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return version, err
}
