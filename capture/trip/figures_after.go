package trip

import (
	"fmt"
	"math"
	"slices"

	"letthrough/capture/trace"
)

func plural(n int, one, many string) string {
	if n == 1 {
		return fmt.Sprintf(one, n)
	}
	return fmt.Sprintf(many, n)
}

const noCut = "nothing was cut off"

func (f *figures) retryCount() (trace.Figure, bool) {
	s := f.s
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if s.cut == nil {
		return inapplicable(noCut), true
	}
	n := float64(len(s.retries))
	switch {
	case s.endAt.minus(s.cut.at).gap > 0 || s.cut.inGap:
		return bounded(trace.AtLeast, n, 0, "a gap may hide one"), true
	case f.d.coarse():
		return bounded(trace.AtLeast, n, 0, "short pulses fall between the readings"), true
	}
	return exact(n, 0), true
}

func (f *figures) retryPeriod() (trace.Figure, bool) {
	s, d := f.s, f.d
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if s.cut == nil {
		return inapplicable(noCut), true
	}
	if len(s.retries) < 2 {
		return inapplicable(plural(len(s.retries), "%d pulse has no period", "%d pulses have no period")), true
	}
	var spans []float64
	worst := 0.0
	for i := 1; i < len(s.retries); i++ {
		spans = append(spans, s.retries[i].on.t-s.retries[i-1].on.t)
		worst = max(worst, math.Hypot(s.retries[i].on.u, s.retries[i-1].on.u))
	}
	v, mean := f.usual(spans)
	if d.coarse() && v < 4*d.interval() {
		return unresolved("the readings are too slow to count the pulses"), true
	}
	ends := []part{{worst / math.Sqrt2, true}, {worst / math.Sqrt2, true}}
	if n := float64(len(spans)); mean { // the whole train over its number of periods: only its two ends count
		ends = []part{{s.retries[0].on.u / n, true}, {s.retries[len(spans)].on.u / n, true}}
	}
	return exact(v, expand(append(ends, part{d.set.ClockUS / 2, false})...)), true
}

// usual is the median of durations; where they differ by no more than the readings can tell apart, it
// is their mean, which the median of a few whole numbers of intervals only approaches.
func (f *figures) usual(spans []float64) (v float64, mean bool) {
	lo, hi := slices.Min(spans), slices.Max(spans)
	if hi-lo <= 2.5*f.d.interval() {
		return meanOf(spans), true
	}
	return medianOf(spans), false
}

func (f *figures) retryWidth() (trace.Figure, bool) {
	s, d := f.s, f.d
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if s.cut == nil || len(s.retries) == 0 {
		return inapplicable("it did not try again"), true
	}
	var widths []float64
	ss, longest, fewest := 0.0, 0.0, math.MaxInt
	for _, p := range s.retries {
		if !s.whole(p) {
			continue
		}
		widths = append(widths, p.off.t-p.on.t)
		ss += p.on.u*p.on.u + p.off.u*p.off.u
		longest = max(longest, p.off.after-p.on.before)
		fewest = min(fewest, p.n-p.lowN)
	}
	if len(widths) == 0 {
		return inapplicable("no pulse was seen to its end"), true
	}
	v, mean := f.usual(widths)
	u := math.Sqrt(ss / float64(len(widths)))
	if mean {
		u *= f.wander(len(widths))
	}
	u = expand(part{u, true})
	if fewest < fewReadings || (d.averaged() && v < 3*d.averaging()) {
		return bounded(trace.AtMost, longest, u, "too few readings in a pulse"), true
	}
	return exact(v, u), true
}

func (f *figures) retryPeak() (trace.Figure, bool) {
	s, d := f.s, f.d
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if s.cut == nil || len(s.retries) == 0 {
		return inapplicable("it did not try again"), true
	}
	var best *pulse
	for _, p := range s.retries {
		if best == nil || p.peak > best.peak {
			best = p
		}
	}
	top := best.crown
	for _, p := range s.retries {
		if p != best {
			top.join(&p.crown)
		}
	}
	fall := max(best.peak-best.peakNext, 0)
	v := best.peak - d.noiseExcess(top.near())
	u := expand(append(d.readingParts(v, d.peakNoise()), part{best.slack(d) / math.Sqrt(3), true}, d.hiddenNoise(v))...)
	switch {
	case best.peakOver:
		return bounded(trace.AtLeast, best.peak, u, "beyond the instrument's range"), true
	case d.averaged():
		return bounded(trace.AtLeast, v, u, "the meter averages over what is faster"), true
	case best.n-best.lowN < fewReadings:
		return bounded(trace.AtLeast, v, u, "too few readings in a pulse"), true
	case best.peakNo <= 3 && fall > 0.01*best.peak && fall > 3*d.sigma && !d.rippled(s.p0):
		return bounded(trace.AtLeast, v, u, "it falls from the first readings on"), true
	}
	return exact(v, u), true
}

func (f *figures) retryDuty() (trace.Figure, bool) {
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	w, _ := f.get("retry_width_s")
	p, _ := f.get("retry_period_s")
	if !w.Bound.HasValue() || p.Bound != trace.Exact || p.Value <= 0 {
		return inapplicable("it takes two pulses and a width"), true
	}
	v := w.Value / p.Value
	u := v * math.Hypot(w.U/max(w.Value, 1e-12), p.U/p.Value)
	return trace.Figure{Value: v, U: u, Bound: w.Bound, Why: w.Why}, true
}

func (f *figures) rippleHz() (trace.Figure, bool) {
	d := f.d
	if hz, u := d.ripple.hz(d.interval(), d.sigma, d.stepped()); hz > 0 {
		if !d.rippleSeen() {
			return unresolved("what is seen may be an alias of something faster"), true
		}
		// Where the crest sags by a share, the crossing moves on the wave by up to tan(asin(2/pi))/pi of it, in
		// periods (full-wave; half-wave less); while a load rises, by some tenths between the new levels.
		moved := 0.002 + 0.26*math.Abs(d.ripple.crest/d.ripple.base-1)
		switch d.set.Procedure {
		case trace.Ramp:
			moved = 0.4
		case trace.Steps:
			moved = 0.03
		}
		return exact(hz, expand(part{u, d.stepped()}, part{moved * hz / float64(d.ripple.crossed) / math.Sqrt(3), true})), true
	}
	if d.coarse() || d.choppy(f.s.p0) {
		return unresolved("the readings are too slow to see it"), true
	}
	return inapplicable("the plateau is smooth"), true
}

// statedFormFactor is rms over mean of the waveform where it follows from its name: pi/(2 sqrt 2)
// full-wave, pi/2 half-wave rectified sine (textbook, from memory; the inverse mean factors 0.90 and
// 0.64 stand in NEM 630, 1982).
func statedFormFactor(w trace.Waveform) (float64, bool) {
	switch w {
	case trace.DC:
		return 1, true
	case trace.FullWave:
		return math.Pi / (2 * math.Sqrt2), true
	case trace.HalfWave:
		return math.Pi / 2, true
	}
	return 0, false
}

func (f *figures) formFactor() (trace.Figure, bool) {
	d, s := f.d, f.s
	if f.unsure {
		return unresolved(whyUnsure), true
	}
	if d.averaged() && end0(s) < 3*d.averaging() {
		return unresolved("it lasted under three averaging times of the meter"), true
	}
	if d.coarse() || d.hidesRipple() {
		if ff, ok := statedFormFactor(d.set.Waveform); ok && d.averaging() > 0 {
			// A current that sags or is rounded by an inductance is off by some tenths of a per cent, a short
			// one by the contact's bounce too.
			u := ff * (0.004 + unseenMake(1)/2/max(end0(s), 1e-3))
			return trace.Figure{Value: ff, U: u, Bound: trace.Exact, Why: "from the stated waveform"}, true
		}
		return unresolved("the readings are too slow to see the waveform"), true
	}
	_, end := s.faultEnd()
	from := s.p0.on.at
	t := f.spanOf(from, end)
	q := end.minus(from).q
	if t <= 0 || q <= 0 {
		return unresolved("too few readings in the fault"), true
	}
	ff := math.Sqrt(f.squares(from, end)/t) / (q / t)
	u := ff * ((s.p0.on.u+d.interval())/10 + (s.p0.on.u+unseenMake(d.interval()))/2) / t
	if d.blind() {
		return unresolved(whyBlind), true
	}
	if d.ripple.period > 0 {
		u = ff * (d.ripple.period/t/10 + d.rippleShare()/2)
	}
	return exact(max(ff, 1), 2*u+2*ff*d.sigma*math.Sqrt(d.interval()/t)/(q/t)), true
}
