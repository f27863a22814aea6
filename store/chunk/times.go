package chunk

import (
	"encoding/binary"
	"math/bits"
)

// The ways in which the changes of the step between times are written.
const (
	stepSteady = 0 // the step never changes
	stepSparse = 1 // position and amount of each change
	stepPacked = 2 // bit-packed in blocks
)

// appendTimes writes the first time, the first step and then the changes of the step. Sums and
// differences wrap, so any times come back. scratch is memory for the places of changes, given back.
func appendTimes(dst []byte, t []int64, scratch []int32) ([]byte, []int32) {
	if len(t) == 0 {
		return dst, scratch
	}
	dst = binary.AppendVarint(dst, t[0])
	if len(t) == 1 {
		return dst, scratch
	}
	dst = binary.AppendVarint(dst, t[1]-t[0])
	// A change costs two to four bytes when written apart, and each number of a block at least
	// as many bits as the widest.
	changes := stepChanges(scratch[:0], t)
	switch {
	case len(changes) == 0:
		return append(dst, stepSteady), changes
	case len(changes)*8 < len(t):
		return appendSparse(dst, t, changes), changes
	}
	return appendPacked(dst, t, changes), changes
}

// change is how much longer the step to t[i] is than the step before it.
func change(t []int64, i int32) int64 { return t[i] - t[i-1] - (t[i-1] - t[i-2]) }

// stepChanges appends the places where the step is another than before.
func stepChanges(dst []int32, t []int64) []int32 {
	step, last := t[1]-t[0], t[1]
	for i, now := range t[2:] {
		if now-last != step {
			step = now - last
			dst = append(dst, int32(i+2))
		}
		last = now
	}
	return dst
}

// grain is the largest power of ten that divides every change: stamps in microseconds cost less as
// such.
func grain(t []int64, changes []int32) uint64 {
	g := int64(1e9)
	for _, i := range changes {
		for d := change(t, i); g > 1 && d%g != 0; {
			g /= 10
		}
	}
	return uint64(g)
}

func appendSparse(dst []byte, t []int64, changes []int32) []byte {
	g := grain(t, changes)
	dst = append(dst, stepSparse)
	dst = binary.AppendUvarint(dst, g)
	dst = binary.AppendUvarint(dst, uint64(len(changes)))
	end := int32(2)
	for _, i := range changes {
		dst = binary.AppendUvarint(dst, uint64(i-end))
		dst = binary.AppendVarint(dst, divide(change(t, i), g))
		end = i + 1
	}
	return dst
}

func appendPacked(dst []byte, t []int64, changes []int32) []byte {
	g := grain(t, changes)
	dst = append(dst, stepPacked)
	dst = binary.AppendUvarint(dst, g)
	var z [block]uint64
	for i := 2; i < len(t); {
		var wide uint64
		m := 0
		for ; m < block && i < len(t); m, i = m+1, i+1 {
			z[m] = zigzag(divide(change(t, int32(i)), g))
			wide |= z[m]
		}
		width := uint(bits.Len64(wide))
		dst = append(dst, byte(width))
		dst = appendBits(dst, z[:m], width)
	}
	return dst
}

// divide spares the division where there is nothing to divide by.
func divide(d int64, grain uint64) int64 {
	if grain == 1 {
		return d
	}
	return d / int64(grain)
}

// times reads n times and hands them over a few at a time.
func (r *reader) times(n int, put func(at int, t []int64)) {
	w := timeWriter{put: put}
	if n == 0 {
		return
	}
	w.t = unzigzag(r.uvarint())
	w.steady(1, 0)
	if n > 1 {
		w.steady(1, unzigzag(r.uvarint()))
	}
	if n > 1 {
		r.steps(n, &w)
	}
	if r.err == nil {
		w.flush()
	}
}

// timeWriter collects times in the order of their place.
type timeWriter struct {
	put     func(at int, t []int64)
	t, step int64 // the last time, the last step
	at, n   int   // place of buf[0], times in buf
	buf     [block]int64
}

// steady adds n times a step apart.
func (w *timeWriter) steady(n int, step int64) {
	w.step = step
	t := w.t
	for n > 0 {
		if w.n == block {
			w.flush()
		}
		m := min(n, block-w.n)
		for i := range w.buf[w.n : w.n+m] {
			t += step
			w.buf[w.n+i] = t
		}
		w.n += m
		n -= m
	}
	w.t = t
}

func (w *timeWriter) flush() {
	w.put(w.at, w.buf[:w.n])
	w.at += w.n
	w.n = 0
}

// steps reads the steps from the third time on.
func (r *reader) steps(n int, w *timeWriter) {
	form := r.byte()
	g := int64(1)
	if form != stepSteady {
		g = int64(r.uvarint())
	}
	if r.err != nil {
		return
	}
	switch form {
	case stepSteady:
		w.steady(n-2, w.step)
	case stepSparse:
		r.sparse(n, g, w)
	case stepPacked:
		r.packed(n, g, w)
	default:
		r.fail("unknown form %d of times", form)
	}
}

func (r *reader) sparse(n int, g int64, w *timeWriter) {
	at := 2
	for changes := r.count(n, "the number of changed steps"); changes > 0; changes-- {
		same := r.count(n-at-1, "the place of a changed step")
		by := unzigzag(r.uvarint()) * g
		if r.err != nil {
			return
		}
		w.steady(same, w.step)
		w.steady(1, w.step+by)
		at += same + 1
	}
	w.steady(n-at, w.step)
}

func (r *reader) packed(n int, g int64, w *timeWriter) {
	var z [block]uint64
	for at := 2; at < n; at += block {
		m := min(block, n-at)
		r.bits(z[:m], uint(r.byte()))
		if r.err != nil {
			return
		}
		for _, u := range z[:m] {
			w.steady(1, w.step+unzigzag(u)*g)
		}
	}
}
