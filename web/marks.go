package web

import (
	"net/http"
	"strconv"

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
		US     *float64       `json:"u_s"`
		Strike bool           `json:"strike"`
		Reason string         `json:"reason"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	e := trace.MarkEdit{Kind: in.Kind, TS: in.TS, WasTS: in.WasTS, US: in.US, Reason: in.Reason}
	if in.Strike {
		if e.WasTS == nil {
			e.WasTS = in.TS
		}
		e.TS, e.US = nil, nil
	} else if e.TS == nil {
		return outOfRange("", "t_s: say when the mark is, in seconds from the onset")
	}
	done, err := s.oneDeriving(r)
	if err != nil {
		return err
	}
	defer done()
	if _, err := s.store.EditMark(r.Context(), id, e); err != nil {
		return err
	}
	return s.answerMarks(w, r, id)
}

// deleteEdit takes back what a person said of a mark.
func (s *Server) deleteEdit(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	edit, err := strconv.ParseInt(r.PathValue("edit"), 10, 64)
	if err != nil || edit < 1 {
		return malformed("the edits of a run tell theirs", "%q is no number of an edit", clip(r.PathValue("edit")))
	}
	done, err := s.oneDeriving(r)
	if err != nil {
		return err
	}
	defer done()
	if err := s.store.TakeBackEdit(r.Context(), id, edit); err != nil {
		return err
	}
	return s.answerMarks(w, r, id)
}

// answerMarks answers with what a run's marks and figures are now.
func (s *Server) answerMarks(w http.ResponseWriter, r *http.Request, id int64) error {
	run, err := s.store.Run(r.Context(), id)
	if err != nil {
		return err
	}
	d := run.Derivation
	s.writeJSON(w, r, http.StatusOK, struct {
		Run       int64            `json:"run"`
		Behaviour trace.Behaviour  `json:"behaviour"`
		Marks     []trace.Mark     `json:"marks"`
		Edits     []trace.MarkEdit `json:"edits"`
		Figures   trace.Figures    `json:"figures"`
		Warnings  []trace.Warning  `json:"warnings"`
	}{id, d.Behaviour, orNone(d.Marks), orNone(run.Edits), d.Figures, orNone(d.Warnings)})
	return nil
}
