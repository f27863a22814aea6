package capture

import "letthrough/capture/trace"

// Column is what viewers draw: one sample, or the least and the most of all samples in a bin, so
// that a peak of a single sample is never hidden.
type Column struct {
	AtNS     int64 // the sample's time or the bin's beginning, bench time base
	WidthNS  int64 // 0: a single sample
	Min, Max float32
	Flags    trace.Flags // of all its samples together; Gap: before it
}

const (
	fineNS   = 1e6        // bin of a channel faster than 1000 samples/s
	coarseNS = 64 * 1e6   // bin of what has fallen out of the fine ring
	ringCap  = 1 << 16    // columns kept in either ring: 65 s of fine bins, 70 min of coarse ones
	binBelow = 900e3      // a channel is binned once its samples are closer than this, ns
	unbinAt  = 1.05 * 1e6 // and no more when they are further apart; 1000/s exactly stays single
)

// columnRing holds the newest columns of one channel. Fine columns are numbered from 1.
type columnRing struct {
	fine   ring[Column]
	coarse ring[Column]
	bin    binner // collects the fine bin
	wide   binner // collects the coarse bin
	lastNS int64
	known  bool    // lastNS is set
	stepNS float64 // running mean of the interval between samples
	binned bool
}

// binner collects samples into bins on a fixed grid.
type binner struct {
	widthNS int64
	col     Column
	open    bool
}

// add takes one value and gives the bin before, once that is complete.
func (b *binner) add(atNS int64, lo, hi float32, f trace.Flags) (done Column, ok bool) {
	start := atNS - mod(atNS, b.widthNS)
	if b.open && start <= b.col.AtNS {
		b.col.Min, b.col.Max = min(b.col.Min, lo), max(b.col.Max, hi)
		b.col.Flags |= f
		return Column{}, false
	}
	done, ok = b.col, b.open
	b.col, b.open = Column{AtNS: start, WidthNS: b.widthNS, Min: lo, Max: hi, Flags: f}, true
	return done, ok
}

// flush gives the unfinished bin.
func (b *binner) flush() (Column, bool) {
	ok := b.open
	b.open = false
	return b.col, ok
}

func mod(a, n int64) int64 {
	if m := a % n; m < 0 {
		return m + n
	} else {
		return m
	}
}

func newColumnRing() *columnRing {
	return &columnRing{
		fine: ring[Column]{cap: ringCap}, coarse: ring[Column]{cap: ringCap},
		bin: binner{widthNS: fineNS}, wide: binner{widthNS: coarseNS},
	}
}

func (r *columnRing) add(samples []trace.Sample) {
	for _, s := range samples {
		r.rate(s)
		v := float32(s.Value)
		if r.binned {
			if c, ok := r.bin.add(s.AtNS, v, v, s.Flags); ok {
				r.push(c)
			}
		} else {
			r.flush()
			r.push(Column{AtNS: s.AtNS, Min: v, Max: v, Flags: s.Flags})
		}
	}
}

// rate follows the sampling interval and decides between bins and single samples.
func (r *columnRing) rate(s trace.Sample) {
	if r.known && s.AtNS > r.lastNS && s.Flags&trace.Gap == 0 {
		step := float64(s.AtNS - r.lastNS)
		if r.stepNS == 0 {
			r.stepNS = step
		}
		r.stepNS += (step - r.stepNS) / 32
		switch {
		case r.stepNS < binBelow:
			r.binned = true
		case r.stepNS > unbinAt:
			r.binned = false
		}
	}
	r.lastNS, r.known = s.AtNS, true
}

// flush publishes the unfinished bin; the bench does so when nothing came for a while, so that the
// last reading does not stay hidden.
func (r *columnRing) flush() bool {
	c, ok := r.bin.flush()
	if ok {
		r.push(c)
	}
	return ok
}

func (r *columnRing) push(c Column) {
	r.fine.push(c)
	if w, ok := r.wide.add(c.AtNS, c.Min, c.Max, c.Flags); ok {
		r.coarse.push(w)
	}
}

// window gives everything since fromNS: coarse columns for what the fine ring has no more, then fine
// ones, and the number of the newest.
func (r *columnRing) window(fromNS int64) ([]Column, uint64) {
	fine, last, _ := r.fine.since(0, nil)
	i := 0
	for i < len(fine) && fine[i].AtNS+fine[i].WidthNS < fromNS {
		i++
	}
	if i > 0 || r.fine.first() == 1 || len(fine) == 0 {
		return fine[i:], last // the fine ring reaches back far enough
	}
	var out []Column
	coarse, _, _ := r.coarse.since(0, nil)
	for _, c := range coarse {
		if c.AtNS+c.WidthNS >= fromNS && c.AtNS+c.WidthNS <= fine[0].AtNS {
			out = append(out, c)
		}
	}
	return append(out, fine...), last
}

// ring keeps the newest cap things and numbers everything that ever went through it from 1.
type ring[T any] struct {
	cap  int
	buf  []T
	next int    // where the next one goes once buf is full
	n    uint64 // how many there ever were: the number of the newest
}

func (r *ring[T]) push(v T) {
	r.n++
	if len(r.buf) < r.cap {
		r.buf = append(r.buf, v)
		return
	}
	r.buf[r.next] = v
	r.next = (r.next + 1) % r.cap
}

// first is the number of the oldest one kept (1 where there is none yet).
func (r *ring[T]) first() uint64 { return r.n - uint64(len(r.buf)) + 1 }

// at gives the one of a number, nil where it is not kept.
func (r *ring[T]) at(n uint64) *T {
	if n < r.first() || n > r.n || len(r.buf) == 0 {
		return nil
	}
	return &r.buf[(r.next+int(n-r.first()))%len(r.buf)]
}

// since appends everything numbered above after to dst and says how many of those are gone.
func (r *ring[T]) since(after uint64, dst []T) (out []T, last, missed uint64) {
	if after >= r.n {
		return dst, r.n, 0
	}
	if f := r.first(); after+1 < f {
		missed = f - 1 - after
		after = f - 1
	}
	skip := int(after + 1 - r.first())
	for i := skip; i < len(r.buf); i++ {
		dst = append(dst, r.buf[(r.next+i)%len(r.buf)])
	}
	return dst, r.n, missed
}
