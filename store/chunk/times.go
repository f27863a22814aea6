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
// differences wrap, so any times come back.
func appendTimes(dst []byte, t []int64) []byte {
	if len(t) == 0 {
		return dst
	}
	dst = binary.AppendVarint(dst, t[0])
	if len(t) == 1 {
		return dst
	}
	step := t[1] - t[0]
	dst = binary.AppendVarint(dst, step)
	changes, grain := surveySteps(t)
	if changes == 0 {
		return append(dst, stepSteady)
	}
	// A change costs two to four bytes when written apart, and each number of a block at least
	// as many bits as the widest.
	if changes*8 < len(t) {
		dst = append(dst, stepSparse)
		dst = binary.AppendUvarint(dst, grain)
		dst = binary.AppendUvarint(dst, uint64(changes))
		end := 2
		for i := 2; i < len(t); i++ {
			if next := t[i] - t[i-1]; next != step {
				dst = binary.AppendUvarint(dst, uint64(i-end))
				dst = binary.AppendVarint(dst, divide(next-step, grain))
				end, step = i+1, next
			}
		}
		return dst
	}
	dst = append(dst, stepPacked)
	dst = binary.AppendUvarint(dst, grain)
	var z [block]uint64
	for i := 2; i < len(t); {
		var wide uint64
		m := 0
		for ; m < block && i < len(t); m, i = m+1, i+1 {
			next := t[i] - t[i-1]
			z[m] = zigzag(divide(next-step, grain))
			wide |= z[m]
			step = next
		}
		width := uint(bits.Len64(wide))
		dst = append(dst, byte(width))
		dst = appendBits(dst, z[:m], width)
	}
	return dst
}

// surveySteps counts how often the step changes and finds the largest power of ten that divides
// every change: stamps in microseconds cost less as such.
func surveySteps(t []int64) (changes int, grain uint64) {
	grain = 1e9
	step := t[1] - t[0]
	for i := 2; i < len(t); i++ {
		next := t[i] - t[i-1]
		if next == step {
			continue
		}
		changes++
		d := next - step
		for grain > 1 && d%int64(grain) != 0 {
			grain /= 10
		}
		step = next
	}
	return changes, grain
}

// divide spares the division where there is nothing to divide by.
func divide(d int64, grain uint64) int64 {
	if grain == 1 {
		return d
	}
	return d / int64(grain)
}

// times reads n times.
func (r *reader) times(n int, put func(i int, t int64)) {
	if n == 0 {
		return
	}
	t := unzigzag(r.uvarint())
	put(0, t)
	if n == 1 {
		return
	}
	step := unzigzag(r.uvarint())
	t += step
	put(1, t)
	form := r.byte()
	grain := int64(1)
	if form != stepSteady {
		grain = int64(r.uvarint())
	}
	switch form {
	case stepSteady:
		r.steady(2, n, t, step, put)
	case stepSparse:
		r.sparse(n, t, step, grain, put)
	case stepPacked:
		r.packed(n, t, step, grain, put)
	default:
		r.fail("unknown form %d of times", form)
	}
}

func (r *reader) steady(from, to int, t, step int64, put func(int, int64)) int64 {
	if r.err != nil {
		return t
	}
	for i := from; i < to; i++ {
		t += step
		put(i, t)
	}
	return t
}

func (r *reader) sparse(n int, t, step, grain int64, put func(int, int64)) {
	at := 2
	for changes := r.count(n, "the number of changed steps"); changes > 0 && r.err == nil; changes-- {
		next := at + r.count(n-at-1, "the place of a changed step")
		change := unzigzag(r.uvarint()) * grain
		t = r.steady(at, next, t, step, put)
		step += change
		t = r.steady(next, next+1, t, step, put)
		at = next + 1
	}
	r.steady(at, n, t, step, put)
}

func (r *reader) packed(n int, t, step, grain int64, put func(int, int64)) {
	var z [block]uint64
	for at := 2; at < n && r.err == nil; at += block {
		m := min(block, n-at)
		r.bits(z[:m], uint(r.byte()))
		if r.err != nil {
			return
		}
		for i, u := range z[:m] {
			step += unzigzag(u) * grain
			t += step
			put(at+i, t)
		}
	}
}
