package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// Facts describes a data file to somebody who helps: schema, size, soundness and how many rows each table has. It holds
// no readings and no names, and does not disturb a watch that has the file open.
func Facts(ctx context.Context, path string) (string, error) {
	db, err := connect(path, reading)
	if err != nil {
		return "", explain(err, "look into", path)
	}
	defer db.Close()
	var b strings.Builder
	for _, pragma := range []string{"user_version", "page_size", "page_count", "freelist_count", "journal_mode", "auto_vacuum", "quick_check(5)"} {
		fmt.Fprintf(&b, "%s: %s\n", pragma, one(ctx, db, "PRAGMA "+pragma))
	}
	tables, err := names(ctx, db)
	if err != nil {
		return "", explain(err, "look into", path)
	}
	for _, t := range tables {
		quoted := `"` + strings.ReplaceAll(t, `"`, `""`) + `"`
		fmt.Fprintf(&b, "rows of %s: %s\n", t, one(ctx, db, "SELECT count(*) FROM "+quoted))
		if strings.HasSuffix(t, "_schema") {
			fmt.Fprintf(&b, "version in %s: %s\n", t, one(ctx, db, "SELECT version FROM "+quoted))
		}
	}
	return b.String(), nil
}

// one returns the rows of a query of one column, or why there are none: a broken file has facts too.
func one(ctx context.Context, db *sql.DB, query string) string {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return err.Error()
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var v string
		if err := rows.Scan(&v); err != nil {
			return err.Error()
		}
		out = append(out, v)
	}
	if err := rows.Err(); err != nil {
		out = append(out, err.Error())
	}
	return strings.Join(out, "; ")
}

// names returns the tables of a file, in order.
func names(ctx context.Context, db *sql.DB) ([]string, error) {
	rows, err := db.QueryContext(ctx, `SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, err
		}
		out = append(out, name)
	}
	return out, rows.Err()
}
