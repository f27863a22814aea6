package trip

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
)

// derive puts marks, behaviour, figures and warnings together.
func (s *story) derive(d *Detector) trace.Derivation {
	out := trace.Derivation{
		Procedure: d.set.Procedure,
		Recovery:  d.recovery(s),
		ZeroAt:    "file",
		Marks:     s.marks(d),
		Warnings:  d.warnings(s),
	}
	if out.Marks == nil {
		out.Marks = []trace.Mark{}
	}
	f := &figures{d: d, s: s}
	out.ApparentBehaviour = d.apparent(s)
	out.Behaviour = d.resolved(s, out.ApparentBehaviour)
	f.behaviour = out.ApparentBehaviour
	out.Figures = f.all()
	if s.asked && s.removalOf == s.p0 {
		out.Behaviour = trace.BehaviourUnsure
		f.await(out.Figures)
	}
	if s.short {
		out.Behaviour = s.whenShort(d, out.Behaviour)
		f.soften(out.Figures)
	}
	settleZero(out.Figures)
	d.hand.sign(out.Figures)
	return out
}

const whyAsked = "did you open the contact? until that is answered the last fall is nobody's"

// await leaves open what hangs on whose the last fall was.
func (f *figures) await(all trace.Figures) {
	for i, fig := range all {
		switch fig.Key {
		case "time_to_cutoff_s", "time_to_trip_s":
			all[i] = unresolved(whyAsked)
			all[i].Key = fig.Key
		}
	}
}

// apparent says what the trace looks like, whatever the instrument can tell.
func (d *Detector) apparent(s *story) trace.Behaviour {
	if !s.begun {
		if _, ok := d.out.applied(); ok {
			return trace.BehaviourUnsure
		}
		return trace.None
	}
	switch d.set.Procedure {
	case trace.Ramp, trace.Steps, trace.Carry:
		return d.loadBehaviour(s)
	}
	switch {
	case s.asked && s.removalOf == s.p0:
		return trace.Latching // what it looks like if nobody opened the contact
	case s.cut != nil && len(s.retries) == 0:
		return trace.Latching
	case s.cut != nil && d.retryPeriod(s) < 1:
		return trace.Hiccup
	case s.cut != nil:
		return trace.AutoRetry
	case s.limit != nil && s.limit.t <= s.end:
		return trace.FoldBack
	}
	level, ok := d.sustained(s)
	if r := d.set.RatedCurrentA; ok && r > 0 && level <= 1.25*r {
		return trace.LimitedCurrent
	}
	return trace.Sustained
}

// resolved: a meter over 50 ms cannot tell a steady current from fast pulses, unless the voltage
// channel shows that nothing was interrupted.
func (d *Detector) resolved(s *story, apparent trace.Behaviour) trace.Behaviour {
	if (apparent == trace.LimitedCurrent || apparent == trace.FoldBack) && d.coarse() && !d.voltageSteady(s) {
		return trace.BehaviourUnsure
	}
	if d.notedUnsure(s, apparent) || d.leavesMuch(s) || s.begun && d.drowned() {
		return trace.BehaviourUnsure
	}
	if s.begun && d.aliased() {
		switch apparent {
		case trace.FoldBack, trace.LimitedCurrent, trace.AutoRetry, trace.Hiccup:
			return trace.BehaviourUnsure // what falls and comes back may be the ripple
		}
	}
	return apparent
}

// leavesMuch: what flows after the cut-off is told from zero and is more than the off level may be, so that it was
// none. Noise as large as a small unit's rating hides that from single readings, for which the off level lies
// above it, but not from all of them together.
func (d *Detector) leavesMuch(s *story) bool {
	if s.cut == nil || s.cut.hand != nil || len(s.retries) > 0 {
		return false
	}
	plateau, ok := d.hist.quantile(0.5)
	m := d.resid.within(s.cut.t+offConfirmS, s.end)
	if !ok || len(m) < 2*fewReadings {
		return false
	}
	n := float64(len(m) * max(d.resid.every, 1))
	return medianOf(m) > max(d.b+d.leastOnset(), 0.1*plateau)+stairDoubt*d.sigma/math.Sqrt(n)
}

// drowned: the load that a unit has to carry lies so deep in the noise that a reading of it may be none.
func (d *Detector) drowned() bool {
	return d.set.Procedure == trace.Carry && d.set.RatedCurrentA > 0 && d.onLevel > d.set.RatedCurrentA/2
}

// voltageSteady: a fast voltage channel saw the output collapse once and stay there.
func (d *Detector) voltageSteady(s *story) bool {
	v := &d.volts
	if !v.seen || v.fault.every == 0 || len(v.changes) > 2 {
		return false
	}
	n := len(v.fault.within(s.p0.on.t, s.end)) * v.fault.every
	return s.watched() > 0 && float64(n)/s.watched() > 20
}

// retryPeriod is the median time from onset to onset of the retries; with a single retry, from the
// fault's onset to it.
func (d *Detector) retryPeriod(s *story) float64 {
	if len(s.retries) == 1 {
		return s.retries[0].on.t - s.p0.on.t
	}
	var spans []float64
	for i := 1; i < len(s.retries); i++ {
		spans = append(spans, s.retries[i].on.t-s.retries[i-1].on.t)
	}
	return medianOf(spans)
}

// rippled: levels are means over whole periods rather than medians.
func (d *Detector) rippled(p *pulse) bool { return d.ripple.period > 0 || d.choppy(p) }

// firstHole is the first gap of the fault that is long enough to hide an interruption.
func (d *Detector) firstHole(s *story) (gap, bool) {
	for _, g := range d.gaps {
		if g.to > s.p0.on.t && g.from < s.end && g.to-g.from >= offConfirmS {
			return g, true
		}
	}
	return gap{}, false
}

// mostGapsTold is how many gaps are told one by one.
const mostGapsTold = 8

// gapWarnings tells of the longest gaps one by one, in order of time, and of the others together.
func (d *Detector) gapWarnings(s *story, add func(code, format string, args ...any)) {
	long := slices.Clone(d.gaps)
	slices.SortStableFunc(long, func(a, b gap) int { return cmp.Compare(b.to-b.from, a.to-a.from) })
	rest := 0.0
	for _, g := range long[min(len(long), mostGapsTold):] {
		rest += g.to - g.from
	}
	long = long[:min(len(long), mostGapsTold)]
	slices.SortFunc(long, func(a, b gap) int { return cmp.Compare(a.from, b.from) })
	for _, g := range long {
		lost := ""
		if d.interval() > 0 {
			lost = fmt.Sprintf(", about %d readings", max(int(math.Round((g.to-g.from)/d.interval()))-1, 1))
		}
		add("gap", "no readings between %.4g s and %.4g s%s", d.abs(g.from), d.abs(g.to), lost)
	}
	switch more := d.gapCount - len(long); {
	case more > 0 && d.gapCount > len(d.gaps):
		add("gap", "%d more gaps", more)
	case more > 0:
		add("gap", "%d more gaps, shorter than these, %.3g s together", more, rest)
	}
	if s.begun && s.cut == nil {
		if _, ok := d.firstHole(s); ok {
			add("gap", "a cut-off after which it came back may lie in a gap: nobody saw that it did not")
		}
	}
}

// warnings says what the reader of the figures should know.
func (d *Detector) warnings(s *story) []trace.Warning {
	w := []trace.Warning{}
	add := func(code, format string, args ...any) {
		w = append(w, trace.Warning{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	d.gapWarnings(s, add)
	if d.backward > 0 {
		add("not_later", "%d rows were not later than the ones before them and were set aside", d.backward)
	}
	if d.unread > 0 {
		add("unreadable", "%d readings were no current of a low-voltage unit and were set aside", d.unread)
	}
	if d.sign < 0 {
		add("reversed", "the current came out negative: the leads are reversed, figures are of the current's size")
	}
	if d.noted() && d.interval() > 0 {
		add("noted", "the readings were noted by hand, each to within %.2g s of its moment and mostly %.2g s apart: what is shorter was not seen", d.set.StampUS, d.interval())
	}
	d.hand.warn(add)
	if !s.begun {
		d.unseenWarnings(add)
		return w
	}
	if s.short {
		add("cut_short", "the readings end %.3g s after the onset, the hold was to last %.4g s: what came after was not seen", d.now()-s.p0.on.t, d.set.HoldS)
	}
	if s.asked {
		add("final_fall", "the current fell at %.4g s and no mark says why: did you open the contact?", d.abs(s.removalOf.off.t))
	}
	if s.p0.inside {
		add("began_inside", "the trace begins inside a fault: durations are at least what is shown")
	}
	if s.shortEnd {
		add("short_end", "the trace ends within %.2g s of the last fall: whether it would have stayed off is not known", d.offConfirm())
	}
	if d.unkept > 0 {
		add("many_retries", "only the first %d retries are kept one by one", maxPulses-1)
	}
	if s.p0.peakOver {
		add("over_range", "the current went beyond the instrument's range")
	}
	if most, ok := d.beyondCalibration(); ok {
		add("beyond_calibration", "the current reached %.4g A, the instrument was calibrated from %.4g A to %.4g A: beyond that its own percentage counts as well", most, d.set.Calibration.From, d.set.Calibration.To)
	}
	return w
}
