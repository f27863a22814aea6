package web

import (
	"slices"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// marksTold bounds how many marks somebody who comes later is told at once: a run of many hours may
// have more, and the run's own page shows them all.
const marksTold = 400

// story is what has been told of the newest run, so that a page opened in the middle of it, or
// opened again after a break, is whole.
type story struct {
	run     *capture.Event
	zeroNS  int64
	onset   bool // zeroNS is the onset
	marks   []capture.Event
	figures *capture.Event
}

// take adds an event and gives the messages it makes.
func (s *story) take(e capture.Event) []any {
	var out []any
	switch e.Kind {
	case capture.EventRun:
		if s.run == nil || s.run.Run != e.Run {
			*s = story{zeroNS: e.OpenedNS}
		}
		s.run = &e
		s.setZero(e)
		return []any{s.runMessage()}
	case capture.EventGuard:
		return []any{guardMessage{"guard", e.Run, float64(e.AtNS) / 1e9, *e.Guard}}
	case capture.EventMark:
		if e.Mark == nil || !s.of(e) {
			return nil
		}
		if s.setZero(e) {
			out = append(out, s.runMessage())
		}
		s.keep(e)
		return append(out, markOf(e, s.zeroNS))
	case capture.EventFigures:
		if e.Figures == nil || !s.of(e) {
			return nil
		}
		if s.setZero(e) {
			out = append(out, s.runMessage())
		}
		s.figures = &e
		return append(out, figuresOf(e))
	}
	return nil
}

// of tells whether an event belongs to the run whose story this is. Only what was logged before the
// program's web part began can be otherwise.
func (s *story) of(e capture.Event) bool { return s.run != nil && s.run.Run == e.Run }

// setZero follows the run's zero and tells whether it has changed: the onset is new, has moved, or
// was withdrawn, so that the run counts from its opening again.
func (s *story) setZero(e capture.Event) bool {
	zero, onset := e.OpenedNS, e.ZeroNS != nil
	if onset {
		zero = *e.ZeroNS
	}
	if s.onset == onset && s.zeroNS == zero {
		return false
	}
	s.zeroNS, s.onset = zero, onset
	return true
}

// runMessage tells the run with the zero as it is now known.
func (s *story) runMessage() runMessage {
	e := *s.run
	if s.onset {
		e.ZeroNS = &s.zeroNS
	}
	return runOf(e)
}

// keep replaces the mark of the same number or adds it; a mark withdrawn is forgotten.
func (s *story) keep(e capture.Event) {
	i := slices.IndexFunc(s.marks, func(m capture.Event) bool { return m.Mark.ID == e.Mark.ID })
	switch {
	case i >= 0 && e.Mark.Withdrawn:
		s.marks = slices.Delete(s.marks, i, i+1)
	case i >= 0:
		s.marks[i] = e
	case !e.Mark.Withdrawn:
		s.marks = append(s.marks, e)
	}
	if len(s.marks) > marksTold {
		// The first marks, onset and cut-off, say what the unit did: the middle goes.
		s.marks = slices.Delete(s.marks, marksTold/4, marksTold/4+1)
	}
}

// whole gives the messages of the story so far: the run, its marks, its figures.
func (s *story) whole() []any {
	if s.run == nil || s.run.RunState != trace.RunOpen {
		return nil
	}
	return s.all()
}

// all gives them of a run that has ended, too.
func (s *story) all() []any {
	if s.run == nil {
		return nil
	}
	out := []any{s.runMessage()}
	for _, m := range s.marks {
		out = append(out, markOf(m, s.zeroNS))
	}
	if s.figures != nil {
		out = append(out, figuresOf(*s.figures))
	}
	return out
}
