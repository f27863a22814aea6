package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// nearMarkS is how far from a mark, in seconds, a person may say that it stands: what a page rounds.
const nearMarkS = 1e-3

// maxEdits bounds what is said of the marks of one run.
const maxEdits = 1000

// EditMark keeps what a person says of a mark: added (no WasTS), moved or struck (no TS), with the
// reason. Times count from the run's zero. The marks that the program made stay as they are; where one
// from outside is meant, or added, a derivation made again heeds it.
func (db *DB) EditMark(ctx context.Context, run int64, e trace.MarkEdit) (trace.MarkEdit, error) {
	if err := checkEdit(&e); err != nil {
		return e, invalid(err)
	}
	e.Made = db.now().Truncate(time.Second)
	err := db.changeRun(ctx, "edit mark", run, func(tx *sql.Tx, state trace.RunState) error {
		if state == trace.RunOpen {
			return stillOpen(run)
		}
		r, err := db.readRun(ctx, tx, run)
		if err != nil {
			return err
		}
		if len(r.Edits) >= maxEdits {
			return invalid(fmt.Errorf("run %d: %d marks have been edited, no more than that", run, maxEdits))
		}
		moved := e.Shifted(r.ZeroS)
		if e.WasTS != nil {
			at, err := db.findMark(ctx, tx, r, e)
			if err != nil {
				return err
			}
			moved.WasTS = &at
		}
		return insertEdit(ctx, tx, run, moved)
	})
	return e, err
}

func checkEdit(e *trace.MarkEdit) error {
	e.Reason = strings.TrimSpace(e.Reason)
	known := []trace.MarkKind{trace.Applied, trace.Onset, trace.Limited, trace.CutOff, trace.RetryOn, trace.RetryOff, trace.Removed, trace.Restored, trace.Note}
	switch {
	case !slices.Contains(known, e.Kind):
		return fmt.Errorf("kind: %.40q is none of %v", string(e.Kind), known)
	case e.Reason == "":
		return fmt.Errorf("reason: a mark is changed for a reason, say which")
	case len(e.Reason) > 1000:
		return fmt.Errorf("reason: %d bytes are too long, at most 1000", len(e.Reason))
	case e.TS == nil && e.WasTS == nil:
		return fmt.Errorf("t_s: say when the mark is, in seconds from the onset")
	}
	for _, t := range []*float64{e.TS, e.WasTS} {
		if t != nil && !(math.Abs(*t) <= 1e9) {
			return fmt.Errorf("t_s: %g s is out of range, allowed is up to 1e9 s either way", *t)
		}
	}
	return nil
}

// findMark finds the mark that is meant and gives its exact time on the run's time base.
func (db *DB) findMark(ctx context.Context, tx *sql.Tx, r Run, e trace.MarkEdit) (float64, error) {
	outside, err := outsideMarks(ctx, tx, r.ID)
	if err != nil {
		return 0, err
	}
	best, at := math.Inf(1), 0.0
	for _, m := range slices.Concat(r.Derivation.Shifted(r.ZeroS, "file").Marks, outside) {
		if d := math.Abs(m.T - r.ZeroS - *e.WasTS); m.Kind == e.Kind && !m.Withdrawn && d < best {
			best, at = d, m.T
		}
	}
	if best > nearMarkS+1e-9 {
		return 0, notFound("run %d has no mark %s at %g s", r.ID, e.Kind, *e.WasTS)
	}
	return at, nil
}

func insertEdit(ctx context.Context, tx *sql.Tx, run int64, e trace.MarkEdit) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO mark_edits (run, made, kind, was_t_s, t_s, reason) VALUES (?, ?, ?, ?, ?, ?)",
		run, e.Made.Format(time.RFC3339), string(e.Kind), e.WasTS, e.TS, e.Reason)
	return err
}

// editsOf reads what was said of a run's marks, the oldest first, on the run's time base.
func editsOf(ctx context.Context, q queryer, run int64) ([]trace.MarkEdit, error) {
	rows, err := q.QueryContext(ctx, "SELECT made, kind, was_t_s, t_s, reason FROM mark_edits WHERE run = ? ORDER BY id", run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := []trace.MarkEdit{}
	for rows.Next() {
		var e trace.MarkEdit
		var made string
		if err := rows.Scan(&made, &e.Kind, &e.WasTS, &e.TS, &e.Reason); err != nil {
			return nil, err
		}
		if e.Made, err = time.Parse(time.RFC3339, made); err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, rows.Err()
}

// outsideMarks reads the marks made from outside while the run was recorded, with what a person said
// of them since.
func outsideMarks(ctx context.Context, q queryer, run int64) ([]trace.Mark, error) {
	marks, err := recordedMarks(ctx, q, run, fromOutside)
	if err != nil {
		return nil, err
	}
	edits, err := editsOf(ctx, q, run)
	return trace.EditedMarks(marks, edits), err
}
