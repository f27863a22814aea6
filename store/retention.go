package store

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"letthrough/capture/trace"
)

// Retention says which runs are to go. Nothing goes unless somebody asks for it.
type Retention struct {
	Before   time.Time // runs started before it; zero: however old
	MaxBytes int64     // the oldest go until no more than this is used; 0: however much
}

// Bytes is how much of the file is used: what deleted runs gave back does not count.
func (db *DB) Bytes(ctx context.Context) (n int64, err error) {
	err = db.r.QueryRowContext(ctx, `SELECT (page_count - freelist_count) * page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).Scan(&n)
	return n, db.explain("read size", err)
}

// Retain deletes the oldest runs until the rest is as asked for, and tells each. A run that is still
// open stays. With try nothing is deleted; what the size would then be is reckoned from the samples.
func (db *DB) Retain(ctx context.Context, r Retention, try bool, each func(RunSummary)) error {
	if r.Before.IsZero() && r.MaxBytes <= 0 {
		return invalid(errors.New("retention: say how old or how much is too much"))
	}
	used, err := db.Bytes(ctx)
	if err != nil {
		return err
	}
	after := ""
	for {
		page, err := db.Runs(ctx, RunQuery{Sort: "started", Limit: 200, After: after})
		if err != nil {
			return err
		}
		for _, run := range page.Runs {
			old := !r.Before.IsZero() && run.Started.Before(r.Before)
			if !old && (r.MaxBytes <= 0 || used <= r.MaxBytes) {
				return nil // the rest is younger
			}
			if run.State == trace.RunOpen {
				continue
			}
			n, err := db.bytesOf(ctx, run.ID)
			if err != nil {
				return err
			}
			if !try {
				if err := db.DeleteRun(ctx, run.ID); err != nil {
					return err
				}
			}
			each(run)
			if used -= n; !try {
				if used, err = db.Bytes(ctx); err != nil {
					return err
				}
			}
		}
		if page.Next == nil {
			return nil
		}
		after = *page.Next
	}
}

// bytesOf is what the samples of a run take, nearly all of what it takes.
func (db *DB) bytesOf(ctx context.Context, run int64) (int64, error) {
	var n sql.NullInt64
	err := db.r.QueryRowContext(ctx, `SELECT (SELECT sum(length(data)) FROM chunks WHERE channel IN (SELECT id FROM channels WHERE run = ?1))
		+ coalesce((SELECT sum(length(data)) FROM overview WHERE channel IN (SELECT id FROM channels WHERE run = ?1)), 0)`, run).Scan(&n)
	return n.Int64, db.explain("read size", err)
}
