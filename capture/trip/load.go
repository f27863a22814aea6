package trip

import (
	"math"

	"letthrough/capture/trace"
)

// tripPoint is what a ramp looked like just before it tripped.
type tripPoint struct {
	found   bool
	level   float64 // median of the last 0.2 s, carried on by the slope to the trip
	slope   float64 // A/s over the last second
	span    float64 // s over which the slope was taken
	carry   float64 // s over which the slope carried the level on
	bent    bool    // ... by the slope of the end, as the readings tell how it bends
	n       int     // readings behind the level
	carried float64 // where a step over 5 % came last: the level carried before it
	jumped  bool
	steady  bool // ... and at least three readings after it agree
}

const (
	tripLevelS = 0.2
	tripSlopeS = 1.0
	jumpShare  = 0.05
)

// tripPoint looks at the second before the trip at e while its readings are kept.
func (d *Detector) tripPoint(p *pulse, e *edge) tripPoint {
	before := d.tripBefore(p, e)
	end := d.ring.index(math.Nextafter(before, math.Inf(1))) // readings up to the last one before the fall
	k0 := max(p.k, d.ring.first())
	from := max(d.ring.index(before-tripLevelS), k0)
	from = min(from, max(end-3, k0))
	tp := tripPoint{found: end > from, n: end - from}
	if !tp.found {
		return tp
	}
	k1 := max(d.ring.index(before-tripSlopeS), k0)
	if d.rippled(p) {
		tp.slope, tp.span = d.rippledSlope(p, before)
		w := tripLevelS
		if t := d.truePeriod(); t > 0 {
			w = math.Floor(w/t) * t
		}
		if m, ok := d.meanBetween(before-w, before); ok {
			tp.level = m + tp.slope*(e.t-before+w/2)
		}
	} else {
		end = d.beforeFall(from, end)
		tp.slope, tp.span = d.slope(k1, end)
		for k := from; k < end; k++ {
			tp.carry += (e.t - d.ring.at(k).t) / float64(end-from)
		}
		var late float64
		late, tp.bent = d.lateSlope(k1, end, tp.slope, tp.carry)
		tp.level, tp.n = d.carriedOn(from, end, late, e.t)
	}
	if d.rippled(p) {
		d.rippledJump(p, &tp, d.ring.at(max(end-1, k0)).t)
	} else if j := d.lastJump(p, k1, end); j > 0 {
		tp.jumped = true
		tp.level, tp.steady = d.afterJump(p, j, end)
		before := max(d.ring.index(d.ring.at(j).t-tripSlopeS), k0)
		tp.carried = d.levelBetween(p, before, j)
	}
	return tp
}

// tripBefore is the last instant before the trip at e at which the load still rose.
func (d *Detector) tripBefore(p *pulse, e *edge) float64 {
	if d.rippled(p) {
		return e.before - 1.5*d.ripple.period // an output folds back over a few periods
	}
	return e.before
}

// lateSlope is the slope half-way through the last carry seconds, from the slopes of the two halves of
// readings k0..k1-1: a source's resistance bends a ramp. With too few readings it is the mean slope.
func (d *Detector) lateSlope(k0, k1 int, mean, carry float64) (slope float64, bent bool) {
	if k1-k0 < 16 {
		return mean, false
	}
	mid := k0 + (k1-k0)/2
	first, span := d.slope(k0, mid)
	second, _ := d.slope(mid, k1)
	return mean + (second-first)/span*(span-carry/2), true
}

// afterJump is the level of readings j..end-1, which a jump began: of their later half, as an inductance
// lets the first ones climb. It is steady where the two halves agree.
func (d *Detector) afterJump(p *pulse, j, end int) (level float64, steady bool) {
	mid := j + (end-j)/2
	level = d.levelBetween(p, mid, end)
	if end-j < fewReadings+1 {
		return level, false
	}
	first := d.levelBetween(p, j, mid)
	return level, math.Abs(level-first) < max(stairShare/3*level, 3*d.sigma)
}

// beforeFall takes the readings off the end of k0..k1-1 that belong to the fall itself.
func (d *Detector) beforeFall(k0, k1 int) int {
	rough, ok := levelOf(d.ring, k0, k1, math.Inf(-1), d.scratch[:])
	band := max(4*d.sigma, 0.02*rough)
	for ok && k1 > k0+fewReadings && d.ring.at(k1-1).x < rough-band {
		k1--
	}
	return k1
}

// carriedOn is the median of readings k0..k1-1, each carried on by the slope to the instant t, and how
// many it rests on.
func (d *Detector) carriedOn(k0, k1 int, slope, t float64) (level float64, n int) {
	s := d.scratch[:0]
	for k, step := k0, max((k1-k0)/maxLevel, 1); k < k1 && len(s) < maxLevel; k += step {
		o := d.ring.at(k)
		s = append(s, o.x+slope*(t-o.t))
	}
	return medianOf(s), len(s)
}

// rippledSlope is the slope over the last second before end from means over whole periods at its two
// ends.
func (d *Detector) rippledSlope(p *pulse, end float64) (slope, span float64) {
	t := d.truePeriod()
	if t == 0 {
		t = 0.02
	}
	w := math.Ceil(0.1/t) * t
	begin := max(end-tripSlopeS, p.on.t, d.ring.at(d.ring.first()).t)
	late, ok1 := d.meanBetween(end-w, end)
	early, ok2 := d.meanBetween(begin, begin+w)
	if span = end - begin; !ok1 || !ok2 || span < 2*w {
		return d.slope(d.ring.index(begin), d.ring.index(end)+1)
	}
	return (late - early) / (span - w), span - w
}

// levelBetween is the level of readings k0..k1-1: their median, rippled their mean.
func (d *Detector) levelBetween(p *pulse, k0, k1 int) float64 {
	if d.rippled(p) && k1-k0 > 2 {
		span := d.ring.at(k1-1).t - d.ring.at(k0).t
		if t := d.ripple.period; t > 0 && span > t {
			span = math.Floor(span/t) * t
		}
		if m, ok := d.meanBetween(d.ring.at(k1-1).t-span, d.ring.at(k1-1).t); ok {
			return m
		}
	}
	if v, ok := levelOf(d.ring, k0, k1, math.Inf(-1), d.scratch[:]); ok {
		return v
	}
	return 0
}

// slope is the least-squares slope of readings k0..k1-1 in A/s and the time they span.
func (d *Detector) slope(k0, k1 int) (slope, span float64) {
	n := float64(k1 - k0)
	if n < 2 {
		return 0, 0
	}
	var st, sx float64
	for k := k0; k < k1; k++ {
		st += d.ring.at(k).t
		sx += d.ring.at(k).x
	}
	mt, mx := st/n, sx/n
	var stt, stx float64
	for k := k0; k < k1; k++ {
		dt := d.ring.at(k).t - mt
		stt += dt * dt
		stx += dt * (d.ring.at(k).x - mx)
	}
	if stt == 0 {
		return 0, 0
	}
	return stx / stt, d.ring.at(k1-1).t - d.ring.at(k0).t
}

// lastJump finds the last reading among k0+1..k1-1 that stands more than 5 %, the noise and what the load
// rises anyway above or below the one before it; 0 when there is none.
func (d *Detector) lastJump(p *pulse, k0, k1 int) int {
	usual := d.usualStep(max(min(k0, k1-9), p.k, d.ring.first()), k1)
	for k := k1 - 1; k > k0; k-- {
		a, b := d.ring.at(k-1).x, d.ring.at(k).x
		if math.Abs(b-a) > max(jumpShare*math.Abs(a), 6*d.sigma, 3*usual) {
			return k
		}
	}
	return 0
}

// usualStep is the median step from one of readings k0..k1-1 to the next.
func (d *Detector) usualStep(k0, k1 int) float64 {
	s := d.scratch[:0]
	for k := max(k0, k1-maxLevel) + 1; k < k1; k++ {
		s = append(s, math.Abs(d.ring.at(k).x-d.ring.at(k-1).x))
	}
	return medianOf(s)
}

// rippledJump looks for the same from one mean over whole ripple periods to the next, back from the trip.
func (d *Detector) rippledJump(p *pulse, tp *tripPoint, end float64) {
	t := d.truePeriod()
	if t == 0 {
		t = 0.02
	}
	share := jumpShare
	if d.interval() > t/40 { // so few readings a period that its mean hangs on where they fall
		t *= math.Ceil(foldChopS / t)
		share = max(share, 4*d.shareOver(t))
	}
	after, n := 0.0, 0.0
	for e := end; e > end-tripSlopeS && e-2*t > p.on.t; e -= t {
		m, ok1 := d.meanBetween(e-t, e)
		before, ok2 := d.meanBetween(e-2*t, e-t)
		if !ok1 || !ok2 {
			return
		}
		after, n = after+m, n+1
		if math.Abs(m-before) <= share*before {
			continue
		}
		// The step may lie inside the older of the two periods: the level before it is one further back.
		carried, ok := d.meanBetween(e-3*t, e-2*t)
		if !ok {
			carried = before
		}
		tp.jumped, tp.level, tp.carried = true, after/n, carried
		return
	}
}

// tripOf is where a load test tripped: a cut-off, or a fold-back after which the current never came
// back to where it had been.
func (s *story) tripOf() *edge {
	if s.cut != nil {
		return s.cut
	}
	if s.limit != nil && s.limit.t <= s.end {
		return s.limit
	}
	return nil
}

// loadBehaviour is that of ramp, steps and carry.
func (d *Detector) loadBehaviour(s *story) trace.Behaviour {
	switch {
	case s.tripOf() != nil:
		return trace.Tripped
	case d.set.Procedure == trace.Carry:
		return trace.Carried
	}
	return trace.NoTrip
}

func (f *figures) tripCurrent() (trace.Figure, bool) {
	if f.unsure && f.s.tripOf() != nil {
		return unresolved(whyUnsure), true
	}
	if f.d.set.Procedure == trace.Steps {
		return f.stairTrip()
	}
	d, s := f.d, f.s
	if s.tripOf() == nil {
		return f.neverTripped("it never tripped")
	}
	if d.blind() {
		return unresolved(whyBlind), true
	}
	tp := d.trip
	if !tp.found {
		return unresolved("too few readings before the trip"), true
	}
	parts := d.levelParts(tp.level, tp.n)
	if tp.jumped {
		v, half := (tp.carried+tp.level)/2, math.Abs(tp.level-tp.carried)/2
		parts = append(parts, part{half / math.Sqrt(3), true})
		return exact(v, max(expand(parts...), half+expand(d.levelParts(tp.level, tp.n)...))), true
	}
	// The slope's own noise over half the stretch it is carried on, and the instant of the trip.
	n := max(tp.span/max(d.interval(), 1e-9), 2)
	uSlope := math.Sqrt(12/n) * d.sigma / max(tp.span, 1e-9)
	if tp.bent {
		uSlope *= 6 // of the difference of two halves, and as far as the level rests on the same readings
	}
	parts = append(parts, part{uSlope * tp.carry, false}, part{d.curve() / math.Sqrt(3), true}, part{math.Abs(tp.slope) * s.tripOf().u, true})
	if d.rippled(s.p0) {
		// ... and the level is a mean that an output which folds back leaves gradually.
		parts = append(parts, part{2 * tp.level * d.shareOver(tripLevelS), true}, part{0.004 * tp.level, true})
	}
	if d.boxed() && d.hidesRipple() {
		parts = append(parts, part{tp.level * d.meanRipple(tripLevelS), true})
	}
	return exact(tp.level, expand(parts...)), true
}

// curve is how far a level that does not rise quite straight is off when carried on to the trip: an output's
// resistance bends it, by a sixteenth of its slope in the second over which that was taken, or by a hundredth
// where the bend itself is known (common practice, no source).
func (d *Detector) curve() float64 {
	share := 0.06
	if d.trip.bent {
		share = 0.01
	}
	return share * math.Abs(d.trip.slope) * d.trip.carry
}

// neverTripped is at least the largest level that was carried.
func (f *figures) neverTripped(why string) (trace.Figure, bool) {
	if f.d.blind() {
		return unresolved(whyBlind), true
	}
	p := f.s.p0
	v := p.peak - f.d.noiseExcess(p.crown.near())
	if f.d.rippled(p) {
		v = f.d.stairs.highest()
	}
	return bounded(trace.AtLeast, v, expand(f.d.readingParts(v, f.d.peakNoise())...), why), true
}

func (f *figures) rampRate() (trace.Figure, bool) {
	if f.s.tripOf() == nil {
		return inapplicable("it never tripped"), true
	}
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if f.d.blind() {
		return unresolved(whyBlind), true
	}
	tp := f.d.trip
	if tp.span <= 0 {
		return unresolved("too few readings before the trip"), true
	}
	n := max(tp.span/max(f.d.interval(), 1e-9), 2)
	u := 2 * math.Sqrt(12/n) * math.Hypot(f.d.sigma, f.d.resolution()/math.Sqrt(12)) / tp.span
	if f.d.rippled(f.s.p0) {
		u += 2*tp.level*f.d.shareOver(tripLevelS)/tp.span + 0.1*math.Abs(tp.slope)
	}
	if f.d.boxed() && f.d.hidesRipple() {
		u += 4 * tp.level * f.d.meanRipple(tp.span/2) / tp.span
	}
	// An instrument that shows too much shows every step too large.
	scale := 2 * math.Abs(tp.slope) * f.d.meanU(tp.level, int(n)) / max(math.Abs(tp.level), 1e-9)
	return exact(tp.slope, math.Hypot(u, scale)), true
}

func (f *figures) carriedFor() (trace.Figure, bool) {
	s := f.s
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if f.d.blind() && s.tripOf() != nil {
		return unresolved(whyBlind), true
	}
	if trip := s.tripOf(); trip != nil {
		return f.until(trip), true
	}
	return bounded(trace.AtLeast, s.watched(), f.holdU(), "it was watched no longer"), true
}
