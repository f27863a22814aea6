package web

import (
	"net/http"
	"slices"
	"strconv"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
)

func (s *Server) getVerdict(w http.ResponseWriter, r *http.Request) error {
	unit, rules, err := s.unitAndRules(r)
	if err != nil {
		return err
	}
	v, err := AssessUnit(r.Context(), s.store, unit, rules)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, v)
	return nil
}

// unitAndRules are the unit of the address and the set of criteria that the query names, else the chosen one.
func (s *Server) unitAndRules(r *http.Request) (unit trace.Unit, rules Rules, err error) {
	id, err := idOf(r, "unit")
	if err != nil {
		return unit, rules, err
	}
	q, err := query(r, "criteria")
	if err != nil {
		return unit, rules, err
	}
	if unit, err = s.store.Unit(r.Context(), id); err != nil {
		return unit, rules, err
	}
	rules, err = RulesNamed(r.Context(), s.store, q.Get("criteria"))
	return unit, rules, err
}

// verdictAsked reads the filter of a list.
func verdictAsked(text string) (assess.Verdict, error) {
	v := assess.Verdict(text)
	if text != "" && !slices.Contains(assess.Verdicts, v) {
		return v, outOfRange("use pass, caution, not_determined or fail", "verdict: there is no verdict %q", clip(text))
	}
	return v, nil
}

func (s *Server) postRemark(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	var in struct {
		Output    string `json:"output"`
		Criterion string `json:"criterion"`
		Text      string `json:"text"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	if err := checkTexts(map[string]string{"output": in.Output, "criterion": in.Criterion}, maxWord); err != nil {
		return err
	}
	if err := checkTexts(map[string]string{"text": in.Text}, maxNote); err != nil {
		return err
	}
	kept, err := s.store.AddRemark(r.Context(), store.Remark{UnitID: id, Output: in.Output, Criterion: in.Criterion, Text: in.Text})
	if err != nil {
		return err
	}
	w.Header().Set("Location", "/api/units/"+strconv.FormatInt(id, 10)+"/remarks/"+strconv.FormatInt(kept.ID, 10))
	s.writeJSON(w, r, http.StatusCreated, kept)
	return nil
}

func (s *Server) deleteRemark(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	remark, err := strconv.ParseInt(r.PathValue("remark"), 10, 64)
	if err != nil {
		return notFound("there is no remark %q", clip(r.PathValue("remark")))
	}
	if err := s.store.RemoveRemark(r.Context(), id, remark); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
