package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"letthrough/capture/trace"
	"letthrough/store/chunk"
)

// closeInterrupted closes the runs that a crash or a lost power supply left open: they keep every
// sample that was committed, their small chunks are made full ones, and their figures are derived.
func (db *DB) closeInterrupted(ctx context.Context) error {
	ids, err := queryIDs(ctx, db.r, "SELECT id FROM runs WHERE progress = 'open' ORDER BY id")
	if err != nil {
		return err
	}
	for _, id := range ids {
		if err := db.closeOne(ctx, id); err != nil {
			return fmt.Errorf("run %d: %w", id, err)
		}
		db.log.Warn("a run was cut short; it is closed as interrupted and keeps its samples", "run", id)
	}
	db.interrupted = ids
	if len(ids) > 0 {
		return db.vacuumAll(ctx)
	}
	return nil
}

func (db *DB) closeOne(ctx context.Context, id int64) error {
	run, err := db.Run(ctx, id)
	if err != nil {
		return err
	}
	marks, err := db.OutsideMarks(ctx, id)
	if err != nil {
		return err
	}
	end := trace.RunEnd{State: trace.RunInterrupted, Reason: "the program ended while the run was recorded",
		Settings: run.Settings, Derivation: trace.Derivation{Procedure: run.Procedure, Behaviour: trace.BehaviourUnsure}, Counts: trace.Counts{Garbled: run.Counts.Garbled, Duplicate: run.Counts.Duplicate}}
	if db.opt.Derive != nil {
		d, err := db.opt.Derive(run.Settings, marks, db.Batches(ctx, id))
		if err != nil {
			// Damaged samples or settings must not keep the program from starting.
			db.log.Error("an interrupted run has no figures", "run", id, "error", err)
			end.Derivation.Warnings = []trace.Warning{{Code: "not_derived", Text: "no figures could be derived: " + err.Error()}}
		} else {
			end.Derivation = d
		}
	}
	return db.change(ctx, "close run", func(tx *sql.Tx) error {
		lastNS, err := db.compact(ctx, tx, id)
		if err != nil {
			return err
		}
		// The wall clock may have been stepped since: the end is counted from the start.
		end.EndNS = lastNS
		end.Ended = run.Started.Add(time.Duration(lastNS))
		return db.endRun(ctx, tx, id, end, "interrupted")
	})
}

// compact replaces the small chunks at the end of each channel by full ones and writes the overview
// that they lack. A channel whose samples are damaged is left as it is.
func (db *DB) compact(ctx context.Context, tx *sql.Tx, run int64) (lastNS int64, err error) {
	found, err := findChannels(ctx, tx, run)
	if err != nil {
		return 0, err
	}
	w := newWriter(db)
	for _, c := range found {
		lastNS = max(lastNS, c.t1)
		if err := w.rebuild(ctx, tx, c); err != nil {
			if !errors.Is(err, ErrCorrupt) {
				return 0, err
			}
			db.log.Error("a channel is left as it is", "run", run, "channel", c.Instrument, "error", err)
		}
	}
	return lastNS, nil
}

// rebuild reads a channel from its start and writes its chunks and overview anew.
func (w *writer) rebuild(ctx context.Context, tx *sql.Tx, c channelRow) error {
	// The new rows come from a savepoint, so that damage half way leaves the old ones.
	if _, err := tx.ExecContext(ctx, "SAVEPOINT rebuild"); err != nil {
		return err
	}
	err := w.rebuildRows(ctx, tx, c)
	if err != nil {
		if _, e := tx.ExecContext(ctx, "ROLLBACK TO rebuild"); e != nil {
			return e
		}
	}
	if _, e := tx.ExecContext(ctx, "RELEASE rebuild"); e != nil {
		return e
	}
	return err
}

func (w *writer) rebuildRows(ctx context.Context, tx *sql.Tx, c channelRow) error {
	if _, err := tx.ExecContext(ctx, "DELETE FROM overview WHERE channel = ?", c.id); err != nil {
		return err
	}
	cw := chunkWriter{w: w, tx: tx, channel: c.id}
	var levels pyramid
	var blob []byte
	var samples, small []trace.Sample // small: what stands after the last full chunk, less than one
	at := int64(0)
	for {
		// One row at a time: a statement that is walked through must not see its own changes.
		var n int64
		err := tx.QueryRowContext(ctx, "SELECT n, data FROM chunks WHERE channel = ? AND first = ?", c.id, at+int64(len(small))).Scan(&n, &blob)
		if errors.Is(err, sql.ErrNoRows) {
			break
		}
		if err != nil {
			return err
		}
		if samples, err = chunk.Decode(samples[:0], blob); err == nil && int64(len(samples)) != n {
			err = &chunk.CorruptError{What: fmt.Sprintf("%d samples, %d expected", len(samples), n)}
		}
		if err != nil {
			return w.db.damaged(c, at+int64(len(small)), err)
		}
		if n < chunk.Size || len(small) > 0 {
			small = append(small, samples...)
			continue
		}
		if err := cw.overview(ctx, &levels, at, samples); err != nil {
			return err
		}
		at += n
	}
	if len(small) > 0 {
		if err := cw.deleteFrom(ctx, at); err != nil {
			return err
		}
	}
	for len(small) > 0 {
		full := small[:min(chunk.Size, len(small))]
		if err := errors.Join(cw.chunk(ctx, at, full), cw.overview(ctx, &levels, at, full)); err != nil {
			return err
		}
		at += int64(len(full))
		small = small[len(full):]
	}
	return cw.finishOverview(ctx, &levels)
}
