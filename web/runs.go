package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// mostRuns is the largest page of a list.
const mostRuns = 1000

// known refuses a misspelt query parameter by name: a filter that is silently not applied shows the
// wrong runs.
func known(q url.Values, names ...string) error {
	for name, values := range q {
		if !slices.Contains(names, name) {
			return malformed("use "+strings.Join(names, ", "), "there is no parameter %q", clip(name))
		}
		if len(values) > 1 {
			return malformed("give it once", "%s: is given %d times", name, len(values))
		}
	}
	return nil
}

// query parses the parameters of a request, which net/http would take in part where they are broken.
func query(r *http.Request, names ...string) (url.Values, error) {
	q, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, malformed("", "the query cannot be read: %s", clip(err.Error()))
	}
	return q, known(q, names...)
}

// runsAsked reads what a list of runs is asked for; more are the parameters that it has beside those.
func runsAsked(r *http.Request, more ...string) (q url.Values, rq store.RunQuery, only assess.Verdict, err error) {
	q, err = query(r, append([]string{"unit", "procedure", "behaviour", "verdict", "state", "from", "to", "q", "sort", "limit", "after", "series"}, more...)...)
	if err == nil {
		rq, err = runQuery(q)
	}
	if err == nil {
		only, err = verdictAsked(q.Get("verdict"))
	}
	return q, rq, only, err
}

func (s *Server) getRuns(w http.ResponseWriter, r *http.Request) error {
	_, rq, only, err := runsAsked(r)
	if err != nil {
		return err
	}
	page, err := JudgedRuns(r.Context(), s.store, rq, only)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, page)
	return nil
}

func runQuery(q url.Values) (store.RunQuery, error) {
	rq := store.RunQuery{
		Unit: q.Get("unit"), Procedure: trace.Procedure(q.Get("procedure")), Behaviour: trace.Behaviour(q.Get("behaviour")),
		State: trace.RunState(q.Get("state")), Q: q.Get("q"), Sort: q.Get("sort"), After: q.Get("after"),
	}
	if rq.Procedure != "" && !slices.Contains(trace.Procedures, rq.Procedure) {
		return rq, outOfRange("use short, ramp, steps, overload or carry", "procedure: there is no procedure %q", clip(q.Get("procedure")))
	}
	if text := q.Get("series"); text != "" {
		id, err := strconv.ParseInt(text, 10, 64)
		if err != nil || id < 1 {
			return rq, malformed("", "series: %q is no number of a series", clip(text))
		}
		rq.Series = id
	}
	if text := q.Get("limit"); text != "" {
		n, err := strconv.Atoi(text)
		switch {
		case errors.Is(err, strconv.ErrSyntax):
			return rq, malformed("", "limit: %q is no whole number", clip(text))
		case err != nil || n < 1 || n > mostRuns:
			return rq, outOfRange("", "limit: %s is out of range, allowed is 1 to %d", clip(text), mostRuns)
		}
		rq.Limit = n
	}
	var err error
	if rq.From, err = instant("from", q.Get("from")); err != nil {
		return rq, err
	}
	rq.To, err = instant("to", q.Get("to"))
	return rq, err
}

// instant reads RFC 3339, or a date, which means its beginning here.
func instant(name, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, time.Local); err == nil {
		return t, nil
	}
	return time.Time{}, malformed("use 2026-03-01T18:30:00+01:00 or 2026-03-01; in an address + is written %2B",
		"%s: %q is no time", name, clip(text))
}

// runJSON is a stored run as `read --json` shows a trace, with what else is known of it. Its times
// are seconds from the onset, those of the settings too.
type runJSON struct {
	store.Run
	Settings          trace.Settings  `json:"settings"`
	Derivation        *struct{}       `json:"derivation,omitempty"` // its parts stand on their own here
	Procedure         trace.Procedure `json:"procedure"`
	Behaviour         trace.Behaviour `json:"behaviour"`
	ApparentBehaviour trace.Behaviour `json:"apparent_behaviour"`
	Recovery          trace.Recovery  `json:"recovery"`
	ZeroAt            string          `json:"zero_at"`
	Marks             []trace.Mark    `json:"marks"`
	Figures           trace.Figures   `json:"figures"`
	Warnings          []trace.Warning `json:"warnings"`
	// The same in words, as pages lay them out.
	Say   string       `json:"say"`
	Lines []words.Line `json:"lines"`
}

func runJSONOf(run store.Run) runJSON {
	d := run.Derivation
	return runJSON{
		Run: run, Settings: run.Settings.Shifted(-run.ZeroS),
		Procedure: run.Procedure, Behaviour: d.Behaviour, ApparentBehaviour: d.ApparentBehaviour, Recovery: d.Recovery,
		ZeroAt: "onset", Marks: orNone(d.Marks), Figures: d.Figures, Warnings: orNone(d.Warnings),
		Say: words.Behaviour(d.Behaviour), Lines: linesOf(d.Figures, run.DerivedWith),
	}
}

// orNone makes an empty list of none, since null is no list.
func orNone[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func (s *Server) getRun(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	return s.answerRun(w, r, id)
}

func (s *Server) answerRun(w http.ResponseWriter, r *http.Request, id int64) error {
	run, err := s.store.Run(r.Context(), id)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, runJSONOf(run))
	return nil
}

func (s *Server) patchRun(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	var in struct {
		Note *string `json:"note"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	if in.Note == nil {
		return malformed(`send {"note":"…"}; an empty one removes it`, "note: is missing")
	}
	if err := checkTexts(map[string]string{"note": *in.Note}, maxNote); err != nil {
		return err
	}
	if err := s.store.SetNote(r.Context(), id, *in.Note); err != nil {
		return err
	}
	return s.answerRun(w, r, id)
}

func (s *Server) deleteRun(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	if err := s.store.DeleteRun(r.Context(), id); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) postExclude(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	var in struct {
		Reason *string `json:"reason"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	switch {
	case in.Reason == nil:
		return malformed(`send {"reason":"…"}`, "reason: is missing")
	case strings.TrimSpace(*in.Reason) == "":
		return outOfRange("say why, so that others can follow", "reason: a run is not excluded without one")
	}
	if err := checkTexts(map[string]string{"reason": *in.Reason}, maxText); err != nil {
		return err
	}
	if err := s.store.Exclude(r.Context(), id, strings.TrimSpace(*in.Reason)); err != nil {
		return err
	}
	s.tellRun(r, id)
	return s.answerRun(w, r, id)
}

func (s *Server) postInclude(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	if err := readOptionalJSON(w, r, &struct{}{}); err != nil {
		return err
	}
	if err := s.store.Include(r.Context(), id); err != nil {
		return err
	}
	s.tellRun(r, id)
	return s.answerRun(w, r, id)
}

// tellRun tells live viewers that a stored run changed its state.
func (s *Server) tellRun(r *http.Request, id int64) {
	run, err := s.store.Run(r.Context(), id)
	if err != nil {
		return // the answer to the request says so
	}
	s.hub.post(runMessage{Type: "run", Run: id, State: run.State, Unit: &run.Plate, Procedure: run.Procedure,
		Started: run.Started.Format(rfc3339Milli)})
}

// derivedJSON is what other settings make of a run.
type derivedJSON struct {
	Run          int64          `json:"run"`
	Kept         bool           `json:"kept"`
	DerivationID *int64         `json:"derivation_id"`
	Settings     trace.Settings `json:"settings"`
	// ZeroS is where the zero of this derivation lies, from that of the run's current one.
	ZeroS   float64      `json:"zero_s"`
	Lines   []words.Line `json:"lines"`
	Changes []changeJSON `json:"changes"` // against the current derivation, in words
	Same    int          `json:"same"`    // figures that stay as they are
	trace.Derivation
}

func (s *Server) postDerive(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	var in struct {
		Settings json.RawMessage `json:"settings"`
		Keep     bool            `json:"keep"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	run, err := s.store.Run(r.Context(), id)
	switch {
	case err != nil:
		return err
	case run.State == trace.RunOpen:
		return wrongState("wait until it has ended", "run %d is still open", id)
	}
	// What somebody changed and kept stays changed: the current derivation is where the next one starts.
	set := run.DerivedWith.Shifted(-run.ZeroS)
	if len(in.Settings) > 0 {
		if err := decodeJSON(in.Settings, &set); err != nil {
			return err
		}
	}
	set = set.Shifted(run.ZeroS)
	set.MarkEdits = run.Settings.MarkEdits // those are said with a reason, elsewhere
	if err := set.Validate(); err != nil {
		return outOfRange("", "%s", err)
	}
	return s.derive(w, r, run, set, in.Keep)
}

// postChoose makes an older derivation of a run the current one again.
func (s *Server) postChoose(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	derivation, err := strconv.ParseInt(r.PathValue("derivation"), 10, 64)
	if err != nil || derivation < 1 {
		return malformed("the run tells its derivations", "%q is no number of a derivation", clip(r.PathValue("derivation")))
	}
	if err := readOptionalJSON(w, r, &struct{}{}); err != nil {
		return err
	}
	if err := s.store.ChooseDerivation(r.Context(), id, derivation); err != nil {
		return err
	}
	return s.answerRun(w, r, id)
}

// oneDeriving waits for its turn: reading a long run again takes a core for a moment, and a test may be
// running.
func (s *Server) oneDeriving(r *http.Request) (done func(), err error) {
	select {
	case s.deriving <- struct{}{}:
		return func() { <-s.deriving }, nil
	case <-r.Context().Done():
		return nil, r.Context().Err()
	}
}

func (s *Server) derive(w http.ResponseWriter, r *http.Request, run store.Run, set trace.Settings, keep bool) error {
	done, err := s.oneDeriving(r)
	if err != nil {
		return err
	}
	defer done()
	marks, err := s.store.OutsideMarks(r.Context(), run.ID)
	if err != nil {
		return err
	}
	d, err := s.opts.Derive(set, marks, s.store.Batches(r.Context(), run.ID))
	if err != nil {
		return err
	}
	out := derivedJSON{Run: run.ID, Kept: keep}
	if keep {
		made, err := s.store.AddDerivation(r.Context(), run.ID, set, d, s.opts.Version)
		if err != nil {
			return err
		}
		out.DerivationID = &made
		s.hub.post(rederivedOf(run.ID, d, set))
	}
	zero := run.ZeroS
	if m, ok := d.FirstMark(trace.Onset); ok {
		zero = m.T
	}
	out.Settings, out.Derivation, out.ZeroS = set.Shifted(-zero), d.Shifted(-zero, "onset"), zero-run.ZeroS
	out.Lines = linesOf(d.Figures, set)
	out.Changes, out.Same = changesOf(run.Derivation, run.DerivedWith, d, set)
	out.Marks, out.Warnings = orNone(out.Marks), orNone(out.Warnings)
	s.writeJSON(w, r, http.StatusOK, out)
	return nil
}
