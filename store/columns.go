package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
	"letthrough/store/chunk"
)

// MaxColumns is the most columns that one call may ask for.
const MaxColumns = 20_000

// Columns is a stretch of one channel as a picture shows it, corrected by the calibration that the run's
// figures were derived with. Column i stands for the samples from
// T[i] up to T[i+1]; its extremes are exact, however many samples that are. Infinities stand for
// samples over-range without a number; a column without any number is NaN.
type Columns struct {
	trace.Channel
	Unit   string
	Single bool      // every column is one sample
	T      []float64 // seconds from the run's zero
	Min    []float64
	Max    []float64
	Mean   []float64 // of the samples with a finite number
	Flags  []trace.Flags
}

// Columns reads at most n columns of every channel of a run between two times, in seconds from the
// run's zero; NaN leaves an end open. What is not on screen is not unpacked.
func (db *DB) Columns(ctx context.Context, run int64, fromS, toS float64, n int) ([]Columns, error) {
	if n < 1 || n > MaxColumns {
		return nil, invalid(fmt.Errorf("columns: %d is out of range, allowed is 1 to %d", n, MaxColumns))
	}
	if fromS > toS {
		return nil, invalid(fmt.Errorf("from_s: %g is after to_s, which is %g", fromS, toS))
	}
	var out []Columns
	err := db.look(ctx, "read columns", func(tx *sql.Tx) error {
		var zero int64
		err := tx.QueryRowContext(ctx, "SELECT zero_ns FROM runs WHERE id = ?", run).Scan(&zero)
		if errors.Is(err, sql.ErrNoRows) {
			return db.noRun(run)
		}
		if err != nil {
			return err
		}
		found, err := findChannels(ctx, tx, run)
		if err != nil {
			return err
		}
		right, err := calibrations(ctx, tx, run, found)
		if err != nil {
			return err
		}
		for i, c := range found {
			p := painter{db: db, ctx: ctx, tx: tx, c: c, from: math.MinInt64, to: math.MaxInt64, n: n}
			if !math.IsNaN(fromS) {
				p.from = plus(zero, trace.NS(fromS))
			}
			if !math.IsNaN(toS) {
				p.to = plus(zero, trace.NS(toS))
			}
			if err := p.paint(); err != nil {
				return err
			}
			cols := p.columns(zero)
			cols.correct(right[i])
			out = append(out, cols)
		}
		return nil
	})
	return out, err
}

// plus adds times without wrapping.
func plus(a, b int64) int64 {
	s := a + b
	switch {
	case b > 0 && s < a:
		return math.MaxInt64
	case b < 0 && s > a:
		return math.MinInt64
	}
	return s
}

// painter makes the columns of one channel. It walks down the overview only as far as it must: from
// the level whose buckets are just finer than a column, to finer ones at the two ends of the window
// and where an open run has none yet.
type painter struct {
	db       *DB
	ctx      context.Context
	tx       *sql.Tx
	c        channelRow
	from, to int64 // ns on the run's time base, both included
	n        int

	total   int64          // samples met
	coarse  bool           // some came summed up
	singles []trace.Sample // as long as there are at most n and all came singly
	cols    []chunk.Bucket // else, by place; N is 0 where nothing fell
	decoded []trace.Sample
}

func (p *painter) paint() error {
	p.from, p.to = max(p.from, p.c.t0), min(p.to, p.c.t1)
	if p.c.n == 0 || p.from > p.to {
		return nil
	}
	if err := p.walk(p.startLevel(), 0, p.c.n); err != nil {
		return err
	}
	if p.coarse && p.total <= int64(p.n) {
		// Samples lie less densely here than in the rest of the run: few enough to show singly.
		p.total, p.coarse, p.singles, p.cols = 0, false, nil, nil
		return p.walk(0, 0, p.c.n)
	}
	return nil
}

// startLevel estimates the samples in the window from the mean rate of the channel. Where times go
// back the overview's buckets overlap, and only the samples themselves tell what is where.
func (p *painter) startLevel() int {
	if !p.c.inOrder {
		return 0
	}
	share := 1.0
	if whole := float64(p.c.t1) - float64(p.c.t0); whole > 0 {
		share = (float64(p.to) - float64(p.from)) / whole
	}
	perColumn := share * float64(p.c.n) / float64(p.n)
	level := 0
	for size := float64(chunk.Fan); size <= perColumn && level < maxLevels; size *= chunk.Fan {
		level++
	}
	return level
}

// walk paints the samples at places first up to end from a level of the overview.
func (p *painter) walk(level int, first, end int64) error {
	if level == 0 {
		return p.walkSamples(first, end)
	}
	start, err := p.seek("overview WHERE channel = ? AND level = ?", first, p.c.id, level)
	if err != nil {
		return err
	}
	rows, err := p.tx.QueryContext(p.ctx, `SELECT first, n, t0_ns, t1_ns, data FROM overview
		WHERE channel = ? AND level = ? AND first >= ? AND first < ? ORDER BY first`, p.c.id, level, start, end)
	if err != nil {
		return err
	}
	defer rows.Close()
	at := max(first, start)
	var buckets []chunk.Bucket
	for rows.Next() {
		var rowFirst, n, t0, t1 int64
		var blob sql.RawBytes
		if err := rows.Scan(&rowFirst, &n, &t0, &t1, &blob); err != nil {
			return err
		}
		if rowFirst > at { // a hole in the overview
			if err := p.walk(level-1, at, rowFirst); err != nil {
				return err
			}
		}
		if t0 > p.to {
			return nil
		}
		if buckets, err = chunk.DecodeBuckets(buckets[:0], blob); err != nil {
			return p.db.damaged(p.c, rowFirst, err)
		}
		if err := p.walkBuckets(level, buckets, rowFirst, t1, first, end); err != nil {
			return err
		}
		at = rowFirst + n
	}
	if err := rows.Err(); err != nil || at >= end {
		return err
	}
	return p.walk(level-1, at, end) // what an open run has no overview of yet
}

// walkBuckets paints the buckets of one row that are wholly in the window and walks into those at
// its ends.
func (p *painter) walkBuckets(level int, buckets []chunk.Bucket, at, t1, first, end int64) error {
	for i, b := range buckets {
		next := t1
		if i+1 < len(buckets) {
			next = buckets[i+1].T0
		}
		lo, hi := at, at+b.N
		at = hi
		switch {
		case hi <= first || lo >= end || next < p.from || b.T0 > p.to:
		case b.T0 >= p.from && next <= p.to && lo >= first && hi <= end:
			p.addBucket(b)
		default:
			if err := p.walk(level-1, max(lo, first), min(hi, end)); err != nil {
				return err
			}
		}
	}
	return nil
}

// seek finds where to begin so as to meet every sample at place first or later and in the window:
// the last row that begins before both. Where times go back it is the beginning.
func (p *painter) seek(rows string, first int64, args ...any) (start int64, err error) {
	if !p.c.inOrder {
		return 0, nil
	}
	err = p.tx.QueryRowContext(p.ctx, "SELECT max(coalesce((SELECT first FROM "+rows+" AND t0_ns < ? ORDER BY t0_ns DESC LIMIT 1), 0),"+
		"coalesce((SELECT first FROM "+rows+" AND first <= ? ORDER BY first DESC LIMIT 1), 0))",
		slices.Concat(args, []any{p.from}, args, []any{first})...).Scan(&start)
	return start, err
}

// walkSamples paints the samples at places first up to end from their chunks.
func (p *painter) walkSamples(first, end int64) error {
	start, err := p.seek("chunks WHERE channel = ?", first, p.c.id)
	if err != nil {
		return err
	}
	rows, err := p.tx.QueryContext(p.ctx, "SELECT first, t0_ns, t1_ns, data FROM chunks WHERE channel = ? AND first >= ? AND first < ? ORDER BY first",
		p.c.id, start, end)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var at, t0, t1 int64
		var blob sql.RawBytes
		if err := rows.Scan(&at, &t0, &t1, &blob); err != nil {
			return err
		}
		if t0 > p.to && p.c.inOrder {
			return nil
		}
		if t0 > p.to || t1 < p.from {
			continue
		}
		if p.decoded, err = chunk.Decode(p.decoded[:0], blob); err != nil {
			return p.db.damaged(p.c, at, err)
		}
		n := int64(len(p.decoded))
		lo, hi := min(max(0, first-at), n), max(0, min(n, end-at))
		if lo < hi {
			p.addSamples(p.decoded[lo:hi])
		}
	}
	return rows.Err()
}

// place is the column that a time belongs to.
func (p *painter) place(t int64) int {
	span := float64(p.to) - float64(p.from)
	if span <= 0 {
		return 0
	}
	return min(int((float64(t)-float64(p.from))/span*float64(p.n)), p.n-1)
}

func (p *painter) addBucket(b chunk.Bucket) {
	p.coarse = true
	p.total += b.N
	p.gather()
	p.join(b)
}

func (p *painter) join(b chunk.Bucket) {
	col := &p.cols[p.place(b.T0)]
	*col = col.Join(b)
	col.T0 = min(col.T0, b.T0)
}

// gather goes over to columns once there are too many samples to show singly.
func (p *painter) gather() {
	if p.cols != nil {
		return
	}
	p.cols = make([]chunk.Bucket, p.n)
	for i := range p.singles {
		p.join(chunk.Sum(p.singles[i : i+1]))
	}
	p.singles = nil
}

func (p *painter) addSamples(s []trace.Sample) {
	for i := 0; i < len(s); {
		if s[i].AtNS < p.from || s[i].AtNS > p.to {
			i++
			continue
		}
		j := i + 1
		place := p.place(s[i].AtNS)
		for j < len(s) && s[j].AtNS >= p.from && s[j].AtNS <= p.to && (p.cols == nil || p.place(s[j].AtNS) == place) {
			j++
		}
		p.total += int64(j - i)
		if p.cols == nil && p.total <= int64(p.n) {
			p.singles = append(p.singles, s[i:j]...)
			i = j
			continue
		}
		if p.cols == nil {
			p.total -= int64(j - i)
			p.gather() // and then once more, column by column
			continue
		}
		p.join(chunk.Sum(s[i:j]))
		i = j
	}
}

// columns gives what was painted, its times counted from zero.
func (p *painter) columns(zero int64) Columns {
	out := Columns{Channel: p.c.Channel, Unit: p.c.Quantity.Unit(), Single: p.cols == nil}
	if p.cols == nil {
		if !p.c.inOrder {
			slices.SortStableFunc(p.singles, func(a, b trace.Sample) int { return cmp.Compare(a.AtNS, b.AtNS) })
		}
		for _, s := range p.singles {
			out.add(s.AtNS-zero, s.Value, s.Value, s.Value, s.Flags)
		}
		return out
	}
	for _, b := range p.cols {
		if b.N > 0 {
			out.add(b.T0-zero, b.Min, b.Max, b.Mean(), b.Flags)
		}
	}
	return out
}

func (c *Columns) add(ns int64, lo, hi, mean float64, f trace.Flags) {
	c.T = append(c.T, seconds(ns))
	c.Min = append(c.Min, lo)
	c.Max = append(c.Max, hi)
	c.Mean = append(c.Mean, mean)
	c.Flags = append(c.Flags, f)
}
