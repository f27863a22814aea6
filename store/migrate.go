package store

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"time"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// applicationID stands in the head of every database file of ours: "ltth".
const applicationID = 0x6c747468

type migration struct {
	number int
	name   string
	sql    string
}

// migrations lists the steps by number; they are numbered 1, 2, 3 without holes.
func migrations(files fs.FS) ([]migration, error) {
	names, err := fs.Glob(files, "migrations/*.sql") // sorted
	if err != nil {
		return nil, err
	}
	var out []migration
	for i, path := range names {
		name := strings.TrimSuffix(strings.TrimPrefix(path, "migrations/"), ".sql")
		digits, _, _ := strings.Cut(name, "_")
		number, err := strconv.Atoi(digits)
		if err != nil || number != i+1 {
			return nil, fmt.Errorf("migration %s: want number %04d", path, i+1)
		}
		text, err := fs.ReadFile(files, path)
		if err != nil {
			return nil, err
		}
		out = append(out, migration{number, name, string(text)})
	}
	return out, nil
}

// migrate brings the file to the newest schema, one transaction a step.
func (db *DB) migrate(ctx context.Context) error {
	steps, err := migrations(migrationFiles)
	if err != nil {
		return err
	}
	have, err := db.schemaNumber(ctx, db.w)
	if err != nil {
		return err
	}
	if have > len(steps) {
		return db.newer()
	}
	for _, m := range steps[have:] {
		if err := db.apply(ctx, m); err != nil {
			return fmt.Errorf("migration %s: %w", m.name, err)
		}
	}
	return nil
}

func (db *DB) newer() *Error {
	return &Error{Code: ErrNewer.Code, Text: db.path + " was written by a newer letthrough than this one",
		Hint: "use the newer version, or name another file with --db"}
}

func (db *DB) apply(ctx context.Context, m migration) error {
	tx, err := db.w.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	// Two programs may start on one new file: whoever comes second finds the step done.
	have, err := db.schemaNumber(ctx, tx)
	if err != nil || have >= m.number {
		return err
	}
	if m.number == 1 {
		if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; CREATE TABLE migrations (number INTEGER PRIMARY KEY, name TEXT NOT NULL, applied TEXT NOT NULL) STRICT", applicationID)); err != nil {
			return err
		}
	}
	if _, err := tx.ExecContext(ctx, m.sql); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, "INSERT INTO migrations (number, name, applied) VALUES (?, ?, ?)",
		m.number, m.name, db.now().Format(time.RFC3339)); err != nil {
		return err
	}
	return tx.Commit()
}

type queryer interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// schemaNumber gives the number of the last step applied: 0 for an empty file. A database of some
// other program is refused, never written to.
func (db *DB) schemaNumber(ctx context.Context, q queryer) (int, error) {
	var id, tables int
	if err := q.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return 0, err
	}
	if err := q.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, err
	}
	if id == 0 && tables == 0 {
		return 0, nil
	}
	if id != applicationID {
		return 0, &Error{Code: ErrNotOurs.Code, Text: db.path + " is some other program's database",
			Hint: "name another file with --db"}
	}
	var n int
	err := q.QueryRowContext(ctx, "SELECT coalesce(max(number), 0) FROM migrations").Scan(&n)
	return n, err
}
