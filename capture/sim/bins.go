package sim

import "slices"

// mostBins bounds the memory of a test that somebody forgot; the bins get wider instead.
const mostBins = 1 << 16

// bins are the means of a current over consecutive short stretches: a millisecond on smooth DC, a
// whole period of the ripple otherwise. Their median is the level. The zero value takes nothing.
type bins struct {
	widthNS float64
	startNS float64 // of the first bin since the last resume
	fromNS  float64 // of the bin being filled
	paused  bool
	coulomb float64 // ampere-nanoseconds in it
	mean    []float64
}

// resume begins filling at an instant; what an unfinished bin held is dropped.
func (b *bins) resume(ns, widthNS float64) {
	if b.widthNS == 0 {
		b.widthNS, b.startNS = widthNS, ns
	}
	b.fromNS, b.coulomb, b.paused = ns, 0, false
}

func (b *bins) pause() { b.paused = true }

// add takes the straight line from i0 to i1 (amperes) between two instants.
func (b *bins) add(t0, t1 int64, i0, i1 float64) {
	if b.widthNS == 0 || b.paused {
		return
	}
	from, to := float64(t0), float64(t1)
	if to <= b.fromNS {
		return
	}
	slope := (i1 - i0) / (to - from)
	if from < b.fromNS {
		i0 += slope * (b.fromNS - from)
		from = b.fromNS
	}
	for end := b.fromNS + b.widthNS; to >= end; end = b.fromNS + b.widthNS {
		mid := i0 + slope*(end-from)
		b.coulomb += (i0 + mid) / 2 * (end - from)
		b.push(b.coulomb / b.widthNS)
		b.fromNS, b.coulomb = end, 0
		from, i0 = end, mid
	}
	b.coulomb += (i0 + i1) / 2 * (to - from)
}

func (b *bins) push(mean float64) {
	if len(b.mean) == mostBins {
		for n := range mostBins / 2 {
			b.mean[n] = (b.mean[2*n] + b.mean[2*n+1]) / 2
		}
		b.mean = b.mean[:mostBins/2]
		b.widthNS *= 2
	}
	b.mean = append(b.mean, mean)
}

// between gives the means of the bins that lie wholly inside two instants; only for bins that were
// never resumed a second time.
func (b *bins) between(fromNS, toNS float64) []float64 {
	lo, hi := len(b.mean), 0
	for n := range b.mean {
		at := b.startNS + float64(n)*b.widthNS
		if at >= fromNS && at+b.widthNS <= toNS {
			lo, hi = min(lo, n), n+1
		}
	}
	if hi <= lo {
		return nil
	}
	return b.mean[lo:hi]
}

// median of a slice that stays as it is; ok is false for none.
func median(v []float64) (m float64, ok bool) {
	if len(v) == 0 {
		return 0, false
	}
	s := slices.Clone(v)
	slices.Sort(s)
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2, true
}
