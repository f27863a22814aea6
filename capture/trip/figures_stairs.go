package trip

import (
	"math"

	"letthrough/capture/trace"
)

// climb is what a rising load went through.
type climb struct {
	carried stair // the highest that stood for its whole dwell
	found   bool  // ... there is one
	tripped stair // the one that tripped
	least   bool  // ... which was at least so high: too few readings saw it
	unseen  bool  // the one that tripped did so faster than a reading could show
}

func (f *figures) climb() climb {
	d, s := f.d, f.s
	var c climb
	all, trip := d.stairs.all(), s.tripOf()
	if trip != nil {
		all = d.stairs.before(trip.t)
	}
	dwell := d.dwell(all)
	if trip != nil {
		last := lastOf(all)
		switch {
		case d.briefStair(last):
			level := d.trip.level
			if c.least = !d.trip.steady || d.averaged(); c.least {
				level = min(level, f.s.p0.peak) // of a step between readings the slope tells more than there was
			}
			c.tripped = stair{from: trip.t, to: trip.t, level: level, mean: level, late: level, n: 1}
		case d.unseenStair(last, trip.t):
			c.unseen = true
		default:
			c.tripped, all = last, all[:max(len(all)-1, 0)]
			c.least = d.boxed() && last.n < 2 // its one window may hold the step or the trip
		}
	}
	for _, st := range all {
		// Its first and its last window hold a step and are not counted to it.
		if st.n > 0 && st.held()+1.5*max(d.interval(), d.stairs.look) >= 0.9*dwell && st.mean > c.carried.mean {
			c.carried, c.found = st, true
		}
	}
	return c
}

// unseenStair: the trip came when the last stair seen had stood just its dwell, so that it was the next
// one that tripped, faster than a reading could show.
func (f *figures) unseenStair() bool {
	trip := f.s.tripOf()
	if f.d.set.Procedure != trace.Steps || trip == nil {
		return false
	}
	return f.climb().unseen
}

func (d *Detector) unseenStair(last stair, trip float64) bool {
	dwell := d.set.DwellS
	if dwell == 0 || last.n == 0 {
		return false
	}
	slack := 0.02*dwell + 2*max(d.interval(), d.stairs.look)
	return math.Abs(trip-last.from-dwell) < slack
}

const whyUnseenStair = "the stair that tripped did so faster than a reading could show"

// briefStair: the stair that tripped did so before it filled the windows that make it one; the
// readings just before the trip say how high it was.
func (d *Detector) briefStair(last stair) bool {
	return d.trip.found && last.n > 0 && d.trip.level > (1+stairShare)*last.level+4*d.sigma
}

// dwell is the stated one, else 10 s, or what the stairs themselves lasted where that is shorter.
func (d *Detector) dwell(all []stair) float64 {
	if d.set.DwellS > 0 {
		return d.set.DwellS
	}
	var spans []float64
	for _, c := range all[:max(len(all)-1, 0)] {
		if c.n > 1 {
			spans = append(spans, c.held())
		}
	}
	if len(spans) == 0 {
		return 10
	}
	return min(10, medianOf(spans))
}

func (f *figures) carriedCurrent() (trace.Figure, bool) {
	d := f.d
	if d.blind() {
		return unresolved(whyBlind), true
	}
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if d.set.Procedure == trace.Carry {
		l, ok := d.plateauLevel(f.s)
		if !ok {
			return unresolved("too few readings"), true
		}
		v, u := l.v, expand(l.parts...)
		if end, _ := f.s.faultEnd(); d.averaged() && end-f.s.p0.on.t < 3*d.averaging() {
			v, u = f.heldAtLeast(v, u)
			return bounded(trace.AtLeast, v, u, "it lasted under three averaging times of the meter"), true
		}
		return exact(v, u), true
	}
	if f.stairsHidden() {
		return unresolved(whyBlind), true
	}
	c := f.climb()
	if !c.found {
		return unresolved("no stair stood for its whole dwell"), true
	}
	return exact(f.stairLevel(c.carried)), true
}

// stairsHidden: where in the ripple the readings fall makes more difference than a stair does.
func (f *figures) stairsHidden() bool {
	return f.d.rippled(f.s.p0) && stairDoubt*f.d.shareOver(f.d.stairs.look) > 3*stairShare
}

// stairLevel is the level of a stair with its expanded uncertainty: the median of its readings, rippled the
// mean of its windows.
func (f *figures) stairLevel(c stair) (level, u float64) {
	d := f.d
	held := max(c.held(), d.interval())
	n := max(int(held/max(d.interval(), 1e-9)), 1)
	// Of a stair that sags the median is asked for: the mean misses it by up to two fifths of what lies between
	// mean and end (exponential approach, closed form), so half of that is taken off, give or take as much.
	sag := 0.2 * (c.mean - c.late)
	v := c.mean - sag
	parts := append(d.levelParts(v, n), part{1e-4 * v, true})
	switch {
	case c.held() == 0: // a brief one is steady within so much
		parts = append(parts, part{stairShare / 3 * v / math.Sqrt(3), true})
	case d.rippled(f.s.p0):
		// Its ends lie at readings and not at a period's end.
		parts = append(parts, part{v * d.shareOver(held), true}, part{2 * v * d.interval() / held, true})
	case d.boxed() && d.hidesRipple():
		parts = append(parts, part{v * d.meanRipple(held), true})
	default:
		if l, ok := d.levelWithin(c.from+d.stairs.look, c.to-d.interval()/4, fewReadings, d.stairs.look); ok {
			return l.v, expand(l.parts...)
		}
	}
	// The windows lie anywhere against the stair's ends, and so their middle against its middle.
	off := c.drift(d.stairs.look) * d.stairs.look / 2
	return v, expand(append(parts, part{math.Abs(sag) / math.Sqrt(3), true}, part{math.Abs(off) / math.Sqrt(3), true})...)
}

func (f *figures) trippedCurrent() (trace.Figure, bool) {
	if f.s.tripOf() == nil {
		return inapplicable("no stair tripped"), true
	}
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if f.d.blind() {
		return unresolved(whyBlind), true
	}
	if f.stairsHidden() {
		return unresolved(whyBlind), true
	}
	c := f.climb()
	switch {
	case c.unseen && c.found:
		return f.stairBound(trace.AtLeast, c.carried, whyUnseenStair), true
	case c.tripped.mean <= 0:
		return unresolved("too few readings on the stair that tripped"), true
	case c.least:
		return f.stairBound(trace.AtLeast, c.tripped, whyFewOnStair), true
	}
	return exact(f.stairLevel(c.tripped)), true
}

const whyFewOnStair = "too few readings saw the stair that tripped settled"

func (f *figures) stairTrip() (trace.Figure, bool) {
	if f.d.blind() {
		return unresolved(whyBlind), true
	}
	if f.stairsHidden() {
		return unresolved(whyBlind), true
	}
	c := f.climb()
	switch {
	case f.s.tripOf() == nil && c.found:
		return f.stairBound(trace.AtLeast, c.carried, "no stair tripped"), true
	case f.s.tripOf() == nil:
		return f.neverTripped("no stair tripped")
	case c.unseen && c.found:
		return f.stairBound(trace.AtLeast, c.carried, whyUnseenStair), true
	case c.least && c.found:
		return f.stairBound(trace.AtLeast, c.carried, whyFewOnStair), true
	case c.tripped.mean <= 0 || c.least:
		return unresolved("too few readings on the stair that tripped"), true
	case !c.found:
		return f.stairBound(trace.AtMost, c.tripped, "the first stair tripped"), true
	}
	low, uLow := f.stairLevel(c.carried)
	high, uHigh := f.stairLevel(c.tripped)
	return exact((low+high)/2, math.Abs(high-low)/2+math.Hypot(uLow, uHigh)), true
}

func (f *figures) stairBound(b trace.Bound, c stair, why string) trace.Figure {
	level, u := f.stairLevel(c)
	return bounded(b, level, u, why)
}
