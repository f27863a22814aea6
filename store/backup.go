package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/mattn/go-sqlite3"
)

// backupPages is how many pages are copied at a time; between two lots the writer gets its turn.
const backupPages = 2048

// Backup copies the database, also while a run is recorded into it, to a file that is not there yet.
// The copy appears under its name only when it is whole.
func (db *DB) Backup(ctx context.Context, to string) error {
	if _, err := os.Lstat(to); err == nil {
		return &Error{Code: ErrConflict.Code, Text: "there is a file " + to + " already", Hint: "name another file for the backup"}
	}
	part, err := os.CreateTemp(filepath.Dir(to), filepath.Base(to)+".part-*")
	if err != nil {
		return explainPath("make backup", to, err)
	}
	defer os.Remove(part.Name())
	if err := part.Close(); err != nil {
		return explainPath("make backup", to, err)
	}
	if err := db.copyPages(ctx, part.Name()); err != nil {
		return explainPath("make backup", to, err)
	}
	// Link refuses a file that came into being meanwhile; where there are no links, rename.
	err = os.Link(part.Name(), to)
	if err != nil && !errors.Is(err, os.ErrExist) {
		err = os.Rename(part.Name(), to)
	}
	return explainPath("make backup", to, err)
}

func explainPath(step, path string, err error) error {
	var own *Error
	if err == nil || errors.As(err, &own) {
		return err
	}
	if e := explainFault(path, err); e != nil {
		return e
	}
	return fmt.Errorf("%s: %w", step, err)
}

func (db *DB) copyPages(ctx context.Context, to string) error {
	pool, err := sql.Open("sqlite3", "file:"+escapePath(to))
	if err != nil {
		return err
	}
	defer pool.Close()
	dst, err := pool.Conn(ctx)
	if err != nil {
		return err
	}
	defer dst.Close()
	src, err := db.r.Conn(ctx)
	if err != nil {
		return err
	}
	defer src.Close()
	return dst.Raw(func(dc any) error {
		return src.Raw(func(sc any) error {
			b, err := dc.(*sqlite3.SQLiteConn).Backup("main", sc.(*sqlite3.SQLiteConn), "main")
			if err != nil {
				return err
			}
			return errors.Join(stepThrough(ctx, b), b.Close())
		})
	})
}

// stepThrough copies lot by lot. A commit in between makes SQLite begin again with the changed
// pages; so that this ends while a run is recorded, the last attempt copies all at once.
func stepThrough(ctx context.Context, b *sqlite3.SQLiteBackup) error {
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	restarts, left := 0, 0
	for {
		lot := backupPages
		if restarts > 3 {
			lot = -1
		}
		done, err := b.Step(lot)
		if done {
			return nil
		}
		var s sqlite3.Error
		if err != nil && !(errors.As(err, &s) && (s.Code == sqlite3.ErrBusy || s.Code == sqlite3.ErrLocked)) {
			return err
		}
		if now := b.Remaining(); now > left {
			restarts++
			left = now
		} else {
			left = now
		}
		if err == nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			continue
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-again.C:
		}
	}
}
