package trip

import (
	"cmp"
	"slices"

	"letthrough/capture/trace"
)

// The IDs of the detector's own marks: one of a kind, and two for each retry.
const (
	idOnset = iota + 1
	idLimited
	idCutOff
	idRestored
	idRetries = 10
)

// marks tells the story as marks in order of time, in seconds on the samples' time base.
func (s *story) marks(d *Detector) []trace.Mark {
	var out []trace.Mark
	add := func(id int, k trace.MarkKind, t, u, level float64, provisional bool) {
		out = append(out, trace.Mark{ID: id, Kind: k, T: d.abs(t), U: u, Level: level, By: trace.Detector, Provisional: provisional})
	}
	byHand := func(m *handMark) {
		if last := &out[len(out)-1]; m != nil {
			last.By, last.Text = trace.Hand, m.edit.Reason
		}
	}
	edgeU := func(e *edge) float64 { return expand(part{e.u, true}, part{d.set.ClockUS / 2, false}) }
	if d.noted() {
		edgeU = d.notedU
	}
	for _, m := range d.out.marks {
		m.T = d.abs(m.T)
		out = append(out, m)
	}
	if s.begun {
		p := s.p0
		if !p.inside {
			add(idOnset, trace.Onset, p.on.t, edgeU(&p.on), 0, !p.onFinal)
			byHand(p.on.hand)
		}
		if s.limit != nil && s.limit.t <= s.end {
			add(idLimited, trace.Limited, s.limit.t, edgeU(s.limit), s.limit.to, false)
			byHand(s.limit.hand)
		}
		if s.cut != nil {
			add(idCutOff, trace.CutOff, s.cut.t, edgeU(s.cut), 0, s.provisonal && len(s.retries) == 0)
			byHand(s.cut.hand)
		}
		for i, p := range s.retries {
			last := i == len(s.retries)-1
			add(idRetries+2*i, trace.RetryOn, p.on.t, edgeU(&p.on), p.peak, !p.onFinal)
			byHand(p.on.hand)
			if s.whole(p) {
				add(idRetries+2*i+1, trace.RetryOff, p.off.t, edgeU(&p.off), 0, s.provisonal && last)
				byHand(p.off.hand)
			}
		}
		if t, u, ok := d.restored(s); ok {
			add(idRestored, trace.Restored, t, 2*u, 0, false)
			byHand(d.hand.placed(trace.Restored))
		}
	}
	slices.SortStableFunc(out, func(a, b trace.Mark) int { return cmp.Compare(a.T, b.T) })
	return out
}

// handS is the least time in which a hand closes a contact once more (common practice, no source).
const handS = 0.2

// restored finds the output's return after the removal: on the voltage channel, or because the
// contact was closed once more and current flows again at the fault's level.
func (d *Detector) restored(s *story) (t, u float64, ok bool) {
	t, u, ok = d.restoredItself(s)
	if m, told := d.hand.restored(d, t); told {
		if m == nil {
			return 0, 0, false
		}
		return m.t, m.edit.U() / 2, true
	}
	return t, u, ok
}

func (d *Detector) restoredItself(s *story) (t, u float64, ok bool) {
	if s.endBy == byTraceEnd {
		return 0, 0, false
	}
	if c, ok := d.volts.returned(s.end - removalS/2); ok && !d.volts.blinking(d) {
		return max(c.t, s.end), c.u, true
	}
	for _, p := range s.after {
		if d.aliased() || p.on.before < s.end+handS+2*d.averaging() {
			continue // a part of the ripple, or of the fall
		}
		if p.peak > s.p0.peak/2 {
			return p.on.t, p.on.u, true
		}
	}
	return 0, 0, false
}

// recovery says what the watch after the removal showed. Where nothing could have shown the output's
// return, or it was not watched, it is not tested.
func (d *Detector) recovery(s *story) trace.Recovery {
	if !s.begun || s.endBy == byTraceEnd {
		return trace.NotTested
	}
	if _, _, ok := d.restored(s); ok {
		return trace.ByItself
	}
	const watchS = 5 // s: a voltage that stays away that long does not come back by itself
	if d.volts.seen && d.volts.open > outputV && !d.volts.up && d.volts.prevT-s.end >= watchS {
		return trace.NeedsReset
	}
	return trace.NotTested
}
