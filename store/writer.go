package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"letthrough/capture/trace"
	"letthrough/store/chunk"

	"github.com/mattn/go-sqlite3"
)

// writer holds what was taken from the queue and brings it into the database. It belongs to one
// goroutine. Nothing it holds counts as written before the transaction is committed: after a
// failure the same call is simply made again.
type writer struct {
	db    *DB
	enc   chunk.Encoder
	buf   []byte
	runs  map[int64]*runWriter
	order []int64
}

// runWriter is one run as far as the writer has it.
type runWriter struct {
	id       int64
	uuid     string
	start    *trace.RunStart // nil once the run's row is written
	tails    []*tail
	marks    []trace.Mark
	settings *trace.Settings
	end      *trace.RunEnd
	lost     int64 // in all
	lostTold int64 // of which the row already says so
}

// written is what one commit has brought about.
type written struct {
	wrote   bool
	samples int // stored
	marks   int
	dropped int // given up: the run they belong to is gone
	ids     []int64
}

func newWriter(db *DB) *writer { return &writer{db: db, runs: map[int64]*runWriter{}} }

// take adds what was handed over for a run.
func (w *writer) take(id int64, h *handed) {
	rw := w.runs[id]
	if rw == nil {
		rw = &runWriter{id: id}
		w.runs[id] = rw
		w.order = append(w.order, id)
	}
	if h.start != nil {
		rw.start, rw.uuid = h.start, h.uuid
	}
	for _, hc := range h.channels {
		t := rw.tail(hc.channel)
		t.samples = slices.Grow(t.samples, len(hc.blocks)*handedBlock)
		for _, b := range hc.blocks {
			t.add(b, false)
		}
		t.add(nil, hc.gap)
	}
	rw.marks = append(rw.marks, h.marks...)
	if h.settings != nil {
		rw.settings = h.settings
	}
	if h.end != nil {
		rw.end = h.end
	}
	rw.lost += h.lost
}

func (rw *runWriter) tail(c trace.Channel) *tail {
	for _, t := range rw.tails {
		if t.channel == c {
			return t
		}
	}
	t := &tail{channel: c}
	rw.tails = append(rw.tails, t)
	return t
}

// dirty tells whether anything of the run waits to be written.
func (rw *runWriter) dirty() bool {
	if rw.start != nil || len(rw.marks) > 0 || rw.settings != nil || rw.end != nil || rw.lost != rw.lostTold {
		return true
	}
	for _, t := range rw.tails {
		if t.unsaved() > 0 {
			return true
		}
	}
	return false
}

func (rw *runWriter) unsaved() (n int) {
	for _, t := range rw.tails {
		n += t.unsaved()
	}
	return n
}

func (w *writer) unsaved() (n int) {
	for _, rw := range w.runs {
		n += rw.unsaved()
	}
	return n
}

// commit writes everything that waits in one transaction and reserves more numbers for runs. A run
// whose rows break a rule of the tables (somebody deleted it while it was open) is given up and
// counted, so that it cannot keep the others from the disk.
func (w *writer) commit(ctx context.Context, ids int) (written, error) {
	var out written
	for {
		bad, err := w.attempt(ctx, ids, &out)
		if bad == nil {
			return out, w.db.explain("write", err)
		}
		w.db.log.Error("a run can no longer be stored", "run", bad.id, "lost_samples", bad.unsaved(), "error", err)
		out.dropped += bad.unsaved()
		out.marks += len(bad.marks)
		w.forget(bad.id)
	}
}

// attempt is one try; bad is the run that has to be given up.
func (w *writer) attempt(ctx context.Context, ids int, out *written) (bad *runWriter, err error) {
	var dirty []*runWriter
	for _, id := range w.order {
		if rw := w.runs[id]; rw.dirty() {
			dirty = append(dirty, rw)
		}
	}
	if len(dirty) == 0 && ids <= 0 {
		w.giveBack(ctx)
		return nil, nil
	}
	if err := w.db.inPlace(); err != nil {
		return nil, err
	}
	tx, err := w.db.w.BeginTx(ctx, nil)
	if err != nil {
		return nil, err
	}
	defer tx.Rollback()
	for _, rw := range dirty {
		if err := w.writeRun(ctx, tx, rw); err != nil {
			if isFaultOfRun(err) {
				return rw, err
			}
			return nil, err
		}
	}
	var fresh []int64
	if ids > 0 {
		if fresh, err = reserveRuns(ctx, tx, ids); err != nil {
			return nil, err
		}
	}
	if err := tx.Commit(); err != nil {
		return nil, err
	}
	out.wrote, out.ids = true, fresh
	for _, rw := range dirty {
		w.adopt(rw, out)
	}
	return nil, nil
}

// isFaultOfRun tells a row that can never be written from a disk that cannot write now.
func isFaultOfRun(err error) bool {
	var s sqlite3.Error
	if !errors.As(err, &s) {
		return !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded)
	}
	switch s.Code {
	case sqlite3.ErrConstraint, sqlite3.ErrMismatch, sqlite3.ErrTooBig, sqlite3.ErrRange, sqlite3.ErrError:
		return true
	}
	return false
}

// writeRun brings one run up to date. It changes nothing in rw but what the tails plan.
func (w *writer) writeRun(ctx context.Context, tx *sql.Tx, rw *runWriter) error {
	if rw.start != nil {
		if err := insertRun(ctx, tx, rw.id, rw.uuid, *rw.start); err != nil {
			return fmt.Errorf("run %d: %w", rw.id, err)
		}
	}
	for _, t := range rw.tails {
		if err := w.writeTail(ctx, tx, rw.id, t, rw.end != nil); err != nil {
			return fmt.Errorf("run %d: samples: %w", rw.id, err)
		}
	}
	if err := upsertMarks(ctx, tx, rw.id, rw.marks); err != nil {
		return fmt.Errorf("run %d: marks: %w", rw.id, err)
	}
	if rw.settings != nil {
		if err := updateSettings(ctx, tx, rw.id, *rw.settings); err != nil {
			return fmt.Errorf("run %d: settings: %w", rw.id, err)
		}
	}
	if rw.lost != rw.lostTold {
		if _, err := tx.ExecContext(ctx, "UPDATE runs SET lost = lost + ? WHERE id = ?", rw.lost-rw.lostTold, rw.id); err != nil {
			return fmt.Errorf("run %d: %w", rw.id, err)
		}
	}
	if rw.end != nil {
		if err := w.db.endRun(ctx, tx, rw.id, *rw.end, "live"); err != nil {
			return fmt.Errorf("run %d: end: %w", rw.id, err)
		}
	}
	return nil
}

// adopt makes what was planned true, once it is committed.
func (w *writer) adopt(rw *runWriter, out *written) {
	for _, t := range rw.tails {
		out.samples += t.unsaved()
		if t.next.compacted {
			w.db.sweep.Store(true)
		}
		t.adopt()
	}
	out.marks += len(rw.marks)
	rw.start, rw.marks, rw.settings = nil, nil, nil
	rw.lostTold = rw.lost
	if rw.end != nil {
		w.forget(rw.id)
	}
}

func (w *writer) forget(id int64) {
	delete(w.runs, id)
	for i, other := range w.order {
		if other == id {
			w.order = append(w.order[:i], w.order[i+1:]...)
			return
		}
	}
}

// giveBack returns pages that came free to the file system while there is nothing else to do and no
// run is open: an open run would only need them again. It does a little at a time, so that a run
// that begins meanwhile does not wait.
func (w *writer) giveBack(ctx context.Context) {
	if len(w.runs) > 0 || !w.db.sweep.Load() {
		return
	}
	more, err := w.db.vacuum(ctx, 1000)
	if err != nil {
		w.db.log.Warn("free pages stay in the file", "file", w.db.path, "error", err)
	}
	w.db.sweep.Store(more)
}

// reserve takes numbers for runs outside of a commit, when the store opens.
func (w *writer) reserve(ctx context.Context, n int) (ids []int64, err error) {
	err = w.db.change(ctx, "reserve run numbers", func(tx *sql.Tx) error {
		// Numbers that a process before this one had reserved and not used.
		if _, err := tx.ExecContext(ctx, "DELETE FROM reserved_runs WHERE run IN (SELECT id FROM runs)"); err != nil {
			return err
		}
		ids, err = queryIDs(ctx, tx, "SELECT run FROM reserved_runs ORDER BY run")
		if err != nil || len(ids) >= n {
			return err
		}
		fresh, err := reserveRuns(ctx, tx, n-len(ids))
		ids = append(ids, fresh...)
		return err
	})
	return ids, err
}

// reserveRuns takes the next numbers from the counter that SQLite keeps for AUTOINCREMENT, so that
// another program adding a run meanwhile gets a different one.
func reserveRuns(ctx context.Context, tx *sql.Tx, n int) (ids []int64, err error) {
	if _, err := tx.ExecContext(ctx, "INSERT INTO sqlite_sequence (name, seq) SELECT 'runs', 0 WHERE NOT EXISTS (SELECT 1 FROM sqlite_sequence WHERE name = 'runs')"); err != nil {
		return nil, err
	}
	for range n {
		var id int64
		if err := tx.QueryRowContext(ctx, "UPDATE sqlite_sequence SET seq = seq + 1 WHERE name = 'runs' RETURNING seq").Scan(&id); err != nil {
			return nil, err
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO reserved_runs (run) VALUES (?)", id); err != nil {
			return nil, err
		}
		ids = append(ids, id)
	}
	return ids, nil
}

func queryIDs(ctx context.Context, q queryer, query string, args ...any) ([]int64, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var ids []int64
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		ids = append(ids, id)
	}
	return ids, rows.Err()
}

// vacuum gives up to so many free pages back to the file system and tells whether it is worth doing
// again: pages are left, and some came free.
func (db *DB) vacuum(ctx context.Context, pages int) (more bool, err error) {
	var before, after int
	if err := db.w.QueryRowContext(ctx, "PRAGMA freelist_count").Scan(&before); err != nil {
		return false, err
	}
	if err := walk(ctx, db.w, fmt.Sprintf("PRAGMA incremental_vacuum(%d)", pages)); err != nil {
		return false, err
	}
	err = db.w.QueryRowContext(ctx, "PRAGMA freelist_count").Scan(&after)
	return after > 0 && after < before, err
}

// walk runs a statement to its end whatever its rows say: each step of incremental_vacuum frees one
// page.
func walk(ctx context.Context, q queryer, statement string) error {
	rows, err := q.QueryContext(ctx, statement)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
	}
	return rows.Err()
}

// vacuumAll gives all free pages back.
func (db *DB) vacuumAll(ctx context.Context) error {
	for more := true; more; {
		var err error
		if more, err = db.vacuum(ctx, 10_000); err != nil {
			return err
		}
	}
	return nil
}
