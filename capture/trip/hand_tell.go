package trip

import (
	"slices"

	"letthrough/capture/trace"
)

// retell gives the pulses as a person says they were: retries moved, added, struck, and a fault that ended
// with a fall which was not the unit's.
func (h *hand) retell(d *Detector, pulses []*pulse) []*pulse {
	if len(h.said) == 0 {
		return pulses
	}
	for _, m := range h.said {
		m.told = false
	}
	out := []*pulse{h.firstPulse(d, pulses[0])}
	for i := 1; i < len(pulses); i++ {
		c := *pulses[i]
		if m := h.find(d, trace.RetryOn, c.on.t); m != nil {
			if m.told = true; m.struck() {
				continue
			}
			m.place(d, &c.on)
		}
		for c.ended {
			m := h.find(d, trace.RetryOff, c.off.t)
			if m == nil {
				break
			}
			if m.told = true; !m.struck() {
				m.place(d, &c.off)
				break
			}
			if i++; i >= len(pulses) {
				c.ended = false
				break
			}
			c.join(pulses[i])
		}
		out = append(out, &c)
	}
	return h.addRetries(d, out)
}

// join makes p last until q ends.
func (p *pulse) join(q *pulse) {
	p.off, p.ended, p.lowN = q.off, q.ended, q.lowN
	p.n += q.n
	p.peak, p.peakOver = max(p.peak, q.peak), p.peakOver || q.peakOver
}

// firstPulse is the fault as a person says it was.
func (h *hand) firstPulse(d *Detector, p0 *pulse) *pulse {
	c := *p0
	switch {
	case c.bridged: // the current never came back
		c.off, c.ended = h.fell, true
		m := h.find(d, trace.CutOff, c.off.t)
		c.opened = m != nil && m.struck()
	case c.ended && c.off.hand == nil:
		if m := h.find(d, trace.CutOff, c.off.t); m != nil && m.struck() { // too late to be confirmed
			m.told, c.opened = true, true
		}
	}
	if m := h.placed(trace.Limited); m != nil && d.fold.confirmed && m.t > c.on.t {
		c.last = d.lastTenth(&c, m.t)
	}
	return &c
}

// addRetries puts in the retries that a person added. They have no current of their own: they count, and
// last as long as the person says.
func (h *hand) addRetries(d *Detector, pulses []*pulse) []*pulse {
	for _, m := range h.said {
		if m.edit.Kind != trace.RetryOn || !m.added() || !pulses[0].ended || m.t <= pulses[0].off.t {
			continue
		}
		p := &pulse{onFinal: true}
		m.told = true
		m.place(d, &p.on)
		i, _ := slices.BinarySearchFunc(pulses, m.t, func(p *pulse, t float64) int {
			if p.on.t <= t {
				return -1
			}
			return 1
		})
		pulses = slices.Insert(pulses, i, p)
	}
	for _, m := range h.said {
		if m.edit.Kind != trace.RetryOff || !m.added() {
			continue
		}
		for i, p := range pulses[1:] {
			if p.on.t < m.t && (!p.ended || m.t < p.off.t) && (i+2 >= len(pulses) || m.t < pulses[i+2].on.t) {
				c := *p
				m.told = true
				m.place(d, &c.off)
				c.ended = true
				pulses[i+1] = &c
			}
		}
	}
	return pulses
}

// limit is the limitation as a person placed it.
func (h *hand) limit(d *Detector, e edge) edge {
	if m := h.find(d, trace.Limited, e.t); m != nil && !m.struck() {
		m.told = true
		m.place(d, &e)
	}
	return e
}

// endAtFall ends the watch with a struck cut-off after which the current never came back: what the unit
// would have done is not seen.
func (h *hand) endAtFall(s *story) {
	p := s.p0
	if !p.opened || s.removalOf != nil || p.off.t > s.end {
		return
	}
	s.removalOf, s.provisonal, s.shortEnd = p, false, false
	s.end, s.endAt, s.endBy, s.endU = p.off.t, p.off.at, byRemovalFall, p.off.u
}

// restored is what a person says of the output's return; told is false where nothing is said.
func (h *hand) restored(d *Detector, t float64) (at *handMark, told bool) {
	if m := h.placed(trace.Restored); m != nil {
		m.told = true
		return m, true
	}
	if m := h.find(d, trace.Restored, t); m != nil {
		m.told = true
		return nil, true
	}
	return nil, false
}

// standsOn names the figures that stand on a mark of each kind.
var standsOn = map[trace.MarkKind][]string{
	trace.Onset: {"time_to_cutoff_s", "time_to_trip_s", "time_to_limit_s", "hold_s", "let_through_a2s", "hold_a2s", "heating_current_a",
		"charge_c", "energy_j", "carried_for_s", "peak_current_a", "peak_times_rated", "sustained_current_a", "sustained_times_rated", "load_current_a", "settled_within_s"},
	trace.CutOff: {"time_to_cutoff_s", "time_to_trip_s", "time_to_limit_s", "let_through_a2s", "sustained_current_a", "sustained_times_rated", "load_current_a", "end_current_a",
		"residual_current_a", "trip_current_a", "trip_times_rated", "ramp_rate_a_per_s", "tripped_current_a", "carried_current_a", "carried_for_s", "retry_count", "retry_period_s"},
	trace.Limited:  {"time_to_limit_s", "time_to_cutoff_s", "let_through_a2s", "sustained_current_a", "sustained_times_rated", "end_current_a", "residual_current_a"},
	trace.RetryOn:  {"retry_count", "retry_period_s", "retry_width_s", "retry_duty", "retry_peak_a"},
	trace.RetryOff: {"retry_count", "retry_period_s", "retry_width_s", "retry_duty", "retry_peak_a"},
	trace.Restored: {"restored_after_s"},
}

// sign says on every figure that stands on a person's mark that a person did it.
func (h *hand) sign(all trace.Figures) {
	for _, m := range h.said {
		if !m.matched && !m.told {
			continue
		}
		for i, f := range all {
			if !slices.Contains(standsOn[m.edit.Kind], f.Key) || f.ByHand && f.Bound == trace.NotApplicable {
				continue
			}
			all[i].ByHand = true
			if f.Why != "" {
				all[i].Why += "; "
			}
			all[i].Why += m.says()
		}
	}
}

// warn says what was done by hand and why, and what no longer finds its mark.
func (h *hand) warn(add func(code, format string, args ...any)) {
	for _, m := range h.said {
		if m.matched || m.told {
			add("by_hand", "%s: %s", m.says(), m.edit.Reason)
		} else {
			add("by_hand_without_effect", "%s (%s), but with these settings there is none: it changes nothing", m.says(), m.edit.Reason)
		}
	}
}
