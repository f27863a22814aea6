package trip

import (
	"math"
	"slices"

	"letthrough/capture/trace"
)

// maxUses bounds the stretches told of one figure: of a long train of retries the first ones say what the others
// would say too.
const maxUses = 400

// Used says which readings the figures of the whole trace rest on. It is asked after Finish. What is told are the
// stretches in which each figure's own function looks: the edges with the readings on either side of their
// 50 % instants, the plateau, the integral's two ends.
func (d *Detector) Used() trace.Uses {
	s := d.tell(true)
	out := trace.Uses{}
	if !s.begun {
		return out
	}
	f := &figures{d: d, s: s}
	f.behaviour = d.apparent(s)
	for _, fig := range f.all() {
		uses := usesOf[fig.Key]
		if !fig.Bound.HasValue() || uses == nil {
			continue
		}
		if d.noted() { // what a person noted is told from the readings around it, whatever the figure
			uses = (*figures).useWatch
		}
		told := uses(f)
		for i := range told {
			told[i].From, told[i].To = told[i].From+float64(d.t0)/1e9, told[i].To+float64(d.t0)/1e9
		}
		if len(told) > 0 {
			out[fig.Key] = told[:min(len(told), maxUses)]
		}
	}
	return out
}

// usesOf names, for each figure, which readings it rests on. Times are seconds since the first sample.
var usesOf map[string]func(*figures) []trace.Use

func init() {
	usesOf = map[string]func(*figures) []trace.Use{
		"time_to_cutoff_s":      (*figures).useUntilEnd,
		"time_to_trip_s":        (*figures).useUntilEnd,
		"carried_for_s":         (*figures).useUntilEnd,
		"time_to_limit_s":       (*figures).useUntilLimit,
		"peak_current_a":        (*figures).usePeak,
		"peak_times_rated":      (*figures).usePeak,
		"sustained_current_a":   (*figures).usePlateau,
		"load_current_a":        (*figures).usePlateau,
		"sustained_times_rated": (*figures).usePlateau,
		"end_current_a":         (*figures).useLastTenth,
		"residual_current_a":    (*figures).useResidual,
		"let_through_a2s":       (*figures).useFaultSum,
		"hold_a2s":              (*figures).useHoldSum,
		"heating_current_a":     (*figures).useHoldSum,
		"charge_c":              (*figures).useHoldSum,
		"energy_j":              (*figures).useEnergy,
		"hold_s":                (*figures).useHold,
		"spike_a2s":             (*figures).useSpike,
		"spike_charge_c":        (*figures).useSpike,
		"retry_count":           (*figures).useRetries,
		"retry_period_s":        (*figures).useRetryOnsets,
		"retry_width_s":         (*figures).useRetryEdges,
		"retry_duty":            (*figures).useRetryEdges,
		"retry_peak_a":          (*figures).useRetryPeaks,
		"settled_within_s":      (*figures).useBounce,
		"bounce_count":          (*figures).useBounce,
		"ripple_hz":             (*figures).useFaultCount,
		"form_factor":           (*figures).useFormFactor,
		"trip_current_a":        (*figures).useTrip,
		"trip_times_rated":      (*figures).useTrip,
		"ramp_rate_a_per_s":     (*figures).useSlope,
		"carried_current_a":     (*figures).useCarried,
		"tripped_current_a":     (*figures).useTripped,
		"open_volts":            (*figures).useOpenVolts,
		"source_ohm":            (*figures).useSource,
		"prospective_current_a": (*figures).useSource,
		"restored_after_s":      (*figures).useRestored,
	}
}

func use(as trace.UseKind, from, to float64) trace.Use {
	return trace.Use{As: as, Of: trace.Current, From: from, To: max(from, to)}
}

func edgeUse(e *edge) trace.Use { return use(trace.UseEdge, e.before, e.after) }

// endUse is where the watch ended: at the fall of the current, else at an instant that no reading tells.
func (f *figures) endUse() trace.Use {
	if p := f.s.removalOf; p != nil && p.ended && f.s.endBy == byRemovalFall {
		return edgeUse(&p.off)
	}
	return use(trace.UseEdge, f.s.end, f.s.end)
}

func (f *figures) useWatch() []trace.Use {
	return []trace.Use{use(trace.UseSum, f.s.p0.on.before, f.s.end)}
}

func (f *figures) useUntilEnd() []trace.Use {
	end := f.s.cut
	if f.d.set.Procedure == trace.Carry {
		end = f.s.tripOf()
	}
	if end == nil {
		return []trace.Use{edgeUse(&f.s.p0.on), f.endUse()}
	}
	return []trace.Use{edgeUse(&f.s.p0.on), edgeUse(end)}
}

func (f *figures) useUntilLimit() []trace.Use {
	p := f.s.p0
	if f.behaviour == trace.FoldBack && f.s.limit != nil {
		return []trace.Use{edgeUse(&p.on), edgeUse(f.s.limit)}
	}
	return []trace.Use{use(trace.UseCount, p.on.before, max(p.settledAt, p.steadyAt))}
}

// usePeak: the first on-interval, in which a limitation does not end it.
func (f *figures) usePeak() []trace.Use {
	p := f.s.p0
	end := f.s.end
	if p.ended {
		end = min(end, p.off.before)
	}
	return []trace.Use{use(trace.UseMost, p.on.after, end), use(trace.UsePeak, p.peakT, p.peakT)}
}

func (f *figures) usePlateau() []trace.Use {
	from, to := f.d.plateauSpan(f.s)
	return []trace.Use{use(trace.UseLevel, from, to)}
}

func (f *figures) useLastTenth() []trace.Use {
	d, s := f.d, f.s
	end := s.end
	switch {
	case s.limit != nil && s.limit.t <= s.end:
		end = s.limit.before
	case s.cut != nil:
		end = s.cut.before
	case s.endBy == byRemovalFall:
		end = s.p0.off.before
	}
	span := s.p0.last.span
	if s.cut == nil && (s.limit == nil || s.limit.t > s.end) {
		span = d.lastTenth(s.p0, end).span
	}
	return []trace.Use{use(trace.UseLevel, max(end-span, s.p0.on.t), end)}
}

// useResidual is what comes after the first cut-off or limitation, outside of the pulses.
func (f *figures) useResidual() []trace.Use {
	s := f.s
	if s.cut == nil {
		return []trace.Use{use(trace.UseLevel, f.d.fold.settled.t, s.end)}
	}
	var out []trace.Use
	from := s.cut.t + offConfirmS
	for _, p := range s.retries {
		if p.on.before > from {
			out = append(out, use(trace.UseLevel, from, p.on.before))
		}
		if !p.ended {
			return out
		}
		from = p.off.t + offConfirmS
	}
	if s.end > from {
		out = append(out, use(trace.UseLevel, from, s.end))
	}
	return out
}

func (f *figures) useFaultSum() []trace.Use {
	if f.behaviour == trace.LimitedCurrent { // the peak's square times the time until it limits
		return slices.Concat(f.usePeak(), f.useUntilLimit())
	}
	end, _ := f.s.faultEnd()
	return []trace.Use{use(trace.UseSum, f.s.p0.on.t, end)}
}

func (f *figures) useHoldSum() []trace.Use {
	return []trace.Use{use(trace.UseSum, f.s.p0.on.t, f.s.end)}
}

func (f *figures) useEnergy() []trace.Use {
	current, volts := use(trace.UseSum, f.s.p0.on.t, f.s.end), use(trace.UseSum, f.s.p0.on.t, f.s.end)
	volts.Of = trace.Voltage
	return []trace.Use{current, volts}
}

func (f *figures) useHold() []trace.Use {
	return []trace.Use{edgeUse(&f.s.p0.on), f.endUse()}
}

func (f *figures) useSpike() []trace.Use {
	return []trace.Use{use(trace.UseSum, f.s.p0.on.t, f.d.spike.end)}
}

func (f *figures) useRetries() []trace.Use {
	if len(f.s.retries) == 0 {
		return []trace.Use{use(trace.UseCount, f.s.cut.after, f.s.end)}
	}
	var out []trace.Use
	for _, p := range f.s.retries {
		end := f.s.end
		if p.ended {
			end = min(end, p.off.after)
		}
		out = append(out, use(trace.UseCount, p.on.before, end))
	}
	return out
}

func (f *figures) useRetryOnsets() (out []trace.Use) {
	for _, p := range f.s.retries {
		out = append(out, edgeUse(&p.on))
	}
	return out
}

func (f *figures) useRetryEdges() (out []trace.Use) {
	for _, p := range f.s.retries {
		if f.s.whole(p) {
			out = append(out, edgeUse(&p.on), edgeUse(&p.off))
		}
	}
	return out
}

func (f *figures) useRetryPeaks() (out []trace.Use) {
	var best *pulse
	for _, p := range f.s.retries {
		end := f.s.end
		if p.ended {
			end = min(end, p.off.before)
		}
		out = append(out, use(trace.UseMost, p.on.after, end))
		if best == nil || p.peak > best.peak {
			best = p
		}
	}
	if best != nil {
		out = slices.Insert(out, 0, use(trace.UsePeak, best.peakT, best.peakT))
	}
	return out
}

func (f *figures) useBounce() []trace.Use {
	return []trace.Use{use(trace.UseCount, f.s.p0.on.before, f.s.p0.settledAt)}
}

func (f *figures) useFaultCount() []trace.Use {
	end, _ := f.s.faultEnd()
	return []trace.Use{use(trace.UseCount, f.s.p0.on.t, end)}
}

// useFormFactor: one that follows from the stated waveform rests on no reading.
func (f *figures) useFormFactor() []trace.Use {
	if f.d.coarse() || f.d.hidesRipple() {
		return nil
	}
	end, _ := f.s.faultEnd()
	return []trace.Use{use(trace.UseSum, f.s.p0.on.t, end)}
}

func (f *figures) useTrip() []trace.Use {
	d, s := f.d, f.s
	if d.set.Procedure == trace.Steps && (s.tripOf() != nil || f.climb().found) {
		return slices.Concat(f.useCarried(), f.useTripped())
	}
	trip := s.tripOf()
	if trip == nil {
		return f.usePeak()
	}
	before := d.tripBefore(s.p0, trip)
	level := use(trace.UseLevel, max(before-tripLevelS, s.p0.on.t), before)
	return append([]trace.Use{level}, f.useSlope()...)
}

func (f *figures) useSlope() []trace.Use {
	trip := f.s.tripOf()
	if trip == nil {
		return nil
	}
	before := f.d.tripBefore(f.s.p0, trip)
	return []trace.Use{use(trace.UseSlope, max(before-tripSlopeS, f.s.p0.on.t), before), edgeUse(trip)}
}

func (f *figures) useCarried() []trace.Use {
	if f.d.set.Procedure == trace.Carry {
		return f.usePlateau()
	}
	return stairUse(f.climb().carried)
}

// useTripped is the stair that tripped; of one too brief to be a stair the readings just before the trip.
func (f *figures) useTripped() []trace.Use {
	c, trip := f.climb(), f.s.tripOf()
	if c.tripped.held() == 0 && c.tripped.n > 0 && trip != nil {
		before := f.d.tripBefore(f.s.p0, trip)
		return []trace.Use{use(trace.UseLevel, before-tripLevelS, before)}
	}
	return stairUse(c.tripped)
}

func stairUse(c stair) []trace.Use {
	if c.n == 0 {
		return nil
	}
	return []trace.Use{use(trace.UseLevel, c.from, c.to)}
}

// onVolts turns an instant into the stamp of a reading of the voltage, which may be averaged over another time.
func (d *Detector) onVolts(from, to float64) trace.Use {
	u := use(trace.UseLevel, from-d.lag+d.lagV, to-d.lag+d.lagV)
	u.Of = trace.Voltage
	return u
}

func (f *figures) useOpenVolts() []trace.Use {
	v := &f.d.volts
	end := v.prevT
	if len(v.changes) > 0 {
		end = v.changes[0].t
	}
	return []trace.Use{f.d.onVolts(v.firstT, end)}
}

func (f *figures) useSource() []trace.Use {
	under := f.d.volts.under
	if !under.asked {
		end, _ := f.s.faultEnd()
		under.from, under.to = f.s.p0.on.t+f.d.interval(), end-f.d.interval()
	}
	return slices.Concat(f.useOpenVolts(), []trace.Use{f.d.onVolts(under.from, under.to)}, f.usePlateau())
}

func (f *figures) useRestored() []trace.Use {
	d, s := f.d, f.s
	t, _, ok := d.restored(s)
	if !ok {
		return nil
	}
	out := []trace.Use{f.endUse()}
	for _, c := range d.volts.changes {
		if c.up && math.Abs(c.t-t) < 1e-9 {
			back := d.onVolts(c.t-d.volts.interval(), c.t+d.volts.interval())
			back.As = trace.UseEdge
			return append(out, back)
		}
	}
	for _, p := range s.after {
		if p.on.t == t {
			return append(out, edgeUse(&p.on))
		}
	}
	return out
}
