package trip

import (
	"math"

	"letthrough/capture/trace"
)

func (f *figures) letThrough() (trace.Figure, bool) {
	s := f.s
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if f.behaviour == trace.LimitedCurrent {
		t, _ := f.get("time_to_limit_s")
		v := s.p0.peak * s.p0.peak * t.Value
		return bounded(trace.AtMost, v, 2*s.p0.peak*t.Value*combine(f.d.readingParts(s.p0.peak, f.d.sigma)...), "the peak's square times the longest time until it limits"), true
	}
	_, end := s.faultEnd()
	fig := f.joule(s.p0.on.at, end)
	if !fig.Bound.HasValue() {
		return fig, true
	}
	if s.cut == nil && (s.limit == nil || s.limit.t > s.end) {
		fig.Bound, fig.Why = trace.AtLeast, "no cut-off or limitation came while it was watched"
	}
	if s.cut != nil && s.cut.inGap {
		fig.Bound, fig.Why = trace.AtLeast, "the cut-off lies in a gap"
	}
	return fig, true
}

func (f *figures) holdA2s() (trace.Figure, bool) {
	return f.joule(f.s.p0.on.at, f.s.endAt), true
}

// joule is the integral of i² between two instants with its uncertainty and bound.
func (f *figures) joule(a, b sums) trace.Figure {
	d := f.d
	v := f.squares(a, b)
	t := f.spanOf(a, b)
	why := ""
	factor := 1.0
	if d.coarse() || d.averaged() {
		why = "the mean of squares exceeds the square of averaged readings"
		if ff, ok := statedFormFactor(d.set.Waveform); ok && d.averaging() > 0 && f.behaviour != trace.FoldBack && f.behaviour != trace.LimitedCurrent {
			factor = ff * ff
			why = "of averaged readings, with the form factor of the stated waveform"
		}
	}
	rms := 0.0
	if t > 0 {
		rms = math.Sqrt(v / t)
	}
	uI := d.meanU(rms, int(t/max(d.interval(), 1e-9)))
	level := f.s.p0.on.to
	parts := []part{
		{2 * v * uI / max(rms, 1e-12), true},
		{level * level * f.s.p0.riseU, true},
		{level * level * f.bounceU(), true},
		{v * 2 * d.rippleShare(), true},
		{2 * rms * d.sigma * math.Sqrt(t*d.interval()), false},
	}
	if c := f.s.cut; c != nil && c.at.t <= b.t {
		parts = append(parts, part{c.from * c.from * c.u, true})
	} else if l := f.s.limit; l != nil {
		parts = append(parts, part{(l.from*l.from - l.to*l.to) * l.u, true})
	}
	parts = append(parts, part{f.edgesU(b.t, func(p *pulse) float64 { return p.peak * p.peak }), true})
	if b.t >= f.s.end && f.s.flowing() {
		parts = append(parts, part{level * level * f.s.endU, true}) // the current flows on when the watch ends
	}
	if factor > 1 {
		// Inductance and source resistance round a real waveform: the stated one is its limit.
		parts = append(parts, part{0.03 * v, true})
	}
	v *= factor
	u := expand(parts...) * factor
	if d.blind() && !d.coarse() && !d.averaged() {
		return unresolved(whyBlind)
	}
	bound, bwhy := f.boundOver(a, b)
	if d.coarse() || d.averaged() {
		return bounded(trace.AtLeast, v, u, why)
	}
	return bounded(bound, v, u, bwhy)
}

// edgesU is what the edges of the retry pulses before t add to the uncertainty of an integral whose
// integrand is height(p) during pulse p.
func (f *figures) edgesU(t float64, height func(*pulse) float64) float64 {
	var ss, sum float64
	for _, p := range f.s.retries {
		if p.on.t >= t {
			break
		}
		u := height(p) * math.Hypot(p.on.u, p.off.u)
		ss += u * u
		sum += u
	}
	// From nothing averages out to everything does.
	return math.Max(math.Sqrt(ss), sum/max(1, f.drift()))
}

// drift is over how many reading intervals the retries' edges wander from the first pulse to the last.
// Where the period is a whole number of intervals it is 0: every edge falls at the same place between
// two readings, and errors add up instead of averaging out.
func (f *figures) drift() float64 {
	n, dt := len(f.s.retries), f.d.interval()
	if n < 3 || dt <= 0 {
		return 0
	}
	first, last := f.s.retries[0].on, f.s.retries[n-1].on
	periods := (last.t - first.t) / float64(n-1) / dt
	return math.Abs(periods-math.Round(periods)) * float64(n-1)
}

// bounceU is the standard uncertainty of the on-time at closing where no bounce was seen: a contact
// bounces for a millisecond or so (common practice, no source), and what is faster than the readings
// falls between them.
func (f *figures) bounceU() float64 {
	switch n := f.s.p0.bounces; {
	case f.s.p0.inside:
		return 0
	case n > 0: // each make and break between two readings
		return f.d.interval() * math.Sqrt(2*float64(n)) / math.Sqrt(12)
	}
	return min(f.d.interval(), 1.5e-3) / 2 / math.Sqrt(3)
}

func (f *figures) heating() (trace.Figure, bool) {
	h, _ := f.get("hold_a2s")
	if !h.Bound.HasValue() {
		return unresolved(h.Why), true
	}
	t := f.s.watched()
	if t <= 0 {
		return unresolved("nothing was watched"), true
	}
	v := math.Sqrt(h.Value / t)
	u := 0.0
	if h.Value > 0 {
		u = v / 2 * math.Hypot(h.U/h.Value, f.holdU()/t)
	}
	return trace.Figure{Value: v, U: u, Bound: h.Bound, Why: h.Why}, true
}

func (f *figures) holdU() float64 {
	on, end := f.s.p0.on.u, f.s.endU
	switch {
	case f.d.set.Procedure.NoUpperState():
		// The load had to rise to the onset level first, and an averaged rippled one to its mean.
		if on = 0.5 / math.Sqrt(3); f.d.hidesRipple() {
			on *= 3
		}
	case f.d.rippled(f.s.p0) && f.s.endBy != byHold:
		on = math.Hypot(on, f.makeU())
	case f.s.endBy == byHold:
		// The hold is stated; what is uncertain is how long after the closing the current came.
		on, end = f.makeU(), 0
	}
	return expand(part{on, true}, part{end, f.s.endBy == byRemovalFall}, part{f.d.set.ClockUS / 2, false})
}

// makeU is the standard uncertainty of the time between the contact's closing and the onset: a bounce
// or a rise in the inductance, and with rectified or modulated outputs the rest of a dead time.
func (f *figures) makeU() float64 {
	dead := 0.5e-3 // a fraction of a millisecond: common practice, no source
	switch f.d.set.Waveform {
	case trace.FullWave:
		dead = 4e-3
	case trace.HalfWave:
		dead = 11e-3
	case trace.PWM:
		dead = 6e-3
	}
	return dead / math.Sqrt(3)
}

func (f *figures) hold() (trace.Figure, bool) {
	fig := exact(f.s.watched(), f.holdU())
	if f.s.p0.inside {
		fig.Bound, fig.Why = trace.AtLeast, "the trace begins inside the fault"
	}
	return fig, true
}

func (f *figures) charge() (trace.Figure, bool) {
	s, d := f.s, f.d
	part0 := s.endAt.minus(s.p0.on.at)
	t := f.spanOf(s.p0.on.at, s.endAt)
	mean := 0.0
	if t > 0 {
		mean = part0.q / t
	}
	noise := d.sigma
	if d.boxed() {
		noise *= 1.4 // told from few readings
	}
	parts := []part{
		{d.meanU(mean, int(t/max(d.interval(), 1e-9))) * t, true},
		{part0.q * d.rippleShare(), true},
		{noise * math.Sqrt(t*d.interval()), false},
	}
	level := s.p0.on.to
	if s.flowing() {
		level = s.lastFlow(level)
		parts = append(parts, part{level * s.endU, true})
	}
	switch {
	case !d.boxed():
		parts = append(parts, part{s.p0.on.to * s.p0.riseU, true}, part{s.p0.on.to * f.bounceU(), true},
			part{f.edgesU(s.end, func(p *pulse) float64 { return p.peak }), true})
		if c := s.cut; c != nil {
			parts = append(parts, part{c.from * c.u, true})
		}
	case s.flowing():
		// The windows hold all of the charge, edges or not; where the watch ends is what is uncertain.
		parts = append(parts, part{level * math.Hypot(s.p0.on.u, s.lastPulse().off.u), true})
	}
	if d.blind() {
		return unresolved(whyBlind), true
	}
	b, why := f.boundOver(s.p0.on.at, s.endAt)
	return bounded(b, part0.q, expand(parts...), why), true
}

// lastPulse is the pulse that came last in the watch.
func (s *story) lastPulse() *pulse {
	if n := len(s.retries); n > 0 {
		return s.retries[n-1]
	}
	return s.p0
}

// lastFlow is the level of the current at the end of the watch, where it flows; level where that is not
// known.
func (s *story) lastFlow(level float64) float64 {
	if p := s.lastPulse(); p.ended {
		return p.off.from
	}
	return level
}
