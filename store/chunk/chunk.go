// Package chunk packs the samples of one channel into small blobs and the overview of many samples
// into smaller ones. What comes out is what went in, bit for bit: infinities, NaN, negative zero,
// flags and times included.
//
// A blob of samples is
//
//	codec byte, count
//	times    first, first step, then changes of the step (sparse, or bit-packed in blocks)
//	flags    runs of equal non-zero flags
//	values   decimal places, runs of exceptions, whole-number codes bit-packed in blocks
//	         or, where the values are no decimals, eight bytes each
//	sum      CRC-32C of all before it, see sum.go
//
// Most instruments send decimals, and a decimal is a whole number divided by a power of ten: the
// codes are that whole number, so that noise of three counts costs four to five bits a sample.
package chunk

import (
	"encoding/binary"
	"fmt"
	"math"

	"letthrough/capture/trace"
)

// Size is the number of samples of a full chunk. A blob of that size wastes least of SQLite's pages.
const Size = 16384

// MaxSamples is the most that one blob may claim to hold: what is read never asks for more memory
// than this many samples.
const MaxSamples = 1 << 16

// The codecs, the first byte of a blob of samples.
const (
	codecDecimal = 1 // values are whole numbers over a power of ten
	codecFloat   = 2 // values as they are
)

// CorruptError says that a blob is not what an Encoder wrote.
type CorruptError struct {
	Byte int    // where in the blob
	What string // what was expected there
}

func (e *CorruptError) Error() string {
	return fmt.Sprintf("chunk is damaged at byte %d: %s", e.Byte, e.What)
}

// Encoder packs samples. It keeps its working memory between calls; the zero value is ready. Not
// safe for concurrent use.
type Encoder struct {
	ints    []int64
	times   []int64
	changes []int32
}

// Append packs at most MaxSamples samples and appends the blob to dst.
func (e *Encoder) Append(dst []byte, samples []trace.Sample) []byte {
	start := len(dst)
	return seal(e.appendSamples(dst, samples), start)
}

func (e *Encoder) appendSamples(dst []byte, samples []trace.Sample) []byte {
	if len(samples) > MaxSamples {
		panic(fmt.Sprintf("chunk: %d samples are more than %d", len(samples), MaxSamples))
	}
	n := len(samples)
	e.times, e.ints = grow(e.times, n), grow(e.ints, n)
	flagged := trace.Flags(0)
	for i, times := 0, e.times; i < len(samples) && i < len(times); i++ {
		times[i] = samples[i].AtNS
		flagged |= samples[i].Flags
	}
	digits, exceptions, decimal := e.toCodes(samples)
	codec := byte(codecFloat)
	if decimal {
		codec = codecDecimal
	}
	dst = append(dst, codec)
	dst = binary.AppendUvarint(dst, uint64(n))
	dst, e.changes = appendTimes(dst, e.times, e.changes)
	if flagged == 0 {
		dst = append(dst, 0)
	} else {
		dst = appendFlags(dst, n, func(i int) trace.Flags { return samples[i].Flags })
	}
	if !decimal {
		for i := range samples {
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(samples[i].Value))
		}
		return dst
	}
	dst = append(dst, byte(digits))
	if exceptions == 0 {
		dst = append(dst, 0)
	} else {
		dst = appendExceptions(dst, samples, e.ints, digits)
	}
	return appendInts(dst, e.ints)
}

// Decode unpacks a blob and appends its samples to dst. The error is a *CorruptError.
func Decode(dst []trace.Sample, blob []byte) ([]trace.Sample, error) {
	r, codec := unseal(blob)
	n := r.count(MaxSamples, "the number of samples")
	if r.err == nil && codec != codecDecimal && codec != codecFloat {
		r.off = 0
		r.fail("unknown codec %d", codec)
	}
	if r.err != nil {
		return dst, r.err
	}
	start := len(dst)
	dst = growSamples(dst, n)
	out := dst[start:]
	r.times(n, func(at int, times []int64) {
		for i, t := range times {
			out[at+i].AtNS = t
		}
	})
	r.runs(n, func(from, to int) {
		f := trace.Flags(r.byte())
		for i := from; i < to; i++ {
			out[i].Flags = f
		}
	})
	if codec == codecFloat {
		r.floats(out)
	} else {
		r.decimals(out)
	}
	if r.err == nil && r.off != len(r.b) {
		r.fail("%d bytes too many", len(r.b)-r.off)
	}
	if r.err != nil {
		return dst[:start], r.err
	}
	return dst, nil
}

func (r *reader) floats(out []trace.Sample) {
	raw := r.take(8 * len(out))
	if r.err != nil {
		return
	}
	for i := range out {
		out[i].Value = math.Float64frombits(binary.LittleEndian.Uint64(raw[8*i:]))
	}
}

// decimals reads codes and then puts the exceptions, which stand before them, in their places.
func (r *reader) decimals(out []trace.Sample) {
	digits := int(r.byte())
	if r.err == nil && digits > maxDigits {
		r.fail("%d decimal places, at most %d are possible", digits, maxDigits)
	}
	if r.err != nil {
		return
	}
	mark := r.off
	r.runs(len(out), func(_, _ int) { r.take(8) })
	p := pow10[digits]
	r.ints(len(out), func(i int, codes []int64) {
		for j, c := range codes {
			out[i+j].Value = float64(c) / p
		}
	})
	again := reader{b: r.b, off: mark, err: r.err}
	again.runs(len(out), func(from, to int) {
		raw := again.take(8)
		if again.err != nil {
			return
		}
		v := math.Float64frombits(binary.LittleEndian.Uint64(raw))
		for i := from; i < to; i++ {
			out[i].Value = v
		}
	})
}

func grow[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, max(n, min(2*cap(s), MaxSamples)))
	}
	return s[:n]
}

func growSamples(dst []trace.Sample, n int) []trace.Sample {
	total := len(dst) + n
	if cap(dst) < total {
		dst = append(make([]trace.Sample, 0, total), dst...)
	}
	fresh := dst[len(dst):total]
	clear(fresh)
	return dst[:total]
}
