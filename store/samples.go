package store

import (
	"context"
	"database/sql"
	"fmt"
	"iter"

	"letthrough/capture/trace"
	"letthrough/store/chunk"
)

// channelRow is a channel of a run as the database knows it.
type channelRow struct {
	trace.Channel
	id, n, t0, t1 int64
	inOrder       bool
}

func findChannels(ctx context.Context, q queryer, run int64) ([]channelRow, error) {
	rows, err := q.QueryContext(ctx, "SELECT id, instrument, quantity, n, t0_ns, t1_ns, in_order FROM channels WHERE run = ? ORDER BY quantity, id", run)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []channelRow
	for rows.Next() {
		var c channelRow
		var quantity string
		if err := rows.Scan(&c.id, &c.Instrument, &quantity, &c.n, &c.t0, &c.t1, &c.inOrder); err != nil {
			return nil, err
		}
		if err := c.Quantity.UnmarshalText([]byte(quantity)); err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, rows.Err()
}

// damaged says where a chunk stands that cannot be read.
func (db *DB) damaged(c channelRow, first int64, err error) *Error {
	return &Error{Code: ErrCorrupt.Code, Err: err,
		Text: fmt.Sprintf("samples of %s %s from number %d on in %s are damaged (%v)", c.Instrument, c.Quantity, first, db.path, err),
		Hint: "keep a copy of the file and go on with a backup"}
}

// placed are samples and the place of the first of them in their channel.
type placed struct {
	first   int64
	samples []trace.Sample
}

// chunks walks over the packed samples of a channel from the chunk that holds place first on. The
// blob is valid until the next one.
func (db *DB) chunks(ctx context.Context, tx *sql.Tx, c channelRow, first int64) iter.Seq2[placed, error] {
	return func(yield func(placed, error) bool) {
		rows, err := tx.QueryContext(ctx, "SELECT first, data FROM chunks WHERE channel = ? AND first + n > ? ORDER BY first", c.id, first)
		if err != nil {
			yield(placed{}, err)
			return
		}
		defer rows.Close()
		var samples []trace.Sample
		for rows.Next() {
			var at int64
			var blob sql.RawBytes
			if err := rows.Scan(&at, &blob); err != nil {
				yield(placed{}, err)
				return
			}
			if samples, err = chunk.Decode(samples[:0], blob); err != nil {
				yield(placed{}, db.damaged(c, at, err))
				return
			}
			if !yield(placed{at, samples}, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(placed{}, err)
		}
	}
}

// Samples walks over the samples of one channel in the order they came, on the run's time base. The
// slice is used again for the next ones. A run that is being recorded ends where it stands.
func (db *DB) Samples(ctx context.Context, run int64, channel trace.Channel) iter.Seq2[[]trace.Sample, error] {
	return func(yield func([]trace.Sample, error) bool) {
		err := db.look(ctx, "read samples", func(tx *sql.Tx) error {
			found, err := db.runChannels(ctx, tx, run)
			if err != nil {
				return err
			}
			for _, c := range found {
				if c.Channel != channel {
					continue
				}
				for part, err := range db.chunks(ctx, tx, c, 0) {
					if err != nil {
						return err
					}
					if !yield(part.samples, nil) {
						return nil
					}
				}
				return nil
			}
			return notFound("run %d has no channel %s %s", run, channel.Instrument, channel.Quantity)
		})
		if err != nil {
			yield(nil, err)
		}
	}
}

func (db *DB) runChannels(ctx context.Context, tx *sql.Tx, run int64) ([]channelRow, error) {
	var there int
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM runs WHERE id = ?", run).Scan(&there); err != nil {
		return nil, err
	}
	if there == 0 {
		return nil, db.noRun(run)
	}
	return findChannels(ctx, tx, run)
}

// Batches walks over the samples of all channels of a run together, in the order of their time (of
// equal times the current first), on the run's time base. The slices are used again.
func (db *DB) Batches(ctx context.Context, run int64) iter.Seq2[trace.Batch, error] {
	return db.BatchesFrom(ctx, run, nil)
}

// BatchesFrom is Batches without the first samples of each channel, so many as read says: it goes on where somebody
// stopped.
func (db *DB) BatchesFrom(ctx context.Context, run int64, read map[trace.Channel]int64) iter.Seq2[trace.Batch, error] {
	return func(yield func(trace.Batch, error) bool) {
		err := db.look(ctx, "read samples", func(tx *sql.Tx) error {
			found, err := db.runChannels(ctx, tx, run)
			if err != nil {
				return err
			}
			var sources []iter.Seq2[trace.Batch, error]
			for _, c := range found {
				sources = append(sources, func(yield func(trace.Batch, error) bool) {
					skip := read[c.Channel]
					for part, err := range db.chunks(ctx, tx, c, skip) {
						samples := part.samples
						if part.first < skip {
							samples = samples[min(skip-part.first, int64(len(samples))):]
						}
						if !yield(trace.Batch{Channel: c.Channel, Samples: samples}, err) || err != nil {
							return
						}
					}
				})
			}
			for b, err := range trace.Merge(sources...) {
				if err != nil {
					return err
				}
				if !yield(b, nil) {
					return nil
				}
			}
			return nil
		})
		if err != nil {
			yield(trace.Batch{}, err)
		}
	}
}
