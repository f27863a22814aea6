package trip

import (
	"math"

	"letthrough/capture/trace"
)

const whyNoted = "the readings were noted by hand: what came between two of them was not seen"

// asNoted widens a figure of noted readings to what such readings can tell. Durations become the bounds
// that the readings on either side of the edges leave; integrals count what was seen and no more.
func (f *figures) asNoted(key string, fig trace.Figure) trace.Figure {
	if rule := notedRule[key]; rule != nil && f.s.begun {
		return rule(f, fig)
	}
	return fig
}

// notedRule names, for each figure that noted readings tell differently, how.
var notedRule map[string]func(*figures, trace.Figure) trace.Figure

func init() {
	unread := func(f *figures, fig trace.Figure) trace.Figure {
		if fig.Bound.HasValue() {
			return unresolved(whyNoted)
		}
		return fig
	}
	notedRule = map[string]func(*figures, trace.Figure) trace.Figure{
		"time_to_cutoff_s":    (*figures).notedCutoff,
		"time_to_trip_s":      (*figures).notedCutoff,
		"carried_for_s":       (*figures).notedCutoff,
		"time_to_limit_s":     (*figures).notedLimit,
		"peak_current_a":      (*figures).notedPeak,
		"sustained_current_a": (*figures).notedLevel,
		"load_current_a":      (*figures).notedLevel,
		"end_current_a":       (*figures).notedEnd,
		"residual_current_a":  (*figures).notedResidual,
		"let_through_a2s":     (*figures).notedLetThrough,
		"hold_a2s":            (*figures).notedHoldA2s,
		"heating_current_a":   (*figures).notedHeating,
		"hold_s":              (*figures).notedHold,
		"charge_c":            (*figures).notedCharge,
		"energy_j":            unread,
		"retry_count":         (*figures).notedRetries,
		"retry_period_s":      unread,
		"retry_width_s":       unread,
		"retry_duty":          unread,
		"form_factor":         (*figures).notedFormFactor,
		"retry_peak_a":        (*figures).notedRetryPeak,
		"settled_within_s":    (*figures).notedSettled,
		"trip_current_a":      (*figures).notedTrip,
		"carried_current_a":   (*figures).notedCarried,
		"tripped_current_a":   unread,
		"ramp_rate_a_per_s":   unread,
		"restored_after_s":    (*figures).notedRestored,
	}
}

// weaker makes a bound of a figure that is exact.
func weaker(fig trace.Figure, b trace.Bound) trace.Figure {
	if fig.Bound == trace.Exact {
		fig.Bound, fig.Why = b, whyNoted
	}
	return fig
}

// steady: the readings show one steady current to the end of the watch.
func (f *figures) steady() bool {
	return f.s.cut == nil && f.behaviour == trace.Sustained && !f.d.notedUnsure(f.s, f.behaviour)
}

// seen is the least time between the onset and the last reading that showed the fault's current, up to
// the first low one or the end of the watch, s.
func (f *figures) seen() float64 {
	d, s := f.d, f.s
	end := s.end
	if s.p0.ended {
		end = min(end, s.p0.off.before)
	}
	in := d.notesWithin(s.p0.on.after, end)
	if len(in) == 0 {
		return 0
	}
	return max(in[len(in)-1].t-s.p0.on.after-d.stampSlack(), 0)
}

func (f *figures) notedCutoff(fig trace.Figure) trace.Figure {
	d, s := f.d, f.s
	limits := f.behaviour == trace.FoldBack || f.behaviour == trace.LimitedCurrent
	end := s.cut
	if end == nil && d.set.Procedure != trace.Short && d.set.Procedure != trace.Overload {
		end = s.tripOf()
	}
	switch {
	case limits && d.set.Procedure == trace.Short, limits && d.set.Procedure == trace.Overload:
		return fig // not resolved
	case s.p0.inside || end == nil:
		if f.unsure && end == nil {
			return unresolved(whyNoted)
		}
		return bounded(trace.AtLeast, f.seen(), 0, "no low reading came while it was watched")
	}
	least, most := d.notedSpan(&s.p0.on, end)
	most = max(most, f.missable())
	if d.holes(s.p0.on.before, end.after) || end.inGap || s.p0.n-s.p0.lowN < fewReadings || most < 3*d.averaging() {
		return bounded(trace.AtMost, most, 0, "the first low reading was noted by then")
	}
	return exact((least+most)/2, (most-least)/2)
}

// missable is the longest that a fault may have lasted which came and went between two readings, so that
// what was seen first was a retry, s.
func (f *figures) missable() float64 {
	d := f.d
	before := d.notesWithin(f.earliest(), f.s.p0.on.before)
	longest := 0.0
	for i := 1; i < len(before); i++ {
		longest = max(longest, before[i].t-before[i-1].t)
	}
	if longest <= 1.5*d.averaging() {
		return 0 // every change of the display was noted
	}
	return longest + d.stampSlack() + d.averaging()
}

// earliest is the instant before which nothing was applied, s.
func (f *figures) earliest() float64 {
	if m, ok := f.d.out.applied(); ok {
		return min(m.T-m.U-f.d.stampSlack(), f.s.p0.on.before)
	}
	return math.Inf(-1)
}

func (f *figures) notedLimit(fig trace.Figure) trace.Figure {
	d, s := f.d, f.s
	switch {
	case !fig.Bound.HasValue() || fig.Bound == trace.AtLeast:
		return fig
	case f.behaviour == trace.FoldBack:
		_, most := d.notedSpan(&s.p0.on, s.limit)
		return bounded(trace.AtMost, most, 0, "the first reading of the lower level was noted by then")
	}
	return bounded(trace.AtMost, fig.Value+fig.U+d.stampSlack()+d.averaging(), 0, fig.Why)
}

// noteU is the expanded uncertainty of one noted reading of i amperes, as a bound needs it: with few quiet
// readings the noise is hardly known, but it is seldom more than a display count.
func (f *figures) noteU(i float64) float64 {
	return expand(f.d.readingParts(i, f.d.sigma)...) + f.d.resolution()
}

// sagShare is by how much a level falls as a unit warms, over a fault (common practice, no source).
const sagShare = 0.1

// notedPeak: the highest that two readings in a row reached, where no single one stands out above that; by
// a little it may be noise.
func (f *figures) notedPeak(fig trace.Figure) trace.Figure {
	if !fig.Bound.HasValue() {
		return fig
	}
	in := f.fault()
	twice := 0.0
	for i := 1; i < len(in); i++ {
		twice = max(twice, min(in[i-1].x, in[i].x))
	}
	v := f.s.p0.peak
	if v-twice <= 3*f.d.sigma+2*f.d.resolution() {
		v = min(twice, v)
	}
	return bounded(trace.AtLeast, v, f.noteU(v), fig.Why)
}

func (f *figures) notedFormFactor(fig trace.Figure) trace.Figure {
	if fig.Bound.HasValue() && !f.steady() {
		return unresolved(whyNoted)
	}
	return fig
}

// notedLevel: a median of few readings wanders over what they cover, by about their interquartile range
// over the root of their number (order statistics of the uniform distribution, textbook).
func (f *figures) notedLevel(fig trace.Figure) trace.Figure {
	d := f.d
	if !fig.Bound.HasValue() {
		return fig
	}
	q1, _ := d.hist.quantile(0.25)
	q3, _ := d.hist.quantile(0.75)
	fig.U = math.Hypot(fig.U, 2*(q3-q1)/math.Sqrt(float64(max(d.hist.n, 1))))
	if f.steady() {
		return fig
	}
	fig.U += f.d.resolution() + sagShare*fig.Value/math.Sqrt(float64(max(d.hist.n, 1)))
	return weaker(fig, trace.AtLeast)
}

func (f *figures) notedEnd(fig trace.Figure) trace.Figure {
	if !fig.Bound.HasValue() {
		return fig
	}
	if !f.steady() {
		return unresolved("no reading tells the level just before the fall")
	}
	fig.U = math.Hypot(fig.U, sagShare/2*fig.Value)
	return fig
}

func (f *figures) notedResidual(fig trace.Figure) trace.Figure {
	if fig.Bound == trace.Exact {
		return bounded(trace.AtMost, math.Abs(fig.Value)+fig.U, fig.U, whyNoted)
	}
	return fig
}

// notedSquares is the least integral of i² that readings tell, with its expanded uncertainty: where the
// current is steady the one between them, less what the stamps leave open; else their own windows alone,
// since the mean of squares exceeds the square of the mean.
func (f *figures) notedSquares(in []obs) (v, u float64) {
	d := f.d
	whole := f.steady()
	for i, o := range in {
		x := math.Max(o.x, 0)
		iU := f.noteU(x)
		w := d.averaging()
		if i > 0 {
			a := math.Max(in[i-1].x, 0)
			dt := o.t - in[i-1].t
			if whole {
				if !o.hole {
					v += dt * (a*a + a*x + x*x) / 3
					u += 2 * dt * x * iU
				}
				continue
			}
			if dt < w+math.Sqrt2*d.set.StampUS {
				continue // it may be the same reading once more
			}
		}
		if !whole {
			v += w * x * x
			u += 2 * w * x * iU
		}
	}
	if whole && len(in) > 0 {
		top := math.Max(in[0].x, in[len(in)-1].x)
		v = max(v-d.stampSlack()*top*top, 0)
	}
	return v, u
}

// fault are the noted readings from the onset on to the end of the watch.
func (f *figures) fault() []obs { return f.d.notesWithin(f.s.p0.on.after, f.s.end) }

func (f *figures) notedLetThrough(fig trace.Figure) trace.Figure {
	if f.behaviour == trace.FoldBack || f.behaviour == trace.LimitedCurrent {
		return unresolved(whyUnsure)
	}
	in := f.fault()
	if len(in) == 0 {
		return unresolved(whyNoted)
	}
	if !f.steady() {
		in = in[:1] // a later one may be of a retry
	}
	v, u := f.notedSquares(in)
	return bounded(trace.AtLeast, v, u, "only what the readings themselves show")
}

func (f *figures) notedHoldA2s(fig trace.Figure) trace.Figure {
	v, u := f.notedSquares(f.fault())
	return bounded(trace.AtLeast, v, u, "only what the readings themselves show")
}

func (f *figures) notedHeating(fig trace.Figure) trace.Figure {
	h, _ := f.get("hold_a2s")
	longest, _ := f.notedWatch()
	if longest <= 0 || math.IsInf(longest, 1) || h.Value <= 0 {
		return unresolved(whyNoted)
	}
	return bounded(trace.AtLeast, math.Sqrt(max(h.Value-h.U, 0)/longest), 0, h.Why)
}

// whole: the onset seen was the onset, and what was watched began with it. Between readings far apart the
// fault itself may have gone unseen, and what was seen first was a retry.
func (f *figures) whole() bool {
	return f.steady() || !f.d.holes(f.earliest(), f.s.end)
}

// notedWatch is the longest that the watch may have lasted, and half the stretch that it is uncertain by.
func (f *figures) notedWatch() (longest, half float64) {
	d, s := f.d, f.s
	half = d.notedU(&s.p0.on)
	if p := s.removalOf; s.endBy == byRemovalFall && p != nil {
		half += d.notedU(&p.off)
	} else {
		half += 2 * s.endU
	}
	if f.whole() {
		return s.watched() + half, half
	}
	return max(s.watched(), s.end-f.earliest()) + half, half
}

func (f *figures) notedHold(fig trace.Figure) trace.Figure {
	_, half := f.notedWatch()
	if f.s.endBy == byTraceEnd || f.s.p0.inside || !f.whole() || f.d.set.Procedure.NoUpperState() {
		return bounded(trace.AtLeast, max(f.s.watched()-half, 0), 0, whyNoted)
	}
	return exact(f.s.watched(), half)
}

func (f *figures) notedCharge(fig trace.Figure) trace.Figure {
	d := f.d
	in := f.fault()
	v, u := 0.0, 0.0
	for i, o := range in {
		w := d.averaging()
		iU := f.noteU(o.x)
		if i > 0 && o.t-in[i-1].t < w+math.Sqrt2*d.set.StampUS || o.x < d.visible() {
			continue
		}
		v += w * o.x
		u += w * iU
	}
	if f.steady() && fig.Bound == trace.Exact {
		_, half := f.notedWatch()
		fig.U = math.Hypot(fig.U, half*f.s.p0.on.to)
		return fig
	}
	return bounded(trace.AtLeast, v, u, "only what the readings themselves show")
}

func (f *figures) notedRetries(fig trace.Figure) trace.Figure {
	if f.s.cut == nil {
		return fig
	}
	return bounded(trace.AtLeast, float64(len(f.s.retries)), 0, whyNoted)
}

func (f *figures) notedRetryPeak(fig trace.Figure) trace.Figure {
	if f.s.cut == nil || len(f.s.retries) == 0 {
		return fig
	}
	v := 0.0
	for _, p := range f.s.retries {
		v = max(v, p.peak)
	}
	return bounded(trace.AtLeast, v, f.noteU(v), whyNoted)
}

func (f *figures) notedSettled(fig trace.Figure) trace.Figure {
	if !fig.Bound.HasValue() {
		return fig
	}
	return bounded(trace.AtMost, fig.Value+fig.U+f.d.stampSlack()+f.d.averaging(), 0, fig.Why)
}

// notedTrip: it tripped, or did not, at no less than the highest reading before; of stairs at no less
// than the highest that was left for the next one.
func (f *figures) notedTrip(fig trace.Figure) trace.Figure {
	if f.d.set.Procedure != trace.Steps {
		v := f.s.p0.peak
		return bounded(trace.AtLeast, v, f.noteU(v), "the highest reading noted")
	}
	v, ok := f.notedStair()
	if !ok {
		return unresolved(whyNoted)
	}
	return bounded(trace.AtLeast, v, f.noteU(v), "the highest stair that readings show to have been carried")
}

func (f *figures) notedCarried(fig trace.Figure) trace.Figure {
	if f.d.set.Procedure == trace.Carry {
		return f.notedLevel(fig)
	}
	return f.notedTrip(fig)
}

// notedStair is the highest stair that two readings in a row show and that was left for a higher one. A
// single reading may be the mean over a step between two.
func (f *figures) notedStair() (level float64, ok bool) {
	const alike, higher = 0.03, 0.05
	in := f.fault()
	for i := 1; i < len(in); i++ {
		a, b := in[i-1].x, in[i].x
		v := min(a, b)
		if math.Abs(b-a) > alike*v+f.d.visible() || v <= level {
			continue
		}
		left := f.s.tripOf() == nil
		for _, o := range in[i+1:] {
			left = left || o.x > (1+higher)*v+f.d.visible()
		}
		if left {
			level, ok = v, true
		}
	}
	return level, ok
}

// notedRestored: the output was back when a reading first showed it.
func (f *figures) notedRestored(fig trace.Figure) trace.Figure {
	d, s := f.d, f.s
	for _, p := range s.after {
		if p.peak > s.p0.peak/2 {
			return bounded(trace.AtMost, max(p.on.after-s.end, 0)+2*s.endU+d.stampSlack()+d.averaging(), 0, "a reading showed it by then")
		}
	}
	return fig
}
