package trip

import (
	"math"
	"slices"
)

// baseline keeps up to two seconds of the readings before the onset, thinned to at most baselineN so
// that its cost does not depend on the sampling rate.
type baseline struct {
	t, x    [baselineN]float64
	n, next int     // filled, and where the next one goes
	rising  bool    // the load rises from nothing: there is no level, only noise
	span    float64 // s that count; more than the two seconds where they hold too few readings
	scratch [baselineN]float64

	// A cheap screen in front of the exact level, which costs a sort: the level worked out last.
	screenAt  int // readings kept when it was
	screenB   float64
	screenTop float64
	kept      int
	nextT     float64 // readings before this time are thinned out
	quantum   float64 // smallest step between neighbouring readings
	repeats   int     // how often it was made
}

const (
	baselineS = 2.0 // s
	baselineN = 512
	// thinning begins once this many readings are known
	baselineFree = 64
	baselineMin  = 5 // readings below which no onset is sought
)

// add takes one reading of the quiet trace.
func (b *baseline) add(t, x float64) {
	if t < b.nextT {
		return
	}
	b.kept++
	if b.n >= baselineFree {
		b.nextT = t + baselineS/baselineN
	}
	b.t[b.next], b.x[b.next] = t, x
	b.next = (b.next + 1) % baselineN
	b.n = min(b.n+1, baselineN)
}

// screened: the reading lies well within the onset level worked out a short while ago.
func (b *baseline) screened(x float64) bool {
	return b.fresh() && math.Abs(x-b.screenB) < screenShare*b.screenTop
}

// fresh: a good part of the readings that the screen rests on is still there.
func (b *baseline) fresh() bool { return b.screenTop > 0 && b.kept-b.screenAt < max(b.n/4, 16) }

func (b *baseline) screen(median, level float64) {
	b.screenAt, b.screenB, b.screenTop = b.kept, median, level
}

const screenShare = 0.8

// step takes the size of a step between neighbouring readings.
func (b *baseline) step(size float64) {
	switch {
	case size < 0.9*b.quantum:
		b.quantum, b.repeats = size, 1
	case size < 1.1*b.quantum:
		b.repeats++
	}
}

// level gives median, robust standard deviation (1.4826 times the median absolute deviation, for
// normal noise; Rousseeuw and Croux 1993, from memory) and number of the readings within two
// seconds before t, or within the longer span that a slow meter needs.
func (b *baseline) level(t float64) (median, sigma float64, n int) {
	s := b.scratch[:0]
	for i := range b.n {
		if b.t[i] < t && b.t[i] >= t-max(b.span, baselineS) {
			s = append(s, b.x[i])
		}
	}
	if len(s) == 0 {
		return 0, 0, 0
	}
	if b.rising {
		return b.slopeLevel(s)
	}
	median = medianOf(s)
	for i := range s {
		s[i] = math.Abs(s[i] - median)
	}
	return median, 1.4826 * medianOf(s), len(s)
}

// stands: nine of ten readings kept lie beyond half of the level b, as those of a standing load do and a few
// noisy ones do not.
func (b *baseline) stands(level float64) bool {
	far := 0
	for _, x := range b.x[:b.n] {
		if x/level > 0.5 {
			far++
		}
	}
	return 10*far >= 9*b.n
}

// slopeLevel does so where the load rises from nothing: what has risen already must not count as noise,
// so that comes from the second differences of neighbours, which a straight rise leaves at zero (their
// standard deviation is sqrt(6) sigma, their median absolute value 1.65 sigma for normal noise).
func (b *baseline) slopeLevel(s []float64) (median, sigma float64, n int) {
	n = len(s)
	d := s[:0]
	for i := range b.n - 2 {
		// Not across the seam of the ring.
		if b.n < baselineN || i+1 != b.next && i+2 != b.next {
			d = append(d, math.Abs(b.x[i+2]-2*b.x[i+1]+b.x[i]))
		}
	}
	return 0, medianOf(d) / 1.652, n
}

// flip turns the sign of everything kept.
func (b *baseline) flip() {
	for i := range b.x {
		b.x[i] = -b.x[i]
	}
	b.screenB = -b.screenB
}

// medianOf gives the median of s and reorders it; the mean of the middle two for an even number.
func medianOf(s []float64) float64 {
	if len(s) == 0 {
		return 0
	}
	slices.Sort(s)
	m := len(s) / 2
	if len(s)%2 == 1 {
		return s[m]
	}
	return (s[m-1] + s[m]) / 2
}
