package web

import (
	"net/http"
	"strings"

	"letthrough/capture"
	"letthrough/capture/trace"
)

// seriesView is a series with its runs.
type seriesView struct {
	trace.Series
	Done int               `json:"done"` // runs that count
	Runs []trace.SeriesRun `json:"runs"`
}

func (s *Server) getAllSeries(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	all, err := s.store.AllSeries(r.Context())
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, map[string][]trace.Series{"series": orNone(all)})
	return nil
}

func (s *Server) getSeries(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "series")
	if err != nil {
		return err
	}
	one, runs, err := s.store.Series(r.Context(), id)
	if err != nil {
		return err
	}
	v := seriesView{Series: one, Runs: orNone(runs)}
	for _, run := range runs {
		if one.Counts(run) {
			v.Done++
		}
	}
	s.writeJSON(w, r, http.StatusOK, v)
	return nil
}

// postSeries begins a series, goes on with one, or stops the one that is going on.
func (s *Server) postSeries(w http.ResponseWriter, r *http.Request) error {
	if !s.bench.HasContact() {
		return wrongState("hang a contact on a port: serve --contact PORT, or on the page Instruments", "no contact is configured, so nothing repeats by itself")
	}
	var in struct {
		armBody
		Do    string   `json:"do"` // begin, resume, stop; empty: begin
		ID    int64    `json:"id"`
		N     int      `json:"n"`
		RestS *float64 `json:"rest_s"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	switch in.Do {
	case "stop":
		return s.did(w, r, contactFault(s.bench.StopSeries()))
	case "resume":
		return s.resumeSeries(w, r, in.ID)
	case "", "begin":
	default:
		return outOfRange("use begin, resume or stop", "do: a series cannot %q", clip(in.Do))
	}
	if in.N == 0 {
		return malformed("say how often: {\"n\":5}", "n: is missing")
	}
	q, _, err := s.request(r, in.armBody)
	if err != nil {
		return err
	}
	if _, err := s.bench.StartSeries(capture.SeriesRequest{Arm: q, N: in.N, RestS: in.RestS}); err != nil {
		return contactFault(err)
	}
	return s.did(w, r, nil)
}

func (s *Server) resumeSeries(w http.ResponseWriter, r *http.Request, id int64) error {
	if id == 0 {
		return malformed("name the series: {\"do\":\"resume\",\"id\":3}", "id: is missing")
	}
	one, _, err := s.store.Series(r.Context(), id)
	if err != nil {
		return err
	}
	unit, err := s.resolve(r, unitRef{name: one.Unit})
	if err != nil {
		return err
	}
	return s.did(w, r, contactFault(s.bench.ResumeSeries(id, unit)))
}

func (s *Server) getCautions(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	return s.tellCautions(w, r)
}

// postCautions keeps that somebody has read the cautions for a rig.
func (s *Server) postCautions(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Rig *string `json:"rig"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	if in.Rig == nil {
		return malformed("name the rig, or \"\" for a bench without one", "rig: is missing")
	}
	if err := checkTexts(map[string]string{"rig": *in.Rig}, maxWord); err != nil {
		return err
	}
	name := strings.TrimSpace(*in.Rig)
	if err := s.store.CautionsRead(r.Context(), name); err != nil {
		return err
	}
	s.bench.CautionsRead(name)
	return s.tellCautions(w, r)
}

func (s *Server) tellCautions(w http.ResponseWriter, r *http.Request) error {
	read, err := s.store.CautionsReadFor(r.Context())
	if err == nil {
		s.writeJSON(w, r, http.StatusOK, map[string][]string{"read": orNone(read)})
	}
	return err
}
