package web

import (
	"math"
	"net/http"

	"letthrough/capture/trace"
)

// usedJSON says which readings the figures of a run rest on, times from its zero.
type usedJSON struct {
	Run     int64      `json:"run"`
	Figures trace.Uses `json:"figures"`
	// Changed are figures that the program now derives otherwise than they are stored: of those nobody can say.
	Changed []string `json:"changed"`
}

// getUsed reads a run again, with the settings of its current derivation, and says which readings each figure rests
// on. That is not stored: it would weigh more than the figures, and few ever ask.
func (s *Server) getUsed(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	if _, err := query(r); err != nil {
		return err
	}
	if s.opts.Explain == nil {
		return notFound("this program does not tell which readings a figure rests on")
	}
	run, err := s.store.Run(r.Context(), id)
	switch {
	case err != nil:
		return err
	case run.State == trace.RunOpen:
		return wrongState("wait until it has ended", "run %d is still open", id)
	}
	done, err := s.oneDeriving(r)
	if err != nil {
		return err
	}
	defer done()
	marks, err := s.store.OutsideMarks(r.Context(), id)
	if err != nil {
		return err
	}
	d, uses, err := s.opts.Explain(run.DerivedWith, marks, s.store.Batches(r.Context(), id))
	if err != nil {
		return err
	}
	out := usedJSON{Run: id, Figures: uses.Shifted(-run.ZeroS), Changed: []string{}}
	for _, f := range run.Derivation.Figures {
		if now, ok := d.Figures.Get(f.Key); !ok || !sameFigure(now, f) {
			out.Changed = append(out.Changed, f.Key)
			delete(out.Figures, f.Key)
		}
	}
	s.writeJSON(w, r, http.StatusOK, out)
	return nil
}

// sameFigure: the same number, as far as writing it down and reading it again leaves it.
func sameFigure(a, b trace.Figure) bool {
	return a.Bound == b.Bound && (!a.Bound.HasValue() || math.Abs(a.Value-b.Value) <= 1e-9*math.Abs(b.Value))
}
