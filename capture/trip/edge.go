package trip

import "math"

// edge is one transition between two levels of the current.
type edge struct {
	t      float64   // 50 % reference-level instant, s since the first sample
	u      float64   // standard uncertainty, s
	from   float64   // local state level before, A
	to     float64   // ... and after
	at     sums      // the sums at t
	inGap  bool      // the transition lies inside a gap: t is the first reading after it at the latest
	before float64   // last reading on the level before: the transition is not earlier
	after  float64   // first reading past it: the transition is not later
	hand   *handMark // a person put it there
}

// cross places the 50 % reference-level instant (IEEE Std 181, section 5: linear interpolation
// between the readings that straddle the mid level of the two local state levels) between readings
// k-1 and k, and its uncertainty. sigma is the noise of one reading.
func cross(r *ring, k int, from, to, sigma float64) edge {
	a, b := r.at(k-1), r.at(k)
	mid := (from + to) / 2
	e := edge{from: from, to: to, before: a.t, after: b.t, inGap: b.hole}
	dt, dx := b.t-a.t, b.x-a.x
	f := 0.5
	if dx != 0 {
		f = min(max((mid-a.x)/dx, 0), 1)
	}
	e.t = a.t + f*dt
	// How much of the step falls into this one interval says how far linear interpolation can be
	// off: a step within one interval may have happened anywhere in it (uniform), a transition that
	// many readings follow is placed by their values and their noise.
	share := 1.0
	if step := math.Abs(to - from); step > 0 {
		share = min(math.Abs(dx)/step, 1)
	}
	e.u = share * dt * (interpolationU + (1/math.Sqrt(12)-interpolationU)*share*share*share)
	if dx != 0 {
		e.u = math.Hypot(e.u, min(sigma*dt/math.Abs(dx), dt/2))
	}
	if e.inGap {
		e.u = dt / math.Sqrt(12)
	}
	e.at = r.between(k-1, e.t)
	return e
}

// interpolationU is the standard uncertainty of linear interpolation on a transition that several
// readings follow, as a share of the interval and of the step's share in it: an exponential is off by
// up to a quarter of it, in the middle between two readings.
const interpolationU = 0.18

// rise finds the upward crossing of the mid level at or after reading k: the first reading that
// reaches it, from readings on the level before.
func rise(r *ring, k int, from, to, sigma float64) edge {
	mid := (from + to) / 2
	k = max(k, r.first()+1)
	for k < r.end-1 && r.at(k).x < mid {
		k++
	}
	for k > r.first()+1 && r.at(k-1).x >= mid {
		k--
	}
	return cross(r, k, from, to, sigma)
}

// fall finds the downward crossing at or before reading k, the first one below the off level.
func fall(r *ring, k int, from, to, sigma float64) edge {
	mid := (from + to) / 2
	k = max(k, r.first()+1)
	for k < r.end-1 && r.at(k).x >= mid {
		k++
	}
	for k > r.first()+1 && r.at(k-1).x < mid {
		k--
	}
	return cross(r, k, from, to, sigma)
}

// levelOf gives the median of the readings k0..k1-1 that are at or above least; ok is false when
// there is none. Readings beyond maxLevel are thinned, which a median does not mind.
func levelOf(r *ring, k0, k1 int, least float64, scratch []float64) (level float64, ok bool) {
	k0, k1 = max(k0, r.first()), min(k1, r.end)
	step := max((k1-k0)/maxLevel, 1)
	s := scratch[:0]
	for k := k0; k < k1; k += step {
		if x := r.at(k).x; x >= least {
			s = append(s, x)
		}
	}
	if len(s) == 0 {
		return 0, false
	}
	return medianOf(s), true
}

const maxLevel = 400

// peakOf gives the largest reading among k0..k1-1.
func peakOf(r *ring, k0, k1 int) float64 {
	best := math.Inf(-1)
	for k := max(k0, r.first()); k < min(k1, r.end); k++ {
		best = max(best, r.at(k).x)
	}
	return best
}
