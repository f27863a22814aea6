package chunk

import (
	"encoding/binary"
	"math"

	"letthrough/capture/trace"
)

// Fan is how many buckets of one level make one of the next; a bucket of level 1 stands for Fan
// samples, one of level 2 for Fan*Fan.
const Fan = 64

// MaxBuckets is the most buckets that one blob may claim to hold.
const MaxBuckets = 1 << 12

// Bucket sums up consecutive samples. Min and Max are exact, so that no extreme is lost however
// many samples one column of a picture stands for.
type Bucket struct {
	T0       int64   // time of the first sample
	Min, Max float64 // NaN where no sample has a number
	Sum      float64 // of the finite samples
	N        int64   // samples
	Finite   int64   // those with a finite number
	Flags    trace.Flags
}

// Mean is the mean of the finite samples; NaN where there are none.
func (b Bucket) Mean() float64 {
	if b.Finite == 0 {
		return math.NaN()
	}
	return b.Sum / float64(b.Finite)
}

// Sum sums up samples, of which there is at least one.
func Sum(samples []trace.Sample) Bucket {
	b := Bucket{T0: samples[0].AtNS, N: int64(len(samples)), Min: math.Inf(1), Max: math.Inf(-1)}
	lo, hi, sum := b.Min, b.Max, 0.0
	for i := range samples {
		v := samples[i].Value
		if v < lo {
			lo = v
		}
		if v > hi {
			hi = v
		}
		sum += v
		b.Flags |= samples[i].Flags
	}
	if !math.IsNaN(sum) && !math.IsInf(sum, 0) {
		b.Min, b.Max, b.Sum, b.Finite = lo, hi, sum, b.N
		return b
	}
	return sumApart(samples, b)
}

// sumApart is the slow way, for samples of which some have no finite number.
func sumApart(samples []trace.Sample, b Bucket) Bucket {
	numbers := false
	for i := range samples {
		v := samples[i].Value
		if math.IsNaN(v) {
			continue
		}
		numbers = true
		b.Min, b.Max = math.Min(b.Min, v), math.Max(b.Max, v)
		if !math.IsInf(v, 0) {
			b.Sum += v
			b.Finite++
		}
	}
	if !numbers {
		b.Min, b.Max = math.NaN(), math.NaN()
	}
	return b
}

// Join sums up two neighbours, b the earlier one.
func (b Bucket) Join(next Bucket) Bucket {
	if b.N == 0 {
		return next
	}
	if !(next.Min >= b.Min) && !math.IsNaN(next.Min) {
		b.Min = next.Min
	}
	if !(next.Max <= b.Max) && !math.IsNaN(next.Max) {
		b.Max = next.Max
	}
	b.Sum += next.Sum
	b.N += next.N
	b.Finite += next.Finite
	b.Flags |= next.Flags
	return b
}

// SumAll appends one bucket for every Fan samples to dst; the last may stand for fewer.
func SumAll(dst []Bucket, samples []trace.Sample) []Bucket {
	for len(samples) > 0 {
		n := min(Fan, len(samples))
		dst = append(dst, Sum(samples[:n]))
		samples = samples[n:]
	}
	return dst
}

// The forms of a blob of buckets.
const (
	bucketsDecimal = 1
	bucketsFloat   = 2
)

// AppendBuckets packs neighbouring buckets and appends the blob to dst. Each stands for perBucket
// samples but the last, which may stand for fewer.
func (e *Encoder) AppendBuckets(dst []byte, buckets []Bucket, perBucket int64) []byte {
	start := len(dst)
	return seal(e.appendBuckets(dst, buckets, perBucket), start)
}

func (e *Encoder) appendBuckets(dst []byte, buckets []Bucket, perBucket int64) []byte {
	n := len(buckets)
	if n > MaxBuckets {
		panic("chunk: too many buckets")
	}
	digits, decimal := bucketDigits(buckets)
	form := byte(bucketsFloat)
	if decimal {
		form = bucketsDecimal
	}
	dst = append(dst, form)
	dst = binary.AppendUvarint(dst, uint64(n))
	if n == 0 {
		return dst
	}
	dst = binary.AppendUvarint(dst, uint64(perBucket))
	dst = binary.AppendUvarint(dst, uint64(buckets[n-1].N))
	e.times, e.ints = grow(e.times, n), grow(e.ints, n)
	for i, b := range buckets {
		e.times[i] = b.T0
	}
	dst, e.changes = appendTimes(dst, e.times, e.changes)
	dst = appendFlags(dst, n, func(i int) trace.Flags { return buckets[i].Flags })
	if !decimal {
		for _, b := range buckets {
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(b.Min))
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(b.Max))
			dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(b.Sum))
			dst = binary.AppendUvarint(dst, uint64(b.Finite))
		}
		return dst
	}
	dst = append(dst, byte(digits))
	p := pow10[digits]
	column := func(get func(b Bucket, lo, hi int64) int64) {
		for i, b := range buckets {
			lo, _ := code(b.Min, p)
			hi, _ := code(b.Max, p)
			e.ints[i] = get(b, lo, hi)
		}
		dst = appendInts(dst, e.ints[:n])
	}
	column(func(_ Bucket, lo, _ int64) int64 { return lo })
	column(func(_ Bucket, lo, hi int64) int64 { return hi - lo })
	column(func(b Bucket, lo, _ int64) int64 { return int64(math.Round(b.Sum*p)) - b.N*lo })
	return dst
}

// bucketDigits finds the decimal places in which every extreme is a whole number. The sums then are
// whole numbers too, but for the rounding of adding them up, and small enough to stay exact.
func bucketDigits(buckets []Bucket) (digits int, ok bool) {
	for _, b := range buckets {
		if b.Finite != b.N {
			return 0, false
		}
		for _, v := range [2]float64{b.Min, b.Max} {
			for {
				c, ok := code(v, pow10[digits])
				if ok && float64(b.N)*math.Abs(float64(c)) < maxCode {
					break
				}
				if digits++; digits > maxDigits {
					return 0, false
				}
			}
		}
	}
	// More places may have been needed by a later bucket: the sums must still fit.
	for _, b := range buckets {
		if float64(b.N)*pow10[digits]*max(math.Abs(b.Min), math.Abs(b.Max)) >= maxCode {
			return 0, false
		}
		for _, v := range [2]float64{b.Min, b.Max} {
			if _, ok := code(v, pow10[digits]); !ok {
				return 0, false
			}
		}
	}
	return digits, true
}

// DecodeBuckets unpacks a blob and appends its buckets to dst. The error is a *CorruptError.
func DecodeBuckets(dst []Bucket, blob []byte) ([]Bucket, error) {
	r, form := unseal(blob)
	n := r.count(MaxBuckets, "the number of buckets")
	if r.err == nil && form != bucketsDecimal && form != bucketsFloat {
		r.off = 0
		r.fail("unknown form %d of an overview", form)
	}
	start := len(dst)
	if r.err == nil && n > 0 {
		per := int64(r.count(math.MaxInt32, "the samples of a bucket"))
		last := int64(r.count(math.MaxInt32, "the samples of the last bucket"))
		for range n {
			dst = append(dst, Bucket{N: per, Finite: per})
		}
		out := dst[start:]
		out[n-1].N, out[n-1].Finite = last, last
		r.times(n, func(at int, times []int64) {
			for i, t := range times {
				out[at+i].T0 = t
			}
		})
		r.runs(n, func(from, to int) {
			f := trace.Flags(r.byte())
			for i := from; i < to; i++ {
				out[i].Flags = f
			}
		})
		if form == bucketsFloat {
			r.floatBuckets(out)
		} else {
			r.decimalBuckets(out)
		}
	}
	if r.err == nil && r.off != len(r.b) {
		r.fail("%d bytes too many", len(r.b)-r.off)
	}
	if r.err != nil {
		return dst[:start], r.err
	}
	return dst, nil
}

func (r *reader) floatBuckets(out []Bucket) {
	for i := range out {
		raw := r.take(24)
		finite := r.uvarint()
		if r.err != nil {
			return
		}
		if finite > uint64(out[i].N) {
			r.fail("%d finite samples of %d", finite, out[i].N)
			return
		}
		out[i].Min = math.Float64frombits(binary.LittleEndian.Uint64(raw))
		out[i].Max = math.Float64frombits(binary.LittleEndian.Uint64(raw[8:]))
		out[i].Sum = math.Float64frombits(binary.LittleEndian.Uint64(raw[16:]))
		out[i].Finite = int64(finite)
	}
}

func (r *reader) decimalBuckets(out []Bucket) {
	digits := int(r.byte())
	if r.err == nil && digits > maxDigits {
		r.fail("%d decimal places, at most %d are possible", digits, maxDigits)
	}
	if r.err != nil {
		return
	}
	p := pow10[digits]
	// Codes below 2^51 and sums of them stay whole in a float64 until the division.
	r.ints(len(out), func(at int, v []int64) {
		for i, c := range v {
			out[at+i].Min = float64(c)
		}
	})
	r.ints(len(out), func(at int, v []int64) {
		for i, c := range v {
			b := &out[at+i]
			b.Max = (b.Min + float64(c)) / p
		}
	})
	r.ints(len(out), func(at int, v []int64) {
		for i, c := range v {
			b := &out[at+i]
			b.Sum = (b.Min*float64(b.N) + float64(c)) / p
			b.Min /= p
		}
	})
}
