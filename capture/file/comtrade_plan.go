package file

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"letthrough/capture/trace"
)

// record is one row of a COMTRADE record: what was read at one instant.
type record struct {
	atNS    int64
	present [2]bool // by quantity
	samples [2]trace.Sample
}

// recordsOf walks over the instants of a trace. Readings of current and voltage at one instant share
// a record; a reading that is no number is left out, and what follows it comes after a gap.
func recordsOf(channels []trace.Channel, batches iter.Seq2[trace.Batch, error]) iter.Seq2[record, error] {
	first := firstOfEach(channels)
	return func(yield func(record, error) bool) {
		var r record
		var gap [2]bool
		for b, err := range batches {
			if err != nil {
				yield(record{}, err)
				return
			}
			q := b.Channel.Quantity
			if c, ok := first[q]; !ok || c != b.Channel {
				continue
			}
			for _, s := range b.Samples {
				if math.IsNaN(s.Value) {
					gap[q] = true
					continue
				}
				if gap[q] {
					s.Flags, gap[q] = s.Flags|trace.Gap, false
				}
				waits := r.present[0] || r.present[1]
				if waits && (r.atNS != s.AtNS || r.present[q]) {
					if !yield(r, nil) {
						return
					}
					r = record{}
				}
				r.atNS, r.present[q], r.samples[q] = s.AtNS, true, s
			}
		}
		if r.present[0] || r.present[1] {
			yield(r, nil)
		}
	}
}

// firstOfEach gives the first channel of each quantity: a trace file holds one of each.
func firstOfEach(channels []trace.Channel) map[trace.Quantity]trace.Channel {
	first := map[trace.Quantity]trace.Channel{}
	for _, c := range channels {
		if _, ok := first[c.Quantity]; !ok {
			first[c.Quantity] = c
		}
	}
	return first
}

// comtradePlan is what must be known of all samples before the first of them can be written.
type comtradePlan struct {
	n                int64
	baseNS, lastNS   int64 // time of the first record, and of the latest
	firstNS, prevNS  int64
	minDt, maxDt     int64
	stepNS           int64 // the largest time that all times are multiples of
	scale            [2]scale
	has              [2]bool // quantities
	missing          [2]bool // some record has none of it
	gap, over, below [2]bool // some reading has this flag; below: beyond the range, no number, negative
	hz               float64 // 0: uneven
}

// scale finds how readings become whole numbers.
type scale struct {
	digits       int     // decimal places that all readings are written with exactly; -1: too many
	common       int64   // what all readings are multiples of, in units of the last such place
	lo, hi       float64 // of the readings that are numbers
	any          bool
	exact        bool    // chosen: raw are the readings' own decimal digits
	a, b, rawMax float64 // chosen: value = a*raw + b, raw within ±rawMax
}

// maxDigits is the most decimal places that are tried; what needs more was never a decimal.
const maxDigits = 12

func (s *scale) take(v float64) {
	if !s.any {
		s.any, s.lo, s.hi = true, v, v
	}
	s.lo, s.hi = min(s.lo, v), max(s.hi, v)
	for s.digits >= 0 {
		p := pow10[s.digits]
		if r := math.Round(v * p); math.Abs(r) < 1<<53 && math.Abs(r/p-v) <= nearDecimal*math.Abs(v) {
			s.common = gcd(s.common, int64(r))
			return
		}
		s.common *= 10
		if s.digits++; s.digits > maxDigits || s.common > 1<<53 {
			s.digits = -1
		}
	}
}

// nearDecimal is how far, relative to itself, a reading may be from the decimal that it is taken for:
// codes times a step of 0.0005 A are decimals but for what binary numbers cannot hold.
const nearDecimal = 4e-16

// choose fits the readings into whole numbers up to most. Decimals are kept exactly where they fit;
// else the range is divided evenly, and the rounding is half a part. Where real numbers can be
// written, they are.
func (s *scale) choose(most float64, real bool) {
	s.a, s.b = 1, 0
	largest := max(math.Abs(s.lo), math.Abs(s.hi))
	if s.digits >= 0 {
		for _, step := range []int64{1, max(s.common, 1)} { // as many places as are written, else as few as will do
			if raw := math.Round(largest*pow10[s.digits]) / float64(step); raw <= most {
				s.exact, s.a, s.rawMax, s.common = true, float64(step)/pow10[s.digits], max(1, raw), step
				return
			}
		}
	}
	if real {
		s.rawMax = max(1, float64(float32(largest)))
		if s.rawMax < largest {
			s.rawMax = largest
		}
		return
	}
	s.b = s.lo/2 + s.hi/2
	s.a = (s.hi/2 - s.lo/2) / most * (1 + 1e-15)
	s.rawMax = most
	if s.a == 0 { // a constant
		s.a, s.rawMax = 1, 1
	}
}

// raw gives the number that stands for a reading.
func (s *scale) raw(v float64, real bool) float64 {
	switch {
	case s.exact:
		return math.Round(v*pow10[s.digits]) / float64(s.common)
	case real:
		return v
	}
	return math.Round(max(-s.rawMax, min(s.rawMax, (v-s.b)/s.a)))
}

// planComtrade walks over the samples once, and once more where only that tells whether they are even.
func planComtrade(channels []trace.Channel, batches iter.Seq2[trace.Batch, error]) (comtradePlan, error) {
	p := comtradePlan{minDt: math.MaxInt64}
	for q := range firstOfEach(channels) {
		p.has[q] = true
	}
	for r, err := range recordsOf(channels, batches) {
		if err != nil {
			return p, err
		}
		if err := p.take(r); err != nil {
			return p, err
		}
	}
	if p.n == 0 || !p.scale[trace.Current].any && !p.over[trace.Current] {
		return p, &Error{File: "COMTRADE record", Want: "want samples of the current", Got: "none"}
	}
	return p, p.findRate(channels, batches)
}

func (p *comtradePlan) take(r record) error {
	if p.n == 0 {
		p.baseNS, p.lastNS, p.firstNS = r.atNS, r.atNS, r.atNS
	} else {
		dt := r.atNS - p.prevNS
		p.minDt, p.maxDt = min(p.minDt, dt), max(p.maxDt, dt)
	}
	p.prevNS = r.atNS
	p.baseNS, p.lastNS = min(p.baseNS, r.atNS), max(p.lastNS, r.atNS)
	if p.lastNS-p.baseNS < 0 {
		return &Error{File: "COMTRADE record", Want: "want samples within a century", Got: "times further apart"}
	}
	p.stepNS = gcd(p.stepNS, r.atNS-p.firstNS)
	p.n++
	for q := range p.has {
		if !p.has[q] {
			continue
		}
		s := r.samples[q]
		switch {
		case !r.present[q]:
			p.missing[q] = true
			continue
		case math.IsInf(s.Value, 0):
			p.missing[q], p.over[q] = true, true
			p.below[q] = p.below[q] || s.Value < 0
		default:
			p.scale[q].take(s.Value)
		}
		p.over[q] = p.over[q] || s.Flags&trace.Over != 0
		p.gap[q] = p.gap[q] || s.Flags&trace.Gap != 0
	}
	return nil
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return max(a, -a)
}

// findRate finds the sampling rate that gives every sample's time back to the nanosecond, if any.
func (p *comtradePlan) findRate(channels []trace.Channel, batches iter.Seq2[trace.Batch, error]) error {
	if p.n < 2 || p.minDt <= 0 || p.maxDt-p.minDt > 1 {
		return nil
	}
	mean := float64(p.n-1) * 1e9 / float64(p.lastNS-p.baseNS)
	var candidates []float64
	for _, digits := range []int{6, 9, 12} {
		candidates = append(candidates, significant(mean, digits))
	}
	candidates = append(candidates, mean)
	n := int64(0)
	for r, err := range recordsOf(channels, batches) {
		if err != nil {
			return err
		}
		candidates = slices.DeleteFunc(candidates, func(hz float64) bool { return trace.NS(float64(n)/hz) != r.atNS-p.baseNS })
		if n++; len(candidates) == 0 || n == p.n {
			break
		}
	}
	if len(candidates) > 0 {
		p.hz = candidates[0]
	}
	return nil
}

// significant rounds to so many digits.
func significant(v float64, digits int) float64 {
	var out float64
	if _, err := fmt.Sscanf(fmt.Sprintf("%.*e", digits-1, v), "%g", &out); err != nil {
		return v
	}
	return out
}
