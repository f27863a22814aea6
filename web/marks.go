package web

import (
	"net/http"

	"letthrough/capture/trace"
)

// postMarks keeps what a person says of a run's mark: added (t_s), moved (was_t_s and t_s) or struck
// (strike, with t_s or was_t_s). Times are seconds from the run's zero.
func (s *Server) postMarks(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	var in struct {
		Kind   trace.MarkKind `json:"kind"`
		TS     *float64       `json:"t_s"`
		WasTS  *float64       `json:"was_t_s"`
		Strike bool           `json:"strike"`
		Reason string         `json:"reason"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	e := trace.MarkEdit{Kind: in.Kind, TS: in.TS, WasTS: in.WasTS, Reason: in.Reason}
	if in.Strike {
		if e.WasTS == nil {
			e.WasTS = in.TS
		}
		e.TS = nil
	} else if e.TS == nil {
		return outOfRange("", "t_s: say when the mark is, in seconds from the onset")
	}
	if _, err := s.store.EditMark(r.Context(), id, e); err != nil {
		return err
	}
	run, err := s.store.Run(r.Context(), id)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Run   int64            `json:"run"`
		Marks []trace.Mark     `json:"marks"`
		Edits []trace.MarkEdit `json:"edits"`
	}{id, orNone(run.Derivation.Marks), orNone(run.Edits)})
	return nil
}
