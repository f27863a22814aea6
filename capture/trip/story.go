package trip

import (
	"math"

	"letthrough/capture/trace"
)

// story is what the pulses mean, given the marks from outside.
type story struct {
	begun      bool   // there was an onset
	p0         *pulse // the fault
	retries    []*pulse
	cut        *edge // the first interruption by the unit
	limit      *edge
	end        float64 // the watch ended here, s since the first sample
	endAt      sums
	endBy      endBy
	endU       float64 // standard uncertainty of end
	openU      float64 // ... of how long before the current's fall the contact parted
	removalOf  *pulse  // the pulse that the removal ended, if one
	provisonal bool    // the last fall is not confirmed yet
	shortEnd   bool    // ... and never will be: the trace ends there
	after      []*pulse
	short      bool // the trace ended well before the stated hold
	asked      bool // the last fall waits for somebody to say whose it was
	early      bool // what the removal ended was read low before it already: whose the fall was, nobody saw
}

// endBy says what ended the watch.
type endBy uint8

const (
	byTraceEnd endBy = iota
	byHold
	byRemovalFall // the fall of the current when the short was removed
	byRemovedMark // a removed mark while no current flowed
)

const (
	removalS       = 1.0 // a fall this close to a removed mark is the removal
	drivenRemovalS = 0.1 // ... to the opening of a driven or sensed contact
)

// tell interprets the pulses. With final the trace has ended.
func (d *Detector) tell(final bool) *story {
	s := &story{}
	if len(d.pulses) == 0 || d.doubt || d.pulses[0].waits {
		return s
	}
	s.begun = true
	pulses := append([]*pulse(nil), d.pulses...)
	if last := pulses[len(pulses)-1]; d.state == on && !last.bridged && d.pendingFall(last, final) {
		c := *last
		c.off = d.offEdge(&c)
		c.ended = true
		pulses[len(pulses)-1] = &c
		s.provisonal, s.shortEnd = !final, final
	}
	pulses = d.hand.retell(d, pulses)
	s.p0 = pulses[0]
	if d.fold.confirmed {
		e := d.hand.limit(d, d.fold.edge)
		s.limit = &e
	}
	d.findEnd(s, pulses)
	d.hand.endAtFall(s)
	d.explainFinalFall(s, pulses)
	s.short = s.cutShort(d, final)
	if s.p0.ended && s.removalOf != s.p0 && s.p0.off.t <= s.end {
		s.cut = &s.p0.off
	}
	for _, p := range pulses[1:] {
		if p.on.t < s.end {
			s.retries = append(s.retries, p)
		} else {
			s.after = append(s.after, p)
		}
	}
	return s
}

// explainFinalFall deals with a last fall that no removed mark explains, in a run that was ended by
// hand: somebody may have opened the contact. Until that is answered it is nobody's.
func (d *Detector) explainFinalFall(s *story, pulses []*pulse) {
	ask := d.set.FinalFall
	if ask != trace.FallAsked && ask != trace.FallOpened || s.removalOf != nil || s.endBy == byRemovedMark {
		return
	}
	var last *pulse
	for _, p := range pulses {
		if p.on.t < s.end {
			last = p
		}
	}
	if last == nil || !last.ended || last.off.hand != nil || last.off.t > s.end || usualWidth(pulses[1:], last) {
		return
	}
	s.removalOf = last
	s.asked = ask == trace.FallAsked
	if !s.asked || last == pulses[0] {
		s.end, s.endAt, s.endBy, s.endU = last.off.t, last.off.at, byRemovalFall, last.off.u
	}
}

// pendingFall: the pulse is low and looks like an interruption, though not for the confirm time yet.
func (d *Detector) pendingFall(p *pulse, final bool) bool {
	if p.lowN == 0 || (!final && p.lowN < 2) {
		return false
	}
	if d.choppy(p) || d.ripple.period > 0 || p.lows > p.bounces {
		// A trough of the ripple is no interruption unless it is longer than any before.
		return d.now()-p.lowT > 1.5*p.lowest+d.interval()
	}
	return true
}

// findEnd finds the end of the watch: the removal, the end of the hold, or the end of the trace.
func (d *Detector) findEnd(s *story, pulses []*pulse) {
	s.end, s.endAt, s.endBy = d.now(), d.newest(), byTraceEnd
	within := removalS
	for _, r := range d.out.removed {
		if r.mark.T > s.p0.on.t-removalS {
			s.end, s.endAt, s.endBy, s.endU = r.mark.T, r.at, byRemovedMark, r.mark.U/2
			if r.mark.By == trace.Contact {
				within = max(drivenRemovalS, r.mark.U) // one that took its time says so
			}
			break
		}
	}
	// A hand that removes the short about when the hold ends does not make the hold less certain.
	if end, ok := d.holdEnd(); ok && end <= d.now() && (s.endBy == byTraceEnd || end < s.end+removalS && within == removalS || end < s.end) {
		if within == removalS || s.end > end+removalS {
			within = removalS
		}
		s.end, s.endBy, s.endU = end, byHold, s.p0.on.u
		s.endAt = d.holdSums(end)
	}
	if s.endBy == byTraceEnd {
		return
	}
	d.findRemovalFall(s, pulses, within)
}

// findRemovalFall: the current that flowed up to the removal falls within a second of it.
func (d *Detector) findRemovalFall(s *story, pulses []*pulse, within float64) {
	var last *pulse
	for _, p := range pulses {
		if p.on.t < s.end {
			last = p
		}
	}
	if last != nil {
		within = d.removalWithin(last, s.end, within)
	}
	if last == nil || !last.ended || last.off.hand != nil || last.off.t < s.end-within {
		return
	}
	if last.off.t > s.end+within {
		return // the current went on beyond the end of the watch
	}
	if last != pulses[0] && last.off.t < s.end && usualWidth(pulses[1:], last) {
		return // a retry that ended by itself, as those before it
	}
	s.removalOf, s.early = last, d.noted() && last.off.after+math.Sqrt2*d.set.StampUS < s.end
	if last.off.t < s.end && last != pulses[0] || s.endBy == byHold && last.off.t > s.end {
		return // the hold was watched whole
	}
	s.end, s.endAt, s.endBy, s.endU = last.off.t, last.off.at, byRemovalFall, last.off.u
	s.openU = d.interval() / math.Sqrt(12)
}

// usualWidth: a retry pulse lasted as long as the ones before it, within a tenth.
func usualWidth(retries []*pulse, p *pulse) bool {
	var widths []float64
	for _, q := range retries {
		if q != p && q.ended && q.on.t < p.on.t {
			widths = append(widths, q.off.t-q.on.t)
		}
	}
	if len(widths) == 0 {
		return false
	}
	w := medianOf(widths)
	slack := 0.1*w + (p.off.after - p.off.before) + (p.on.after - p.on.before)
	d := p.off.t - p.on.t - w
	return d < slack && d > -slack
}

// holdSums gives the sums at the end of the stated hold.
func (d *Detector) holdSums(end float64) sums {
	if d.out.holdAt == end && d.out.holdKept {
		return d.out.holdSum
	}
	s, _ := d.ring.sumsAt(end)
	return s
}

// watched is the time from the onset to the end of the watch, s.
func (s *story) watched() float64 { return max(s.end-s.p0.on.t, 0) }

// faultEnd is where the fault proper ended: limited, cut off, or the end of the watch.
func (s *story) faultEnd() (t float64, at sums) {
	switch {
	case s.limit != nil && s.limit.t <= s.end:
		return s.limit.t, s.limit.at
	case s.cut != nil:
		return s.cut.t, s.cut.at
	}
	return s.end, s.endAt
}

// whole tells whether a retry pulse was seen to its own end.
func (s *story) whole(p *pulse) bool {
	return p.ended && p != s.removalOf && p.off.t <= s.end
}

// flowing tells whether fault current flows at the end of the watch.
func (s *story) flowing() bool {
	last := s.p0
	if n := len(s.retries); n > 0 {
		last = s.retries[n-1]
	}
	return !s.whole(last)
}
