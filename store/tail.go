package store

import (
	"context"
	"database/sql"
	"math"
	"slices"

	"letthrough/capture/trace"
	"letthrough/store/chunk"
)

// compactSmall is how many small chunks a channel may leave behind before they are made one, for
// instruments so slow that a full chunk takes hours.
const compactSmall = 256

// tail is the end of one channel of an open run: the samples since its last full chunk. They stay in
// memory until they make a full chunk, and are on disk meanwhile as the small chunks of each commit.
type tail struct {
	channel trace.Channel
	tailState
	gap  bool      // samples were lost: the next one says so
	next tailState // what holds once the transaction is committed
}

// tailState is what a commit changes. Its slices are never written to in place.
type tailState struct {
	row       int64 // of the channel in the database, 0: none yet
	first     int64 // place of samples[0] in the channel
	samples   []trace.Sample
	stored    int // of samples, how many are on disk in small chunks
	small     int // how many small chunks
	extent    extent
	pyramid   pyramid
	compacted bool // small chunks were replaced
}

// extent is the range of times of a channel and whether they only grow.
type extent struct {
	n          int64
	t0, t1     int64
	last       int64
	outOfOrder bool
}

func (e extent) with(samples []trace.Sample) extent {
	for i := range samples {
		t := samples[i].AtNS
		if e.n == 0 {
			e.t0, e.t1 = t, t
		} else if t < e.last {
			e.outOfOrder = true
		}
		e.t0, e.t1 = min(e.t0, t), max(e.t1, t)
		e.last = t
		e.n++
	}
	return e
}

func (t *tail) add(samples []trace.Sample, gapAfter bool) {
	at := len(t.samples)
	t.samples = append(t.samples, samples...)
	if t.gap && len(samples) > 0 {
		t.samples[at].Flags |= trace.Gap
		t.gap = false
	}
	t.gap = t.gap || gapAfter
}

func (t *tail) unsaved() int { return len(t.samples) - t.stored }

// adopt takes the planned state. What a full chunk has taken is dropped from memory.
func (t *tail) adopt() {
	left := t.next.samples
	dropped := len(t.samples) - len(left)
	t.next.samples = t.samples
	if dropped > 0 {
		n := copy(t.samples, left)
		t.next.samples = t.samples[:n]
	}
	t.tailState = t.next
}

// writeTail writes what of a channel is not on disk yet: full chunks for as long as there are
// enough samples, then a small one for the rest. At the end of the run nothing small remains.
func (w *writer) writeTail(ctx context.Context, tx *sql.Tx, run int64, t *tail, ending bool) error {
	s := t.tailState
	s.compacted = false
	if s.row == 0 {
		var err error
		if s.row, err = insertChannel(ctx, tx, run, t.channel); err != nil {
			return err
		}
	}
	fresh := s.samples[s.stored:]
	s.extent = s.extent.with(fresh)
	cw := chunkWriter{w: w, tx: tx, channel: s.row}
	if ending || len(s.samples) >= chunk.Size || s.small >= compactSmall && len(fresh) > 0 {
		if s.stored > 0 {
			if err := cw.deleteFrom(ctx, s.first); err != nil {
				return err
			}
			s.compacted = true
		}
		s.stored, s.small = 0, 0
	}
	if len(s.samples) >= chunk.Size || ending {
		s.pyramid = s.pyramid.clone()
	}
	for len(s.samples) >= chunk.Size || ending && len(s.samples) > 0 {
		full := s.samples[:min(chunk.Size, len(s.samples))]
		if err := cw.chunk(ctx, s.first, full); err != nil {
			return err
		}
		if err := cw.overview(ctx, &s.pyramid, s.first, full); err != nil {
			return err
		}
		s.first += int64(len(full))
		s.samples = s.samples[len(full):]
	}
	if ending {
		if err := cw.finishOverview(ctx, &s.pyramid); err != nil {
			return err
		}
	}
	if rest := s.samples[s.stored:]; len(rest) > 0 {
		if err := cw.chunk(ctx, s.first+int64(s.stored), rest); err != nil {
			return err
		}
		s.stored = len(s.samples)
		s.small++
	}
	if len(fresh) > 0 {
		if err := updateChannel(ctx, tx, s.row, s.extent); err != nil {
			return err
		}
	}
	t.next = s
	return nil
}

func insertChannel(ctx context.Context, tx *sql.Tx, run int64, c trace.Channel) (int64, error) {
	res, err := tx.ExecContext(ctx, "INSERT INTO channels (run, instrument, quantity, unit) VALUES (?, ?, ?, ?)",
		run, c.Instrument, c.Quantity.String(), c.Quantity.Unit())
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

func updateChannel(ctx context.Context, tx *sql.Tx, row int64, e extent) error {
	_, err := tx.ExecContext(ctx, "UPDATE channels SET n = ?, t0_ns = ?, t1_ns = ?, in_order = ? WHERE id = ?",
		e.n, e.t0, e.t1, !e.outOfOrder, row)
	return err
}

// chunkWriter writes chunks and overviews of one channel within a transaction.
type chunkWriter struct {
	w       *writer
	tx      *sql.Tx
	channel int64
}

func (cw chunkWriter) deleteFrom(ctx context.Context, first int64) error {
	_, err := cw.tx.ExecContext(ctx, "DELETE FROM chunks WHERE channel = ? AND first >= ?", cw.channel, first)
	return err
}

func (cw chunkWriter) chunk(ctx context.Context, first int64, samples []trace.Sample) error {
	cw.w.buf = cw.w.enc.Append(cw.w.buf[:0], samples)
	sum := chunk.Sum(samples)
	e := extent{}.with(samples)
	_, err := cw.tx.ExecContext(ctx, "INSERT INTO chunks (channel, first, n, t0_ns, t1_ns, min, max, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
		cw.channel, first, len(samples), e.t0, e.t1, number(sum.Min), number(sum.Max), cw.w.buf)
	return err
}

// number gives SQL's NULL for NaN, which STRICT tables take anyway but without saying so.
func number(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

// rowBuckets is how many buckets make a row of the overview, on any level.
const rowBuckets = chunk.Size / chunk.Fan

// maxLevels is far beyond any run: a bucket of level 6 stands for 7e10 samples.
const maxLevels = 6

// pyramid holds, for each level above the first, the buckets of the row that is not full yet.
type pyramid []pyramidLevel

type pyramidLevel struct {
	first   int64 // place of the first sample of buckets
	buckets []chunk.Bucket
	t1      int64
}

func (p pyramid) clone() pyramid {
	out := slices.Clone(p)
	for i := range out {
		out[i].buckets = slices.Clone(out[i].buckets)
	}
	return out
}

// overview writes level 1 of a chunk and carries its sums to the levels above.
func (cw chunkWriter) overview(ctx context.Context, p *pyramid, first int64, samples []trace.Sample) error {
	if len(samples) <= chunk.Fan {
		return nil // no shorter than the samples themselves
	}
	e := extent{}.with(samples)
	return cw.row(ctx, p, 1, pyramidLevel{first, chunk.SumAll(nil, samples), e.t1})
}

// row writes one row of a level and joins its buckets into the level above, whose rows are written
// as they fill.
func (cw chunkWriter) row(ctx context.Context, p *pyramid, level int, row pyramidLevel) error {
	per := int64(1)
	for range level {
		per *= chunk.Fan
	}
	n, t0, t1 := int64(0), int64(math.MaxInt64), row.t1
	for _, b := range row.buckets {
		n += b.N
		t0 = min(t0, b.T0)
	}
	cw.w.buf = cw.w.enc.AppendBuckets(cw.w.buf[:0], row.buckets, per)
	if _, err := cw.tx.ExecContext(ctx, "INSERT INTO overview (channel, level, first, n, t0_ns, t1_ns, data) VALUES (?, ?, ?, ?, ?, ?, ?)",
		cw.channel, level, row.first, n, t0, t1, cw.w.buf); err != nil {
		return err
	}
	if level == maxLevels {
		return nil
	}
	if len(*p) < level {
		*p = append(*p, pyramidLevel{first: row.first})
	}
	for at := 0; at < len(row.buckets); at += chunk.Fan {
		group := row.buckets[at:min(at+chunk.Fan, len(row.buckets))]
		sum := group[0]
		for _, b := range group[1:] {
			sum = sum.Join(b)
		}
		up := &(*p)[level-1]
		up.buckets = append(up.buckets, sum)
		up.t1 = max(up.t1, t1)
		if len(up.buckets) == rowBuckets {
			full := *up
			*up = pyramidLevel{first: full.first + per*chunk.Fan*rowBuckets}
			if err := cw.row(ctx, p, level+1, full); err != nil {
				return err
			}
		}
	}
	return nil
}

// finishOverview writes the rows that did not fill. A level of one row of a few buckets would spare
// nobody anything and is left out, as is what stands above it.
func (cw chunkWriter) finishOverview(ctx context.Context, p *pyramid) error {
	for level := 2; level-2 < len(*p); level++ {
		rest := (*p)[level-2]
		if rest.first == 0 && len(rest.buckets) <= 4 {
			return nil
		}
		if len(rest.buckets) == 0 {
			continue
		}
		(*p)[level-2] = pyramidLevel{}
		if err := cw.row(ctx, p, level, rest); err != nil {
			return err
		}
	}
	return nil
}
