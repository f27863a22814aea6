package chunk

import (
	"encoding/binary"
	"math"

	"letthrough/capture/trace"
)

// maxDigits is the most decimal places that are tried; beyond it any number looks like a decimal.
const maxDigits = 12

var pow10 = [maxDigits + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12}

// maxCode keeps codes where every whole number is a float64 and differences stay far from overflow.
const maxCode = 1 << 51

// code gives the whole number c with float64(c)/p equal to v in every bit, where there is one.
// The sum with 1.5 * 2^52 rounds to the nearest whole number without a branch.
func code(v, p float64) (c int64, ok bool) {
	const magic = 3 << 51
	x := v * p
	if !(x > -maxCode && x < maxCode) { // NaN fails too
		return 0, false
	}
	r := (x + magic) - magic
	return int64(r), math.Float64bits(r/p) == math.Float64bits(v)
}

// toCodes fills e.ints with the codes of the values and says with how many decimal places. A value
// that is no such decimal is an exception and repeats the code before it. decimal is false where
// the values as a whole are no decimals.
func (e *Encoder) toCodes(samples []trace.Sample) (digits, exceptions int, decimal bool) {
	allowed := len(samples)/16 + 2
	for d := likelyDigits(samples); d <= maxDigits; d++ {
		if n, runs := e.codesAt(samples, pow10[d], allowed); runs <= allowed {
			return d, n, true
		}
	}
	return 0, 0, false
}

// codesAt tries one number of decimal places; it gives up once more than allowed runs of equal
// exceptions are found.
func (e *Encoder) codesAt(samples []trace.Sample, p float64, allowed int) (exceptions, runs int) {
	codes := e.ints[:len(samples)]
	last := int64(0)
	lastBits, lastAt := uint64(0), -2
	for i := range samples {
		v := samples[i].Value
		c, ok := code(v, p)
		if !ok {
			exceptions++
			if b := math.Float64bits(v); lastAt != i-1 || b != lastBits {
				lastBits = b
				if runs++; runs > allowed {
					return exceptions, runs
				}
			}
			lastAt = i
			c = last
		}
		codes[i] = c
		last = c
	}
	return exceptions, runs
}

// likelyDigits looks at up to 64 values spread over the samples.
func likelyDigits(samples []trace.Sample) int {
	step := max(1, len(samples)/64)
	digits := 0
	for i := 0; i < len(samples); i += step {
		v := samples[i].Value
		if math.IsNaN(v) || math.IsInf(v, 0) || v == 0 {
			continue
		}
		for d := digits; d <= maxDigits; d++ {
			if _, ok := code(v, pow10[d]); ok {
				digits = d
				break
			}
		}
	}
	return digits
}

// appendExceptions writes runs of values that the codes do not give back.
func appendExceptions(dst []byte, samples []trace.Sample, codes []int64, digits int) []byte {
	p := pow10[digits]
	bits := func(i int) uint64 { return math.Float64bits(samples[i].Value) }
	exception := func(i int) bool { return math.Float64bits(float64(codes[i])/p) != bits(i) }
	return appendRuns(dst, len(samples),
		exception,
		func(i, j int) bool { return bits(i) == bits(j) },
		func(dst []byte, i int) []byte { return binary.LittleEndian.AppendUint64(dst, bits(i)) })
}
