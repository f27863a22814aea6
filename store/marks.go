package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"letthrough/capture/trace"
)

// nearMarkS is how far from a mark, in seconds, a person may say that it stands: what a page rounds.
const nearMarkS = 1e-3

// EditMark keeps what a person says of a mark: added (no WasTS), moved or struck (no TS), with the
// reason. Times count from the run's zero. The marks that the program made stay as they are in the
// derivations that there were; where Options.Derive is given, a new one that heeds the person takes
// their place. Either both are stored or neither.
func (db *DB) EditMark(ctx context.Context, run int64, e trace.MarkEdit) (trace.MarkEdit, error) {
	if err := checkEdit(&e); err != nil {
		return e, invalid(err)
	}
	e.ID, e.TakenBack = 0, nil
	e.Made = db.now().Truncate(time.Second)
	err := db.changeMarks(ctx, "edit mark", run, func(tx *sql.Tx, r Run, said []trace.MarkEdit) (change markChange, err error) {
		if len(said) >= trace.MaxMarkEdits {
			return change, invalid(fmt.Errorf("run %d: %d marks have been edited, no more than that", run, len(said)))
		}
		moved := e.Shifted(r.ZeroS)
		if e.WasTS != nil {
			at, err := db.findMark(ctx, tx, r, e)
			if err != nil {
				return change, err
			}
			moved.WasTS = &at
		}
		if err := mayStand(r, e); err != nil {
			return change, err
		}
		change.said = append(said, moved)
		change.write = func(tx *sql.Tx) (err error) {
			e.ID, err = insertEdit(ctx, tx, run, moved)
			return err
		}
		return change, nil
	})
	return e, err
}

// TakeBackEdit takes back what a person said of a mark, by its number; it stays beside the others, and
// counts no more.
func (db *DB) TakeBackEdit(ctx context.Context, run, edit int64) error {
	return db.changeMarks(ctx, "take back an edit", run, func(_ *sql.Tx, _ Run, said []trace.MarkEdit) (change markChange, err error) {
		at := slices.IndexFunc(said, func(e trace.MarkEdit) bool { return e.ID == edit })
		switch {
		case at < 0:
			return change, notFound("run %d has no edit %d of a mark", run, edit)
		case said[at].TakenBack != nil:
			return change, &Error{Code: ErrState.Code, Text: fmt.Sprintf("edit %d of run %d was taken back already", edit, run)}
		}
		for _, later := range said[at+1:] {
			if later.TakenBack == nil && later.Kind == said[at].Kind && said[at].TS != nil && later.WasTS != nil && math.Abs(*later.WasTS-*said[at].TS) <= trace.SameEdit {
				return change, &Error{Code: ErrState.Code, Text: fmt.Sprintf("edit %d of run %d stands on edit %d", later.ID, run, edit), Hint: fmt.Sprintf("take back %d first", later.ID)}
			}
		}
		now := db.now().Truncate(time.Second)
		said[at].TakenBack = &now
		change.said = said
		change.write = func(tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, "UPDATE mark_edits SET taken_back = ? WHERE id = ?", now.Format(time.RFC3339), edit)
			return err
		}
		return change, nil
	})
}

// markChange is a change of what is said of a run's marks: all of it then, and how it is written.
type markChange struct {
	said  []trace.MarkEdit // on the run's time base
	write func(tx *sql.Tx) error
}

// changeMarks plans a change, derives the run again as it will then stand, and stores both. Reading a long
// run takes a while, and the one who records is not to wait for it: only the storing is a transaction.
func (db *DB) changeMarks(ctx context.Context, step string, run int64, plan func(tx *sql.Tx, r Run, said []trace.MarkEdit) (markChange, error)) error {
	var change markChange
	var before string
	var set trace.Settings
	var marks []trace.Mark
	err := db.look(ctx, step, func(tx *sql.Tx) error {
		r, err := db.readRun(ctx, tx, run)
		if err != nil {
			return err
		}
		if r.State == trace.RunOpen {
			return stillOpen(run)
		}
		said, err := editsOf(ctx, tx, run)
		if err != nil {
			return err
		}
		if before, err = marksStand(ctx, tx, run); err != nil {
			return err
		}
		if change, err = plan(tx, r, said); err != nil {
			return err
		}
		set = presentSettings(r)
		marks, err = recordedMarks(ctx, tx, run, fromOutside)
		return err
	})
	if err != nil {
		return err
	}
	var d trace.Derivation
	if db.opt.Derive != nil {
		set.MarkEdits = trace.NetEdits(change.said)
		if d, err = db.opt.Derive(set, trace.EditedMarks(marks, change.said), db.Batches(ctx, run)); err != nil {
			return db.explain(step, fmt.Errorf("derive run %d: %w", run, err))
		}
	}
	return db.changeRun(ctx, step, run, func(tx *sql.Tx, _ trace.RunState) error {
		now, err := marksStand(ctx, tx, run)
		if err != nil {
			return err
		}
		if now != before {
			return &Error{Code: ErrState.Code, Text: fmt.Sprintf("run %d was changed by somebody else meanwhile", run), Hint: "look at it again and repeat"}
		}
		if err := change.write(tx); err != nil || db.opt.Derive == nil {
			return err
		}
		_, err = db.insertDerivation(ctx, tx, run, set, d, "again", db.opt.Version)
		return err
	})
}

// presentSettings are those of the current derivation.
func presentSettings(r Run) trace.Settings {
	for _, d := range r.Derivations {
		if d.Current {
			return d.Settings
		}
	}
	return r.Settings
}

// marksStand changes whenever marks or the current derivation of a run do.
func marksStand(ctx context.Context, q queryer, run int64) (s string, err error) {
	err = q.QueryRowContext(ctx, `SELECT coalesce(derivation_id, 0) || ' ' || (SELECT count(*) || ' ' || count(taken_back) || ' ' || coalesce(max(id), 0) FROM mark_edits WHERE run = runs.id)
		FROM runs WHERE id = ?`, run).Scan(&s)
	if errors.Is(err, sql.ErrNoRows) {
		return "", notFound("there is no run %d", run)
	}
	return s, err
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
	}
	return e.Validate()
}

// mayStand refuses a mark of the detector's kinds outside the trace, and a second one of a kind that there
// is one of.
func mayStand(r Run, e trace.MarkEdit) error {
	if e.TS == nil || e.Kind.FromOutside() {
		return nil
	}
	from, to := math.Inf(1), math.Inf(-1)
	for _, c := range r.Channels {
		if c.Samples > 0 {
			from, to = min(from, c.FromS), max(to, c.ToS)
		}
	}
	if from <= to && (*e.TS < from || *e.TS > to) {
		return invalid(fmt.Errorf("t_s: %g s is out of range, the readings last from %.6g s to %.6g s", *e.TS, from, to))
	}
	if e.WasTS != nil || e.Kind == trace.RetryOn || e.Kind == trace.RetryOff {
		return nil
	}
	if m, ok := r.Derivation.FirstMark(e.Kind); ok {
		return &Error{Code: ErrState.Code, Text: fmt.Sprintf("run %d has a mark %s at %.6g s, and there is one of a kind", r.ID, e.Kind, m.T), Hint: "move that one, or strike it"}
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

func insertEdit(ctx context.Context, tx *sql.Tx, run int64, e trace.MarkEdit) (int64, error) {
	var back any
	if e.TakenBack != nil {
		back = e.TakenBack.Format(time.RFC3339)
	}
	res, err := tx.ExecContext(ctx, "INSERT INTO mark_edits (run, made, kind, was_t_s, t_s, u_s, reason, taken_back) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
		run, e.Made.Format(time.RFC3339), string(e.Kind), e.WasTS, e.TS, e.US, e.Reason, back)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// editsOf reads what was said of a run's marks, the oldest first, on the run's time base.
func editsOf(ctx context.Context, q queryer, run int64) ([]trace.MarkEdit, error) {
	rows, err := q.QueryContext(ctx, "SELECT id, made, kind, was_t_s, t_s, u_s, reason, taken_back FROM mark_edits WHERE run = ? ORDER BY id", run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := []trace.MarkEdit{}
	for rows.Next() {
		var e trace.MarkEdit
		var made string
		var back sql.NullString
		if err := rows.Scan(&e.ID, &made, &e.Kind, &e.WasTS, &e.TS, &e.US, &e.Reason, &back); err != nil {
			return nil, err
		}
		if e.Made, err = time.Parse(time.RFC3339, made); err != nil {
			return nil, err
		}
		if back.Valid {
			t, err := time.Parse(time.RFC3339, back.String)
			if err != nil {
				return nil, err
			}
			e.TakenBack = &t
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
