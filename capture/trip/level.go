package trip

import (
	"math"
	"slices"
)

// level is the level of a plateau with the contributions to its uncertainty.
type level struct {
	v     float64
	parts []part
	flat  bool    // nothing of it lies above the noise
	noise float64 // A, standard deviation of one group
}

// levelGroups is into how many groups of readings a plateau is split: its level is the median of their
// means. A median of single readings would not do where the plateau sags: noise rounds off the lopsided
// distribution of a sag and draws its median towards the mean. Fifteen groups still pass over a spike, and
// being odd in number they leave the middle of a sag in the middle.
const levelGroups = 15

// sustained is the level of the fault up to cut-off or limit.
func (d *Detector) sustained(s *story) (float64, bool) {
	l, ok := d.plateauLevel(s)
	return l.v, ok
}

// plateauLevel is the time-weighted median from the settling of the fault to its end; rippled, of the means
// over whole periods.
func (d *Detector) plateauLevel(s *story) (level, bool) {
	p := s.p0
	end, _ := s.faultEnd()
	switch {
	case d.rippled(p):
		return d.rippledLevel(s, end)
	case d.boxed():
		from, to := d.plateauSpan(s)
		if l, ok := d.levelWithin(from, to, 1, usualBounceS); ok {
			return l, true
		}
		return d.histogramLevel(end - p.on.t)
	}
	from, end := d.plateauSpan(s)
	few := 1
	if d.dec.every > 1 {
		few = levelGroups
	}
	if l, ok := d.levelWithin(from, end, few, usualBounceS); ok {
		return l, true
	}
	return d.histogramLevel(end - from)
}

// plateauSpan is the stretch of the fault whose level is its plateau.
func (d *Detector) plateauSpan(s *story) (from, to float64) {
	p := s.p0
	end, _ := s.faultEnd()
	switch {
	case d.rippled(p):
		return p.settledAt, end
	case d.boxed():
		return p.on.after - d.interval()/4, end - d.interval()/2
	}
	if c := s.cut; c != nil && (s.limit == nil || s.limit.t > s.end) {
		end = c.before
	}
	return max(p.settledAt, p.on.t), end
}

// levelWithin is the level of the fault's readings between two instants, each known to slack seconds; ok is
// false where fewer than few blocks of them are kept.
func (d *Detector) levelWithin(from, to float64, few int, slack float64) (level, bool) {
	blocks := d.dec.within(from, to)
	if len(blocks) < few {
		return level{}, false
	}
	m := groupMeans(blocks, levelGroups)
	slices.Sort(m)
	n, groups := len(blocks)*d.dec.every, len(m)
	v, spread := medianOf(m), m[3*groups/4]-m[groups/4]
	sigma := d.sigma / math.Sqrt(float64(n)/float64(groups))
	// Where the groups differ by more than noise, only the two in the middle count.
	noise := min(spreadNoise(sigma, spread, groups), 0.8*sigma)
	if groups < fewReadings {
		noise = sigma
	}
	parts := append(d.scaleParts(v, n), part{noise, false},
		part{spread / float64(len(blocks)) / math.Sqrt(3), true}, // the ends are known to a block
		part{spread / max(to-from, d.interval()) * slack, true},  // ... and as the contact settles, or a window
		part{2e-5 * v, true}) // rounding
	if d.boxed() && d.hidesRipple() {
		parts = append(parts, part{v * d.meanRipple((to-from)/float64(groups)) / 2, true}) // a median of beats
	}
	return level{v, parts, groups == levelGroups && m[groups-1]-v < 3*sigma, sigma}, true
}

// histogramLevel is the median of single readings, for a fault of which too few blocks are kept.
func (d *Detector) histogramLevel(span float64) (level, bool) {
	v, ok := d.hist.quantile(0.5)
	q1, _ := d.hist.quantile(0.25)
	q3, _ := d.hist.quantile(0.75)
	edges := math.Hypot(d.pulses[0].on.u, d.interval()/math.Sqrt(12))
	return level{v: v, parts: append(d.scaleParts(v, d.hist.n),
		part{spreadNoise(d.sigma, q3-q1, d.hist.n), false},
		part{(q3 - q1) / max(span, d.interval()) * edges, true},
		part{1e-4 * v, true})}, ok
}

// rippledLevel is the median of the means over whole periods, or where they are few one mean over all of
// them.
func (d *Detector) rippledLevel(s *story, end float64) (level, bool) {
	span := max(end-s.p0.on.t, d.interval())
	edges := math.Hypot(s.p0.on.u, d.interval()/math.Sqrt(12))
	n := d.hist.n
	of := func(v float64) []part {
		// The mean over whole periods is as good as the periods are known at both ends.
		return append(d.levelParts(v, n), part{v * d.shareOver(d.periods.span), true}, part{v * edges / span / 4, true},
			part{0.01 * v * d.ripple.period / span, true}, part{2e-4 * v, true})
	}
	if m := d.periods.within(s.p0.settledAt, end); len(m) >= 3 {
		slices.Sort(m)
		n := len(m)
		spread := m[3*n/4] - m[n/4]
		noise := d.sigma / math.Sqrt(max(d.periods.span/d.interval(), 1))
		v := medianOf(m)
		return level{v: v, parts: append(of(v), part{spread / float64(n), true}, part{spreadNoise(noise, spread, n), false})}, true
	}
	v, ok := d.wholeMean(s)
	return level{v: v, parts: of(v)}, ok
}

// groupMeans splits values into so many groups, each of its neighbours, and gives their means; fewer values
// stand for themselves. Their sizes are the same from both ends.
func groupMeans(values []float64, groups int) []float64 {
	n := len(values)
	groups = min(groups, n)
	edge := func(i int) int {
		if 2*i > groups {
			return n - (groups-i)*n/groups
		}
		return i * n / groups
	}
	out := make([]float64, groups)
	for i := range out {
		out[i] = meanOf(values[edge(i):edge(i+1)])
	}
	return out
}

// wholeMean is the mean current over whole ripple periods from the settling of the fault to its end.
func (d *Detector) wholeMean(s *story) (float64, bool) {
	p := s.p0
	if p.meanOK && (s.cut != nil || s.limit != nil) {
		return p.mean, true
	}
	end, endAt := s.faultEnd()
	return d.meanUpTo(p, end, endAt)
}

// meanUpTo is the mean from the settling of p over whole periods up to end. It is worked out when
// the fault ends, while the readings around the end are still kept.
func (d *Detector) meanUpTo(p *pulse, end float64, endAt sums) (float64, bool) {
	from, fromAt := p.settledAt, p.settledSums
	if from < p.on.t || p.inside {
		from, fromAt = p.on.t, p.on.at
	}
	if t := d.ripple.period; t > 0 && end-from > 2*t {
		whole := from + math.Floor((end-from)/t)*t
		if at, ok := d.ring.sumsAt(whole); ok && whole > d.ring.at(d.ring.first()).t {
			end, endAt = whole, at
		}
	}
	span := end - from - (endAt.gap - fromAt.gap)
	if span <= 0 {
		return 0, false
	}
	return (endAt.q - fromAt.q) / span, true
}
