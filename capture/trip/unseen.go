package trip

import "letthrough/capture/trace"

// cutShort: a hold was stated and the trace ended well before it did: the instrument went away, the
// power failed. What would still have come was not seen.
func (s *story) cutShort(d *Detector, final bool) bool {
	if !final || !s.begun || s.endBy != byTraceEnd {
		return false
	}
	end, ok := d.holdEnd()
	missing := end - d.now()
	return ok && missing > 1 && missing > 0.05*d.set.HoldS
}

const whyCutShort = "the readings end before the hold does"

// soften makes bounds of what goes on to the end of a hold whose end was not seen.
func (f *figures) soften(all trace.Figures) {
	for i, fig := range all {
		switch fig.Key {
		case "hold_s", "hold_a2s", "charge_c", "energy_j", "retry_count", "retry_peak_a", "carried_for_s":
			if fig.Bound == trace.Exact {
				all[i].Bound, all[i].Why = trace.AtLeast, whyCutShort
			}
		}
	}
}

// settleZero: a duration that is less than its own uncertainty is no exact nothing.
func settleZero(all trace.Figures) {
	for i, fig := range all {
		if fig.Key == "restored_after_s" && fig.Bound == trace.Exact && fig.Value <= fig.U {
			all[i].Bound, all[i].Value, all[i].Why = trace.AtMost, fig.Value+fig.U, "as soon as the readings show anything"
			all[i].U = 0
		}
	}
}

// whenShort gives the behaviour of a watch that the readings left early: a unit seen off for a part of
// the hold may yet have tried again.
func (s *story) whenShort(d *Detector, b trace.Behaviour) trace.Behaviour {
	if b == trace.Latching && s.watched() < d.set.HoldS/2 {
		return trace.BehaviourUnsure
	}
	return b
}

// unseenWarnings says what a trace in which nothing began may have hidden.
func (d *Detector) unseenWarnings(add func(code, format string, args ...any)) {
	if d.singles > 0 {
		add("single_reading", "%s above the onset level, and the next one did not confirm it: too short for an onset", plural(d.singles, "%d single reading stood", "%d single readings stood"))
	}
	if d.cad.slow() {
		add("slow", "the readings are %.2g s apart: what is shorter than that falls between them", d.interval())
	}
}
