package sim

import (
	"encoding/json"
	"math"

	"letthrough/capture/trace"
)

// Truth is what really happened in one test, from the physics steps and not from what an instrument
// read of them. Figures carry the figures' own keys; one that cannot apply is absent.
//
// onset and retry_on are the instants at which the current crosses halfway between the level before
// and the state level after (on a rippled output its peak; with an output capacitor the plateau, not
// the spike). cut_off, retry_off and limited are the instants at which it falls through half of what
// flowed when the protection element acted, or, where that was in the dead time of a ripple, the
// instant at which it acted. For ramp and steps the onset is the crossing of 5 % of the rated current.
type Truth struct {
	Unit      string
	Procedure trace.Procedure
	Behaviour trace.Behaviour
	Recovery  trace.Recovery
	Figures   map[string]float64
	Marks     []trace.Mark // T in seconds from the start of the recording, or on the clock of a Stand
}

// MarshalJSON writes one flat object: the figures' keys stand beside unit, procedure, behaviour,
// recovery and marks.
func (t Truth) MarshalJSON() ([]byte, error) {
	flat := map[string]any{
		"unit": t.Unit, "procedure": t.Procedure, "behaviour": t.Behaviour, "recovery": t.Recovery, "marks": t.Marks,
	}
	for key, v := range t.Figures {
		flat[key] = v
	}
	return json.Marshal(flat)
}

// Shifted moves every mark by dtS seconds; figures are durations and stay.
func (t Truth) Shifted(dtS float64) Truth {
	marks := make([]trace.Mark, len(t.Marks))
	for n, m := range t.Marks {
		m.T += dtS
		marks[n] = m
	}
	t.Marks = marks
	return t
}

// FirstMark finds the first mark of a kind.
func (t Truth) FirstMark(kind trace.MarkKind) (trace.Mark, bool) {
	return trace.Derivation{Marks: t.Marks}.FirstMark(kind)
}

// report makes the truth of the test so far.
func (t *tracker) report(c *circuit) Truth {
	f := figures{}
	out := Truth{Unit: c.unit.Plate.Name, Procedure: t.procedure, Recovery: t.recovery(),
		Marks: append([]trace.Mark(nil), t.marks...)}
	if math.IsNaN(t.onsetNS) {
		out.Behaviour, out.Figures = trace.None, f
		return out
	}
	sustained := t.sustained()
	out.Behaviour = t.behaviour(sustained)
	t.common(f, c, sustained)
	if out.Behaviour == trace.LimitedCurrent && !math.IsNaN(t.reached) {
		// An output that gives no more than this limits as soon as it has settled.
		f.set("time_to_limit_s", (t.reached-t.onsetNS)*1e-9)
		f.set("let_through_a2s", t.atReached.a2s)
	}
	switch t.procedure {
	case trace.Ramp:
		t.ramp(f)
	case trace.Steps:
		t.steps(f, c)
	case trace.Overload:
		f.set("load_current_a", sustained)
		f.set("time_to_trip_s", (t.ended()-t.onsetNS)*1e-9)
	case trace.Carry:
		f.set("carried_current_a", sustained)
		f.set("carried_for_s", (min(t.end(), nanAs(t.ended(), math.Inf(1)))-t.onsetNS)*1e-9)
	}
	if a, ok := f["trip_current_a"]; ok && t.ratedA > 0 {
		f.set("trip_times_rated", a/t.ratedA)
	}
	out.Figures = f
	return out
}

// figures takes only real numbers.
type figures map[string]float64

func (f figures) set(key string, v float64) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		f[key] = v
	}
}

func nanAs(v, instead float64) float64 {
	if math.IsNaN(v) {
		return instead
	}
	return v
}

// ended is the first cut-off or fall to a lower level, nanoseconds, NaN if there was none.
func (t *tracker) ended() float64 {
	if math.IsNaN(t.cutNS) {
		return t.limitNS
	}
	return min(t.cutNS, nanAs(t.limitNS, t.cutNS))
}

// end is the removal, or now while the contact is still closed.
func (t *tracker) end() float64 { return nanAs(t.removedNS, float64(t.nowNS)) }

// sustained is the median level from the settling to the cut-off or limit, amperes. A fault shorter
// than one bin has its mean.
func (t *tracker) sustained() float64 {
	if m, ok := median(t.faultBins.mean); ok {
		return m
	}
	return t.letThrough.coulomb / t.letThrough.seconds
}

func (t *tracker) behaviour(sustainedA float64) trace.Behaviour {
	acted := !math.IsNaN(t.ended())
	switch t.procedure {
	case trace.Ramp, trace.Steps:
		if acted {
			return trace.Tripped
		}
		return trace.NoTrip
	case trace.Carry:
		if acted {
			return trace.Tripped
		}
		return trace.Carried
	}
	switch {
	case !math.IsNaN(t.cutNS) && len(t.pulses) == 0:
		return trace.Latching
	case !math.IsNaN(t.cutNS):
		if t.retryPeriod() < 1 {
			return trace.Hiccup
		}
		return trace.AutoRetry
	case acted:
		return trace.FoldBack
	case t.ratedA > 0 && sustainedA <= 1.25*t.ratedA:
		return trace.LimitedCurrent
	}
	return trace.Sustained
}

// retryPeriod is the median time from try to try; with one try, from the cut-off to the try and
// through it, which tells a hiccup from a slow retry but is no figure.
func (t *tracker) retryPeriod() float64 {
	var gaps []float64
	for n := 1; n < len(t.pulses); n++ {
		gaps = append(gaps, (t.pulses[n].onNS-t.pulses[n-1].onNS)*1e-9)
	}
	if m, ok := median(gaps); ok {
		return m
	}
	p := t.pulses[0]
	return (nanAs(p.offNS, t.end()) - t.cutNS) * 1e-9
}

func (t *tracker) recovery() trace.Recovery {
	switch {
	case math.IsNaN(t.removedNS):
		return trace.NotTested
	case math.IsNaN(t.restored):
		return trace.NeedsReset // within the time watched: a slow thermal cut-out looks the same
	}
	return trace.ByItself
}

// common are the figures that every procedure shares.
func (t *tracker) common(f figures, c *circuit, sustainedA float64) {
	hold := (t.end() - t.onsetNS) * 1e-9
	f.set("peak_current_a", t.peakA)
	f.set("sustained_current_a", sustainedA)
	f.set("time_to_cutoff_s", (t.cutNS-t.onsetNS)*1e-9)
	f.set("time_to_limit_s", (t.limitNS-t.onsetNS)*1e-9)
	f.set("settled_within_s", max(t.settledNS-t.onsetNS, 0)*1e-9)
	f.set("bounce_count", float64(t.bounces))
	f.set("let_through_a2s", t.letThrough.a2s)
	f.set("hold_a2s", t.hold.a2s)
	f.set("hold_s", hold)
	f.set("heating_current_a", math.Sqrt(t.hold.a2s/hold))
	f.set("charge_c", t.hold.coulomb)
	f.set("energy_j", t.hold.joule)
	n := len(t.faultBins.mean)
	if m, ok := median(t.faultBins.mean[n-min(max(n/10, 3), n):]); ok {
		f.set("end_current_a", m)
	}
	f.set("form_factor", math.Sqrt(t.letThrough.a2s*t.letThrough.seconds)/t.letThrough.coulomb)
	if !math.IsNaN(t.ended()) {
		if m, ok := median(t.restBins.mean); ok {
			f.set("residual_current_a", m)
		}
	}
	if !math.IsNaN(t.cutNS) {
		t.retries(f)
	}
	if t.ratedA > 0 {
		f.set("peak_times_rated", t.peakA/t.ratedA)
		f.set("sustained_times_rated", sustainedA/t.ratedA)
	}
	if c.src.periodNS > 0 {
		f.set("ripple_hz", 1e9/c.src.periodNS)
	}
	f.set("open_volts", t.idleV.joule/t.idleV.seconds)
	f.set("restored_after_s", (t.restored-t.removedNS)*1e-9)
	if t.spike.seconds > 0 {
		f.set("spike_a2s", t.spike.a2s)
		f.set("spike_charge_c", t.spike.coulomb)
	}
	if (t.procedure == trace.Short || t.procedure == "") && c.element.Kind != CurrentLimit && sustainedA > 0 {
		source := c.unit.OpenV/sustainedA - c.rigOhm
		f.set("source_ohm", source)
		f.set("prospective_current_a", c.unit.OpenV/source)
	}
}

func (t *tracker) retries(f figures) {
	f.set("retry_count", float64(len(t.pulses)))
	var widths []float64
	peak := math.NaN()
	for _, p := range t.pulses {
		peak = max(nanAs(peak, 0), p.peakA)
		if !math.IsNaN(p.offNS) {
			widths = append(widths, (p.offNS-p.onNS)*1e-9)
		}
	}
	f.set("retry_peak_a", peak)
	width, ok := median(widths)
	if ok {
		f.set("retry_width_s", width)
	}
	if len(t.pulses) > 1 {
		f.set("retry_period_s", t.retryPeriod())
		if ok {
			f.set("retry_duty", width/t.retryPeriod())
		}
	}
}

// ramp: the level at the trip, carried on from the last bin by the slope of the last second.
func (t *tracker) ramp(f figures) {
	b := t.faultBins
	n := len(b.mean)
	if n < 4 {
		return
	}
	back := min(n-1, max(1, int(math.Round(1e9/b.widthNS))))
	slope := (b.mean[n-1] - b.mean[n-1-back]) / (float64(back) * b.widthNS)
	f.set("ramp_rate_a_per_s", slope*1e9)
	if !math.IsNaN(t.openedNS) {
		middle := b.startNS + (float64(n)-0.5)*b.widthNS
		f.set("trip_current_a", b.mean[n-1]+slope*(t.openedNS-middle))
	}
}

// steps: the highest stair held for its whole dwell and the stair on which the unit acted.
func (t *tracker) steps(f figures, c *circuit) {
	until := nanAs(t.openedNS, t.end())
	carried := math.NaN()
	for n, p := range c.load.points {
		from := t.closedNS + p.AtS*1e9
		to := t.end()
		if n+1 < len(c.load.points) {
			to = t.closedNS + c.load.points[n+1].AtS*1e9
		}
		level, ok := median(t.faultBins.between(from+2e6, min(to, until)))
		switch {
		case !ok || from >= until:
		case to <= until:
			carried = max(nanAs(carried, level), level)
		case !math.IsNaN(t.openedNS):
			f.set("tripped_current_a", level)
		}
	}
	f.set("carried_current_a", carried)
	if tripped, ok := f["tripped_current_a"]; ok {
		f.set("trip_current_a", (carried+tripped)/2)
	}
}
