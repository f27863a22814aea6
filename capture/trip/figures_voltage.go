package trip

import (
	"math"

	"letthrough/capture/trace"
)

func (f *figures) energy() (trace.Figure, bool) {
	s, d := f.s, f.d
	if !d.volts.seen {
		return trace.Figure{}, false
	}
	one := d.set.SkewUS == 0 // instrument, which reads both at the same instants
	switch {
	case d.coarse() || d.volts.coarse(d):
		return unresolved("a product needs both voltage and current at least 20 times a second, unaveraged"), true
	case f.unsmooth() && !one && max(d.interval(), d.volts.interval()) > f.period()/4:
		return unresolved("the output's ripple is faster than two instruments can be read together"), true
	}
	got, ok := d.volts.energy.between(s.p0.on.t, s.end)
	if !ok {
		return unresolved("voltage and current were not known together"), true
	}
	e, between := got.total, got.off.var2
	switch {
	case f.unsmooth() && one: // as with i² on a rippled plateau: chords cut its tops
		e, between = got.trap, math.Hypot(between, d.shareOver(s.end-s.p0.on.t)*got.trap)
	case f.unsmooth():
		between = got.off.alike
	}
	b, why := f.boundOver(s.p0.on.at, s.endAt)
	c, _ := f.get("charge_c")
	u := voltsU * math.Abs(e)
	if c.Value > 0 {
		u = math.Hypot(u, math.Abs(e)*c.U/c.Value)
	}
	return bounded(b, e, math.Hypot(u, 2*between), why), true
}

// unsmooth: the output is rippled, seen on either channel or stated.
func (f *figures) unsmooth() bool {
	w := f.d.set.Waveform
	return f.d.rippled(f.s.p0) || f.d.volts.touched || w != "" && w != trace.DC
}

// faultVolts is the voltage under fault: measured, the median between onset and cut-off.
func (f *figures) faultVolts() (float64, bool) {
	u := f.d.volts.under
	if !u.asked {
		end, _ := f.s.faultEnd()
		u = span{from: f.s.p0.on.t + f.d.interval(), to: end - f.d.interval()}
	}
	if !u.done {
		u.resolve(&f.d.volts.fault, f.d.volts.touched)
	}
	return u.volts, u.done && u.n >= fewReadings
}

func (f *figures) openVolts() (trace.Figure, bool) {
	v := &f.d.volts
	if !v.seen {
		return trace.Figure{}, false
	}
	open := v.before
	if len(v.changes) == 0 {
		open = v.openLevel()
	}
	if open == 0 || v.level.n < fewReadings {
		return unresolved("no voltage was read before the fault"), true
	}
	share, ok := f.openShare()
	if !ok {
		return unresolved("the readings fall at too few places of the output's ripple"), true
	}
	return exact(open, open*math.Hypot(voltsU, 2*share)), true
}

// voltsU is the expanded relative uncertainty of a voltage without a specification: common practice, no source.
const voltsU = 0.02

// shortestPWM is the period of a pulse-width modulated output that is not seen: some hundreds of hertz are
// usual in this trade (common practice, no source).
const shortestPWM = 1.0 / 250 // s

// openShare is the relative standard uncertainty of the mean open voltage of an output with ripple, as that of
// a mean current (shareOver): it depends on the places of the period at which the readings fall.
func (f *figures) openShare() (share float64, ok bool) {
	d, v, t := f.d, &f.d.volts, f.period()
	dt := v.interval()
	if !f.unsmooth() || t == 0 || dt == 0 || v.averaging(d) >= t {
		return 0, true
	}
	r, span := dt/t, max(f.s.p0.on.t-v.firstT, t)
	share = 0.4 * r * r
	if d.stepped() {
		share = r / math.Sqrt(6)
	}
	if d.set.Waveform == trace.PWM && !d.rippleSeen() {
		// Its frequency is not known, and may be locked to the readings.
		share = dt / shortestPWM / math.Sqrt(6)
	} else {
		share /= max(1, min(span/t, phasesOf(t, dt, span)))
	}
	return share, share < 0.25
}

// period is that of the output's ripple: seen, else of the stated waveform at 50 Hz; 0 where neither is known.
func (f *figures) period() float64 {
	if t := f.d.truePeriod(); t > 0 && f.d.rippleSeen() {
		return t
	}
	return map[trace.Waveform]float64{trace.FullWave: 0.01, trace.HalfWave: 0.02, trace.PWM: 0.02}[f.d.set.Waveform]
}

func (f *figures) sourceOhm() (trace.Figure, bool) {
	if !f.d.volts.seen {
		return trace.Figure{}, false
	}
	open, _ := f.get("open_volts")
	i, _ := f.get("sustained_current_a")
	under, ok := f.faultVolts()
	if f.d.coarse() && (f.behaviour == trace.FoldBack || f.behaviour == trace.LimitedCurrent) {
		return unresolved("the readings are too slow to see the current before it was limited"), true
	}
	if open.Bound != trace.Exact || i.Bound != trace.Exact || !ok || i.Value <= 0 {
		return unresolved("voltage before and under the fault and its current are needed"), true
	}
	r := (open.Value - under) / i.Value
	share, _ := f.openShare()
	fall := math.Hypot(open.U, under*math.Hypot(voltsU, 2*share)) / max(open.Value-under, 1e-9)
	return exact(r, math.Abs(r)*(fall+i.U/i.Value)), true
}

// mostThrough says what can have been let through at most where the readings were too few to see it: the square of
// the prospective current, measured or else stated, for the longest time that they allow.
func (f *figures) mostThrough() {
	t, _ := f.get("time_to_cutoff_s")
	i, _ := f.get("prospective_current_a")
	most, why := i.Value+i.U, "the square of the prospective current, for the longest time that the readings allow"
	if i.Bound != trace.Exact {
		most, why = f.d.set.ProspectiveA, "the square of the stated prospective current, for the longest time that the readings allow"
	}
	if t.Bound != trace.AtMost || most <= 0 {
		return
	}
	for k := range f.out {
		if fig := &f.out[k]; fig.Key == "let_through_a2s" && fig.Bound == trace.AtLeast && fig.Value <= most*most*t.Value {
			fig.Bound, fig.Value, fig.U, fig.Why = trace.AtMost, most*most*(t.Value+t.U), 0, why
		}
	}
}

func (f *figures) prospective() (trace.Figure, bool) {
	if !f.d.volts.seen {
		return trace.Figure{}, false
	}
	open, _ := f.get("open_volts")
	r, _ := f.get("source_ohm")
	if open.Bound != trace.Exact || r.Bound != trace.Exact || r.Value <= 0 {
		return unresolved("the source resistance is not known"), true
	}
	i := open.Value / r.Value
	return exact(i, i*(open.U/max(open.Value, 1e-9)+r.U/r.Value)), true
}

func (f *figures) restoredAfter() (trace.Figure, bool) {
	t, u, ok := f.d.restored(f.s)
	if !ok {
		return inapplicable("nothing shows the output's return"), true
	}
	parts := []part{{u, true}, {f.s.endU, false}, {f.d.set.SkewUS / 2, false}}
	if f.unsmooth() { // it may be back for most of a period before it rises
		parts = append(parts, part{f.period() / math.Sqrt(3), true})
	}
	return exact(max(t-f.s.end, 0), expand(parts...)), true
}
