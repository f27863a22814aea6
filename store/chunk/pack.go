package chunk

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"letthrough/capture/trace"
)

// block is the number of whole numbers that share one bit width.
const block = 128

// The ways of a block of whole numbers, the upper bits of its head; the width is below them.
const (
	fromBase   = 0 << 7 // each number less the block's smallest
	fromBefore = 1 << 7 // each number less the one before, zigzag
)

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// appendInts packs whole numbers in blocks. A block is written either as distances from its
// smallest number, which suits noise on a level, or as steps, which suits a slope.
func appendInts(dst []byte, v []int64) []byte {
	var packed [block]uint64
	prev := int64(0)
	for len(v) > 0 {
		b := v[:min(block, len(v))]
		v = v[len(b):]
		lo, hi := b[0], b[0]
		var moved, magnitude int64
		before := prev
		for _, x := range b {
			lo, hi = min(lo, x), max(hi, x)
			d := x - before
			moved |= d
			magnitude |= d ^ d>>63
			before = x
		}
		baseWidth, stepWidth := bits.Len64(uint64(hi-lo)), 0
		if moved != 0 {
			stepWidth = bits.Len64(uint64(magnitude)) + 1 // zigzag has the sign in its lowest bit
		}
		head := zigzag(lo - prev)
		if baseWidth*len(b)+bits.Len64(head)+8 <= stepWidth*len(b) {
			dst = append(dst, byte(fromBase|baseWidth))
			dst = binary.AppendUvarint(dst, head)
			for i, x := range b {
				packed[i] = uint64(x - lo)
			}
			dst = appendBits(dst, packed[:len(b)], uint(baseWidth))
		} else {
			dst = append(dst, byte(fromBefore|stepWidth))
			for i, x := range b {
				packed[i] = zigzag(x - prev)
				prev = x
			}
			dst = appendBits(dst, packed[:len(b)], uint(stepWidth))
		}
		prev = before
	}
	return dst
}

// ints reads n whole numbers and hands them over a block at a time.
func (r *reader) ints(n int, put func(at int, codes []int64)) {
	var u [block]uint64
	var v [block]int64
	prev := int64(0)
	for at := 0; at < n && r.err == nil; at += block {
		m := min(block, n-at)
		head := r.byte()
		width := uint(head &^ fromBefore)
		lo := prev
		if head&fromBefore == 0 {
			lo = prev + unzigzag(r.uvarint())
		}
		r.bits(u[:m], width)
		if r.err != nil {
			return
		}
		if head&fromBefore == 0 {
			for i, x := range u[:m] {
				v[i] = lo + int64(x)
			}
		} else {
			for i, x := range u[:m] {
				lo += unzigzag(x)
				v[i] = lo
			}
		}
		prev = v[m-1]
		put(at, v[:m])
	}
}

// appendBits writes the low width bits of each number, least significant first.
func appendBits(dst []byte, v []uint64, width uint) []byte {
	if width == 0 {
		return dst
	}
	at := len(dst)
	n := (len(v)*int(width) + 7) / 8
	dst = slices.Grow(dst, n+8)[:at+n+8] // room for a whole last word
	out := dst[at:]
	var acc uint64
	var have uint
	put := func(x uint64, width uint) {
		acc |= x << have
		have += width
		if have >= 64 {
			binary.LittleEndian.PutUint64(out, acc)
			out = out[8:]
			have -= 64
			acc = x >> (width - have)
		}
	}
	if width <= 16 { // four at a time: their shifts do not wait for each other
		for len(v) >= 4 {
			put(v[0]|v[1]<<width|v[2]<<(2*width)|v[3]<<(3*width), 4*width)
			v = v[4:]
		}
	}
	for _, x := range v {
		put(x, width)
	}
	binary.LittleEndian.PutUint64(out, acc)
	return dst[:at+n]
}

// bits reads len(v) numbers of the given width.
func (r *reader) bits(v []uint64, width uint) {
	if width > 64 {
		r.fail("a width of %d bits, at most 64 are possible", width)
		return
	}
	raw := r.take((len(v)*int(width) + 7) / 8)
	if r.err != nil {
		return
	}
	if width == 0 {
		clear(v)
		return
	}
	var padded [block*8 + 8]byte // so that eight bytes can be read at any number
	copy(padded[:], raw)
	mask := uint64(1)<<width - 1
	pos := uint(0)
	if width <= 56 {
		for i := range v {
			v[i] = binary.LittleEndian.Uint64(padded[pos>>3:]) >> (pos & 7) & mask
			pos += width
		}
		return
	}
	for i := range v {
		lo := binary.LittleEndian.Uint64(padded[pos>>3:]) >> (pos & 7)
		if rest := 64 - pos&7; rest < width {
			lo |= uint64(padded[pos>>3+8]) << rest
		}
		v[i] = lo & mask
		pos += width
	}
}

// appendRuns writes stretches of members that share one content: how many runs, and for each the
// distance from the end of the last, its length and the content.
func appendRuns(dst []byte, n int, member func(i int) bool, same func(i, j int) bool, content func([]byte, int) []byte) []byte {
	each := func(f func(from, to int)) {
		for i := 0; i < n; {
			if !member(i) {
				i++
				continue
			}
			from := i
			for i++; i < n && member(i) && same(from, i); i++ {
			}
			f(from, i)
		}
	}
	count := 0
	each(func(_, _ int) { count++ })
	dst = binary.AppendUvarint(dst, uint64(count))
	end := 0
	each(func(from, to int) {
		dst = binary.AppendUvarint(dst, uint64(from-end))
		dst = binary.AppendUvarint(dst, uint64(to-from))
		dst = content(dst, from)
		end = to
	})
	return dst
}

// runs reads what appendRuns wrote; put must read the content.
func (r *reader) runs(n int, put func(from, to int)) {
	count := r.count(n, "the number of runs")
	end := 0
	for ; count > 0 && r.err == nil; count-- {
		from := end + r.count(n-end, "the start of a run")
		end = from + r.count(n-from, "the length of a run")
		if r.err == nil {
			put(from, end)
		}
	}
}

func appendFlags(dst []byte, n int, flags func(i int) trace.Flags) []byte {
	return appendRuns(dst, n,
		func(i int) bool { return flags(i) != 0 },
		func(i, j int) bool { return flags(i) == flags(j) },
		func(dst []byte, i int) []byte { return append(dst, byte(flags(i))) })
}

// reader walks through a blob; after the first fault everything it gives is zero.
type reader struct {
	b   []byte
	off int
	err error
}

func (r *reader) fail(format string, args ...any) {
	if r.err == nil {
		r.err = &CorruptError{Byte: r.off, What: fmt.Sprintf(format, args...)}
	}
}

func (r *reader) byte() byte {
	if b := r.take(1); r.err == nil {
		return b[0]
	}
	return 0
}

func (r *reader) take(n int) []byte {
	if r.err == nil && (n < 0 || n > len(r.b)-r.off) {
		r.fail("%d bytes expected, %d are left", n, len(r.b)-r.off)
	}
	if r.err != nil {
		return nil
	}
	r.off += n
	return r.b[r.off-n : r.off]
}

func (r *reader) uvarint() uint64 {
	if r.err != nil {
		return 0
	}
	u, n := binary.Uvarint(r.b[r.off:])
	if n <= 0 {
		r.fail("no whole number")
		return 0
	}
	r.off += n
	return u
}

// count reads a number that may not exceed most.
func (r *reader) count(most int, what string) int {
	at := r.off
	u := r.uvarint()
	if r.err == nil && (most < 0 || u > uint64(min(most, math.MaxInt32))) {
		r.off = at
		r.fail("%s is %d, at most %d is possible", what, u, most)
		return 0
	}
	return int(u)
}
