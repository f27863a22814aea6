package store

import (
	"context"
	"database/sql"
	"iter"

	"letthrough/capture/trace"
	"letthrough/store/chunk"
)

// ImportRun stores a whole run at once: all of it or, after an error, nothing. It waits for the
// disk, loses nothing, and needs no more memory than a few chunks. Times are on the run's own time
// base.
func (db *DB) ImportRun(ctx context.Context, s trace.RunStart, samples iter.Seq2[trace.Batch, error], e trace.RunEnd) (id int64, err error) {
	if err := e.Validate(); err != nil {
		return 0, invalid(err)
	}
	err = db.change(ctx, "import run", func(tx *sql.Tx) error {
		ids, err := reserveRuns(ctx, tx, 1)
		if err != nil {
			return err
		}
		id = ids[0]
		if err := insertRun(ctx, tx, id, newUUID(), s); err != nil {
			return err
		}
		w, rw := newWriter(db), &runWriter{id: id}
		if err := w.importSamples(ctx, tx, rw, samples); err != nil {
			return err
		}
		rw.end = &e
		return w.writeRun(ctx, tx, rw)
	})
	return id, err
}

// writeFull writes the full chunks of a tail and keeps the rest in memory.
func (w *writer) writeFull(ctx context.Context, tx *sql.Tx, run int64, t *tail) error {
	rest := t.samples[len(t.samples)/chunk.Size*chunk.Size:]
	t.samples = t.samples[:len(t.samples)-len(rest)]
	if err := w.writeTail(ctx, tx, run, t, false); err != nil {
		return err
	}
	kept := append([]trace.Sample(nil), rest...)
	t.adopt()
	t.samples = append(t.samples, kept...)
	return nil
}
