package trip

import (
	"math"
	"slices"

	"letthrough/capture/trace"
)

const fewReadings = 3

const whyUnsure = "the meter is too slow to tell a steady current from pulses"

func (f *figures) timeToCutoff() (trace.Figure, bool) {
	s := f.s
	switch {
	case f.unsure:
		return unresolved(whyUnsure), true
	case f.behaviour == trace.FoldBack, f.behaviour == trace.LimitedCurrent:
		return inapplicable("it limits instead of cutting off"), true
	}
	if s.cut == nil {
		if g, ok := f.d.firstHole(s); ok {
			return bounded(trace.AtLeast, max(g.from-s.p0.on.t, 0), expand(part{s.p0.on.u, true}), "a gap may hide a cut-off after which it came back"), true
		}
		return bounded(trace.AtLeast, s.watched(), expand(part{s.p0.on.u, true}, part{s.endU, false}), "no cut-off came while it was watched"), true
	}
	return f.until(s.cut), true
}

// until is the time from the onset to an interruption.
func (f *figures) until(e *edge) trace.Figure {
	d, s := f.d, f.s
	t := e.t - s.p0.on.t
	parts := d.instantParts(&s.p0.on, e)
	if d.blind() {
		parts = append(parts, part{2 * d.interval() / math.Sqrt(3), true})
	}
	u := expand(parts...)
	readings := s.p0.n - s.p0.lowN
	longest := e.after - s.p0.on.before
	switch {
	case s.p0.inside:
		return bounded(trace.AtLeast, t, u, "the trace begins inside the fault")
	case e.inGap:
		return bounded(trace.AtMost, longest, u, "the cut-off lies in a gap")
	case e.at.minus(s.p0.on.at).gap > 0:
		return bounded(trace.AtMost, t, u, "a gap lies in the fault, the cut-off may have been in it")
	case readings < fewReadings:
		return bounded(trace.AtMost, longest, u, plural(readings, "only %d reading saw it", "only %d readings saw it"))
	case d.averaged() && t < 3*d.averaging():
		return bounded(trace.AtMost, longest, u, "it lasted under three averaging times of the meter")
	}
	return exact(t, u)
}

func (f *figures) timeToLimit() (trace.Figure, bool) {
	d, s := f.d, f.s
	switch f.behaviour {
	case trace.FoldBack:
		if d.aliased() {
			return unresolved(whyBlind), true
		}
		t := s.limit.t - s.p0.on.t
		parts := d.instantParts(&s.p0.on, s.limit)
		if d.blind() {
			parts = append(parts, part{2 * d.fold.width / math.Sqrt(3), true})
		}
		u := expand(parts...)
		switch {
		case s.p0.inside:
			return bounded(trace.AtLeast, t, u, "the trace begins inside the fault"), true
		case s.limit.at.minus(s.p0.on.at).gap > 0:
			return bounded(trace.AtMost, t, u, "a gap lies before it"), true
		case d.averaged() && t < 3*d.averaging():
			return bounded(trace.AtMost, s.limit.after-s.p0.on.before, u, "it lasted under three averaging times of the meter"), true
		}
		return exact(t, u), true
	case trace.LimitedCurrent:
		if d.aliased() {
			return unresolved(whyBlind), true
		}
		settled := max(s.p0.settledAt, s.p0.steadyAt) - s.p0.on.before
		if d.rippled(s.p0) {
			settled = max(s.p0.settledAt-s.p0.on.before, 0) + d.ripple.period
		}
		return bounded(trace.AtMost, settled+f.unseenBounce()+2*d.interval(), expand(part{s.p0.on.u, true}), "from the first settled reading on"), true
	}
	return inapplicable("it does not limit"), true
}

func (f *figures) peak() (trace.Figure, bool) {
	d, p := f.d, f.s.p0
	near := max(d.hist.countFrom(0.95*p.peak), 1)
	fall := max(p.peak-p.peakNext, 0)
	v := p.peak - d.noiseExcess(p.crown.near())
	noise := d.peakNoise()
	if l, ok := d.plateauLevel(f.s); ok && l.v <= p.peak && !d.rippled(p) && !d.set.Procedure.NoUpperState() {
		// Where the whole plateau is the peak: the largest of n readings of one level stands sqrt(2 ln n) sigma
		// above it, and hardly ever two more.
		only := p.peak-l.v < d.sigma*(2+math.Sqrt(2*math.Log(float64(max(p.n, 2)))))
		switch {
		case l.flat && only:
			v, noise = l.v, 1.5*l.noise
		case l.v > v:
			v = l.v
		}
	}
	if tp := &d.trip; d.set.Procedure == trace.Ramp && f.s.tripOf() != nil && tp.found && !tp.jumped && !d.rippled(p) && !d.hidesRipple() && !d.averaged() &&
		math.Abs(p.peak-3*d.sigma-tp.level) < 4*d.sigma+2*math.Abs(tp.slope)*d.interval() {
		// The load rose to its highest just before the trip.
		if trip, _ := f.get("trip_current_a"); trip.Bound == trace.Exact {
			return exact(tp.level, trip.U), true
		}
	}
	u := expand(append(d.readingParts(v, noise), part{p.slack(d) / math.Sqrt(3), true}, d.hiddenNoise(v))...)
	switch {
	case p.peakOver:
		return bounded(trace.AtLeast, p.peak, u, "beyond the instrument's range"), true
	case d.averaged():
		return bounded(trace.AtLeast, v, u, "the meter averages over what is faster"), true
	case f.unseenStair():
		return bounded(trace.AtLeast, v, u, whyUnseenStair), true
	case d.blind():
		return bounded(trace.AtLeast, v, u, whyBlind), true
	case near < fewReadings:
		return bounded(trace.AtLeast, v, u, plural(near, "only %d reading comes near it", "only %d readings come near it")), true
	case p.peakNo <= 3 && fall > 0.01*p.peak && fall > 3*d.sigma && !d.rippled(p):
		return bounded(trace.AtLeast, v, u, "it falls from the first readings on"), true
	case p.inside:
		return bounded(trace.AtLeast, v, u, "the trace begins inside the fault"), true
	}
	return exact(v, u), true
}

// slack is how much higher the current may have been just before the peak reading: the fall per
// reading after it, where the peak is among the first ones.
func (p *pulse) slack(d *Detector) float64 {
	if d.rippled(p) {
		return max(p.peak-p.peakNext-d.noiseExcess(p.crown.near()), 0)/2 + d.crestMiss(p)
	}
	if p.peakNo > 3 || p.tailN == 0 {
		return 0
	}
	return max(p.peak-d.noiseExcess(p.crown.near())-p.tail/float64(p.tailN), 0) / (float64(p.tailN+1) / 2)
}

// crestMiss is how much higher than the highest reading the crest of a rectified sine may be: it lies
// up to half an interval away, less where the readings wander over the crests.
func (d *Detector) crestMiss(p *pulse) float64 {
	if d.stepped() || d.ripple.period == 0 {
		return 0
	}
	span := float64(d.ripple.crossed) * d.ripple.period
	angle := math.Pi * d.interval() / (2 * d.ripple.period * d.onShare() * max(1, d.phases(span)))
	return p.peak * (1 - math.Cos(min(angle, math.Pi/2)))
}

// peakNoise is the standard uncertainty of a peak from noise: so far the largest of noisy readings scatters
// about noiseExcess, on a plateau and on a slope, for any number of them (drawn, 0.8 to 1.0 sigma).
func (d *Detector) peakNoise() float64 { return d.sigma }

// noiseExcess is how far the largest of several noisy readings of one level stands above it, told
// from the number of readings within two sigma of the largest: the mean extreme of normal values
// is 0.85, 1.54, 2.16, 2.97, 3.62, 4.66 sigma where 2.6, 7, 17, 66, 220, 1190 of them lie so near (order
// statistics of the normal distribution, computed), which this line meets within 0.15 sigma. Counting near the peak
// instead of over the plateau keeps it right where the plateau sags.
func (d *Detector) noiseExcess(near int) float64 {
	if near < 2 {
		return 0
	}
	excess := 0.25 + 0.63*math.Log(float64(near))
	if d.set.Procedure == trace.Ramp {
		// Where the level rises evenly to its top the same number means less (drawn, 0.35 sigma).
		excess = max(excess-0.35, 0)
	}
	return d.sigma * excess
}

func (f *figures) sustained() (trace.Figure, bool) {
	d, s := f.d, f.s
	l, ok := d.plateauLevel(s)
	if !ok {
		return unresolved("too few readings in the fault"), true
	}
	if d.blind() {
		return unresolved(whyBlind), true
	}
	end, endAt := s.faultEnd()
	span := max(end-s.p0.on.t, d.interval())
	v, u := l.v, expand(l.parts...)
	switch over := endAt.minus(s.p0.on.at).over; {
	case over > 0 && 2*over > span:
		return bounded(trace.AtLeast, v, u, "beyond the instrument's range"), true
	case d.averaged() && span < 3*d.averaging():
		v, u = f.heldAtLeast(v, u)
		return bounded(trace.AtLeast, v, u, "it lasted under three averaging times of the meter"), true
	case f.unsure:
		return bounded(trace.AtLeast, v, u, whyUnsure), true
	case s.p0.n-s.p0.lowN < fewReadings && s.cut != nil:
		return unresolved(plural(s.p0.n-s.p0.lowN, "only %d reading saw it", "only %d readings saw it")), true
	}
	return exact(v, u), true
}

// heldAtLeast is the least that a short fault's level can have been: the lower of two whole readings,
// else the charge over the longest time that the readings allow.
func (f *figures) heldAtLeast(v, u float64) (float64, float64) {
	s, d := f.s, f.d
	_, end := s.faultEnd()
	if m := d.dec.within(s.p0.on.after-d.interval()/4, s.p0.off.before+d.interval()/4); s.p0.ended && len(m) >= 2 {
		return min(v, slices.Min(m)), u
	}
	longest := end.t - s.p0.on.before
	if s.p0.ended {
		longest = s.p0.off.after - s.p0.on.before
	}
	if longest <= 0 {
		return v, u
	}
	return min(v, end.minus(s.p0.on.at).q/longest), u
}

func (f *figures) endCurrent() (trace.Figure, bool) {
	d, s := f.d, f.s
	e := s.p0.last
	if s.cut == nil && (s.limit == nil || s.limit.t > s.end) {
		end := s.end
		if d.boxed() {
			end -= d.averaging() / 2 // a later reading holds something of what came after
		}
		if s.p0.ended && (s.endBy == byRemovalFall || s.p0.off.before < end) {
			end = s.p0.off.before
		}
		e = d.lastTenth(s.p0, end)
	}
	if e.n < fewReadings && !f.unsure {
		return unresolved("fewer than three readings before it"), true
	}
	if d.blind() {
		return unresolved(whyBlind), true
	}
	parts := append(d.levelParts(e.level, e.n), part{e.slope / 2, true}, part{e.shift / 3, true})
	if e.noise > 0 {
		parts = append(d.scaleParts(e.level, e.n), part{e.slope / 2, true}, part{e.noise, false}, part{e.shift / 3, true})
	}
	parts = append(parts, part{e.shiftU, false})
	if d.boxed() && d.hidesRipple() {
		parts = append(parts, part{e.level * d.meanRipple(e.span), true})
	}
	if d.rippled(s.p0) {
		parts = append(parts, part{e.level * e.share, true}, part{0.01 * e.level * d.ripple.period / e.span, true})
	}
	if f.unsure {
		return bounded(trace.AtLeast, e.level, expand(parts...), whyUnsure), true
	}
	if d.averaged() && end0(s) < 3*d.averaging() {
		return bounded(trace.AtLeast, e.level, expand(parts...), "it lasted under three averaging times of the meter"), true
	}
	return exact(e.level, expand(parts...)), true
}

// end0 is the length of the fault, s.
func end0(s *story) float64 {
	t, _ := s.faultEnd()
	return t - s.p0.on.t
}

func (f *figures) residual() (trace.Figure, bool) {
	d, s := f.d, f.s
	var v float64
	var n int
	switch {
	case d.aliased():
		return unresolved(whyBlind), true
	case s.cut != nil:
		from := s.cut.t + offConfirmS
		m := d.resid.within(from, s.end)
		if len(m) == 0 {
			return unresolved("no readings after the cut-off"), true
		}
		v, n = medianOf(m), len(m)*max(d.resid.every, 1)
	case s.limit != nil && s.limit.t <= s.end:
		if d.blind() {
			return unresolved(whyBlind), true
		}
		var ok bool
		if d.rippled(s.p0) || d.boxed() && d.hidesRipple() {
			a := s.endAt.minus(d.fold.settled)
			if t := a.t - a.gap; t > 0 {
				v, n, ok = a.q/t, int(t/max(d.interval(), 1e-9)), true
			}
		} else {
			v, ok = d.fold.hist.quantile(0.5)
			n = d.fold.hist.n
		}
		if !ok {
			return unresolved("no readings after it limited"), true
		}
	default:
		return inapplicable("it neither cut off nor folded back"), true
	}
	parts := d.levelParts(v, n)
	if s.limit != nil && s.cut == nil {
		parts = append(parts, part{v * d.shareOver(s.endAt.t-d.fold.settled.t), true})
		if d.boxed() && d.hidesRipple() {
			parts = append(parts, part{v * d.meanRipple(s.endAt.t-d.fold.settled.t), true})
		}
		if d.rippled(s.p0) {
			parts = append(parts, part{v * d.ripple.period / max(s.endAt.t-d.fold.settled.t, d.ripple.period) / 12, true})
		}
	}
	u := expand(parts...)
	if d.averaged() && (len(s.retries) > 0 || f.unsure) {
		return bounded(trace.AtMost, math.Abs(v)+u, u, "the meter mixes it with the pulses"), true
	}
	if math.Abs(v) <= 3*u+d.set.ResolutionA {
		return bounded(trace.AtMost, math.Abs(v)+u, u, "less than the instrument can tell from zero"), true
	}
	return exact(v, u), true
}

func (f *figures) spikeA2s() (trace.Figure, bool)    { return f.spikeFigure(f.d.spike.a2s) }
func (f *figures) spikeCharge() (trace.Figure, bool) { return f.spikeFigure(f.d.spike.c) }

func (f *figures) spikeFigure(v float64) (trace.Figure, bool) {
	sp := f.d.spike
	if !sp.found || sp.end > f.s.end {
		return trace.Figure{}, false
	}
	// The spike's first, highest part lies between two readings.
	u := v / float64(max(sp.n, 1))
	if sp.n < fewReadings {
		return bounded(trace.AtLeast, v, u, plural(sp.n, "only %d reading saw it", "only %d readings saw it")), true
	}
	return exact(v, u), true
}

// usualBounceS is how long a contact bounces: a millisecond or so (common practice, no source).
const usualBounceS = 1e-3

func (f *figures) settledWithin() (trace.Figure, bool) {
	p := f.s.p0
	if f.d.rippled(p) || p.inside {
		return unresolved("ripple and bounce cannot be told apart"), true
	}
	dt := f.d.interval()
	if p.bounces == 0 {
		return bounded(trace.AtMost, f.unseenBounce(), 0, "no bounce seen from one reading to the next"), true
	}
	u := expand(part{dt / math.Sqrt(3), true}, part{p.on.u, true})
	if dt > shortestMake/2 {
		return bounded(trace.AtMost, p.settledAt-p.on.before+max(1.2*unseenMake(dt), usualBounceS), u, "a last, short bounce falls between the readings"), true
	}
	return exact(p.settledAt-p.on.t, u), true
}

// unseenBounce is the longest time after the onset that a bounce may have lasted unseen: each break
// would have had to fall between two readings.
func (f *figures) unseenBounce() float64 {
	dt := f.d.interval()
	return f.s.p0.on.after - f.s.p0.on.before + max(dt, 1.2*unseenMake(dt), usualBounceS)
}

func (f *figures) bounceCount() (trace.Figure, bool) {
	p := f.s.p0
	if f.d.rippled(p) || p.inside {
		return unresolved("ripple and bounce cannot be told apart"), true
	}
	if f.d.interval() > shortestMake/2 {
		return bounded(trace.AtLeast, float64(p.bounces), 0, "faster bounces fall between the readings"), true
	}
	return exact(float64(p.bounces), 0), true
}
