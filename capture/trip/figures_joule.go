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
	if f.d.aliased() {
		return unresolved(whyBlind), true
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
		{f.made(2) * level * level * f.bounceU(), true},
		{v * d.squareShare(), true},
		{2 * rms * d.sigma * math.Sqrt(t*d.interval()), false},
	}
	if c := f.s.cut; c != nil && c.at.t <= b.t {
		parts = append(parts, part{c.from * c.from * f.stepU(c), true})
	} else if l := f.s.limit; l != nil {
		crest, u := 1.0, l.u
		if d.rippled(f.s.p0) {
			crest = 2 // it acts near a crest, whose square is twice the mean square
		}
		if b.t > l.after {
			u = f.stepU(l) // the readings on both sides of it are in the integral, wherever it is placed
		}
		parts = append(parts, part{crest * (l.from*l.from - l.to*l.to) * u, true})
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

// stepU is the standard uncertainty of an edge's place as far as it matters to an integral over it, s: of a fall
// between two readings where in the interval it lies, and of a rippled current nothing of the dead time before
// it would have come again, in which nothing flows.
func (f *figures) stepU(e *edge) float64 {
	if !f.d.rippled(f.s.p0) && !f.d.boxed() && e.to <= f.d.offLevel {
		return e.u
	}
	return min(e.u, f.d.interval()/math.Sqrt(12))
}

// edgesU is what the edges of the retry pulses before t add to the uncertainty of an integral whose
// integrand is height(p) during pulse p.
func (f *figures) edgesU(t float64, height func(*pulse) float64) float64 {
	sum, n := 0.0, 0
	for _, p := range f.s.retries {
		if p.on.t >= t {
			break
		}
		sum += height(p) * math.Hypot(p.on.u, p.off.u)
		n++
	}
	return sum * f.wander(n)
}

// wander is what is left of the error of an edge's place between two readings in the mean over n pulses.
// Where the period is a whole number of intervals every edge falls at the same place and nothing averages
// out; else the places step through the interval, and what is left follows from the Fourier series of a
// sawtooth (closed form). A unit's own period is not that steady: never less than of independent places.
func (f *figures) wander(n int) float64 {
	dt := f.d.interval()
	if n < 2 || dt <= 0 {
		return 1
	}
	first, last := f.s.retries[0].on, f.s.retries[n-1].on
	step, worst := (last.t-first.t)/float64(n-1)/dt, 0.0
	for _, slip := range []float64{-0.5, 0, 0.5} { // the ends are known to half an interval
		worst = max(worst, sawtoothMean(step+slip/float64(n-1), n))
	}
	return max(worst, 1/math.Sqrt(float64(n)))
}

// sawtoothMean is the standard deviation of the mean of n values of a sawtooth of random phase, so many
// periods apart, over that of one value.
func sawtoothMean(step float64, n int) float64 {
	var ss, weights float64
	for m := 1.0; m <= 16; m++ {
		share := 1.0
		if s := math.Sin(math.Pi * m * step); math.Abs(s) > 1e-9 {
			share = math.Sin(math.Pi*m*step*float64(n)) / (float64(n) * s)
		}
		ss += share * share / (m * m)
		weights += 1 / (m * m)
	}
	return math.Sqrt(ss / weights)
}

// made is the share of the state level, to the given power, at which a contact that closes at any phase of the
// ripple finds the current: root mean square over the phases, of a rectified sine (closed form), of pulses all or
// nothing.
func (f *figures) made(power int) float64 {
	d := f.d
	switch {
	case !d.rippled(f.s.p0):
		return 1
	case d.stepped():
		return math.Sqrt(d.onShare())
	case power == 1:
		return math.Sqrt(d.onShare() / 2)
	}
	return math.Sqrt(d.onShare() * 3 / 8)
}

// bounceU is the standard uncertainty of the on-time at closing where no bounce was seen: a contact
// bounces for a millisecond or so (common practice, no source), and what is faster than the readings
// falls between them.
func (f *figures) bounceU() float64 {
	switch n := f.s.p0.bounces; {
	case f.s.p0.inside:
		return 0
	case n > 0: // each make and break between two readings, and as many not seen
		return f.d.interval() * math.Sqrt(4*float64(n)) / math.Sqrt(12)
	}
	return min(1.5*f.d.interval(), 0.7e-3+0.2*f.d.interval()) / math.Sqrt(3) // of the contact that unseenMake draws
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
	on, end := f.s.p0.on.u, math.Hypot(f.s.endU, f.s.openU)
	switch {
	case f.d.set.Procedure == trace.Ramp && f.s.endBy != byHold:
		on = math.Hypot(on, f.rampLate()/1.65) // all of it one way
	case f.d.rippled(f.s.p0) && f.s.endBy != byHold:
		on = math.Hypot(on, f.makeU())
	case f.s.endBy == byHold:
		// The hold is stated; what is uncertain is how long after the closing the current came.
		on, end = f.makeU(), 0
	}
	return expand(part{on, true}, part{end, f.s.endBy == byRemovalFall}, part{f.d.set.ClockUS / 2, false})
}

// rampLate is how much later than a twentieth of the rated current the onset level of a rising load was
// reached: noise and display counts raise that level, and a meter that averages sees the mean of a ripple whose
// crest came there before.
func (f *figures) rampLate() float64 {
	d, on := f.d, f.s.p0.on.t
	least := 0.05 * d.set.RatedCurrentA
	half := max(0.5, 4*d.interval())
	first, second := meanOf(d.dec.within(on, on+half)), meanOf(d.dec.within(on+half, on+2*half))
	rate := max((second-first)/half, 0.02*d.set.RatedCurrentA, 1e-3) // A/s; a hand that pauses goes on within seconds
	level, crest := d.onLevel, 1.0
	if d.hidesRipple() || d.rippled(f.s.p0) {
		level, crest = 2*level, math.Pi // two readings in a row must have risen; half-wave, others less
	}
	return max(level-least/crest, 0)/rate + d.interval() + d.averaging()
}

// makeU is the standard uncertainty of the time between the contact's closing and the onset: a bounce
// or a rise in the inductance, and with rectified or modulated outputs the rest of a dead time.
func (f *figures) makeU() float64 {
	dead := usualBounceS
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
	if f.d.aliased() && f.s.endBy != byHold {
		return unresolved(whyBlind), true
	}
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
		parts = append(parts, part{s.p0.on.to * s.p0.riseU, true}, part{f.made(1) * s.p0.on.to * f.bounceU(), true},
			part{f.edgesU(s.end, func(p *pulse) float64 { return p.peak }), true})
		if c := s.cut; c != nil {
			parts = append(parts, part{c.from * f.stepU(c), true})
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
