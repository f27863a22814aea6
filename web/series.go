package web

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/store"
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
	s.writeJSON(w, r, http.StatusOK, seriesView{Series: one, Done: seriesDone(one, runs), Runs: orNone(runs)})
	return nil
}

// seriesDone counts the runs of a series that are some of those wanted.
func seriesDone(s trace.Series, runs []trace.SeriesRun) (done int) {
	for _, run := range runs {
		if s.Counts(run) {
			done++
		}
	}
	return done
}

// aboutSeries says how a series stands.
func aboutSeries(s trace.Series, runs []trace.SeriesRun) string {
	done := seriesDone(s, runs)
	switch s.State {
	case trace.SeriesStopped:
		return fmt.Sprintf("Series %d of %s was stopped after %d of %d: %s.", s.ID, s.Unit, done, s.N, s.Reason)
	case trace.SeriesComplete:
		return fmt.Sprintf("Series %d of %s: all %d runs are done.", s.ID, s.Unit, s.N)
	}
	return fmt.Sprintf("Series %d of %s goes on: %d of %d runs are done.", s.ID, s.Unit, done, s.N)
}

// seriesAsked reads which series the list of runs is to show, and says how that stands.
func (s *Server) seriesAsked(r *http.Request, q *store.RunQuery) (string, error) {
	text := r.URL.Query().Get("series")
	if text == "" {
		return "", nil
	}
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return "", malformed("", "series: %q is no number of a series", clip(text))
	}
	one, runs, err := s.store.Series(r.Context(), id)
	if err != nil {
		return "", err
	}
	q.Series = id
	return aboutSeries(one, runs), nil
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
