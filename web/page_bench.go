package web

import (
	"net/http"
	"slices"
	"strconv"

	"letthrough/capture"
	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// benchView is the first look at the Bench; from then on its script keeps it fresh.
type benchView struct {
	Idle      bool
	Title     string
	Under     string
	Units     []trace.Unit
	Waveforms []trace.Waveform
	// Procedures are the tests that can be armed.
	Procedures []trace.Procedure
	Chosen     int64 // the unit tested last
	Last       *runRow
	HoldS      float64
	State      capture.State
	Behaviour  string
	Lines      []words.Line
	Driven     bool // a contact that the program drives is configured
	Viewer     bool
	Hands      bool // an instrument takes typed readings
	Rigs       []string
	ChosenRig  string // of the run tested last
	Cautions   []string
	Replay     *replayView // what is shown is a replay and not the bench
}

type benchData struct {
	Option map[string]any `json:"option"`
	Words  pageWords      `json:"words"`
	Role   role           `json:"role"`
	// Rigs whose cautions somebody has read, and the newest series where that was stopped.
	CautionsRead []string       `json:"cautions_read"`
	Stopped      *stoppedSeries `json:"stopped_series"`
}

type stoppedSeries struct {
	ID   int64  `json:"id"`
	Rig  string `json:"rig"`
	Text string `json:"text"`
}

// defaultHoldS is common practice, no source.
const defaultHoldS = 30

func (s *Server) benchPage(w http.ResponseWriter, r *http.Request) error {
	units, err := s.store.Units(r.Context())
	if err != nil {
		return err
	}
	st := s.bench.State()
	v := benchView{
		Idle: st.Bench == "idle", Title: "Nothing armed yet", Under: "Three steps to a test. They stay done for the next one.",
		Units: units, Waveforms: trace.Waveforms, Procedures: trace.Procedures, HoldS: defaultHoldS, State: st,
		Driven: s.bench.HasContact(), Viewer: roleOf(r) != roleOperator,
	}
	v.Hands = slices.ContainsFunc(st.Instruments, func(in capture.InstrumentState) bool { return in.Format == "hand" })
	v.Chosen, v.Last = s.lastTested(r, units)
	if st.HoldS != nil {
		v.HoldS = *st.HoldS
	}
	if !v.Idle && st.Unit != nil {
		v.Title = st.Unit.Name
		v.Under = words.Procedure(st.Procedure) + ". Rated " + plate(*st.Unit) + "."
		v.Behaviour = words.BehaviourSoFar(st.Behaviour)
		v.Lines = linesOf(st.Figures, trace.Settings{Procedure: st.Procedure, RatedCurrentA: st.Unit.RatedCurrentA, HoldS: v.HoldS})
	}
	here := "/"
	if v.Replay, err = s.replayAsked(r); err != nil {
		return err
	}
	if v.Replay != nil { // nothing can be armed from it, and what the bench does is told above it
		here, v.Idle, v.Viewer, v.Hands = "/runs", false, true, false
		v.Title, v.Under, v.Behaviour, v.Lines = v.Replay.Title, "", "", nil
	}
	f := s.frameOf(r, "Bench", here, "bench.js", true)
	f.Mode = string(st.Bench)
	data := benchData{Option: chartOption(), Words: wordsForPages(), Role: roleOf(r)}
	if err := s.beforeTests(r, &v, &data); err != nil {
		return err
	}
	f.Page, f.Data = v, data
	return s.render(w, r, http.StatusOK, "bench", f)
}

// beforeTests adds what has to be known before a test: rigs, cautions, a series to go on with.
func (s *Server) beforeTests(r *http.Request, v *benchView, data *benchData) error {
	rigs, err := s.store.Rigs().All(r.Context())
	if err != nil {
		return err
	}
	for _, one := range rigs {
		v.Rigs = append(v.Rigs, one.Name)
	}
	v.Cautions = rig.Cautions
	if v.Last != nil {
		if last, err := s.store.Run(r.Context(), v.Last.ID); err == nil {
			v.ChosenRig = last.Rig
		}
	}
	if data.CautionsRead, err = s.store.CautionsReadFor(r.Context()); err != nil {
		return err
	}
	all, err := s.store.AllSeries(r.Context())
	if err != nil || len(all) == 0 || all[0].State != trace.SeriesStopped || !v.Driven {
		return err
	}
	last, runs, err := s.store.Series(r.Context(), all[0].ID)
	data.Stopped = &stoppedSeries{last.ID, last.Rig, aboutSeries(last, runs)}
	return err
}

// lastTested gives the newest run and its unit, which is what the Bench offers to test again; else the
// first unit of the list, or 0.
func (s *Server) lastTested(r *http.Request, units []trace.Unit) (unit int64, run *runRow) {
	if len(units) > 0 {
		unit = units[0].ID
	}
	page, err := s.store.Runs(r.Context(), store.RunQuery{Limit: 1})
	if err != nil || len(page.Runs) == 0 {
		return unit, nil // the list of runs will say what is wrong
	}
	last := page.Runs[0]
	for _, u := range units {
		if last.UnitID != nil && *last.UnitID == u.ID {
			unit = u.ID
		}
	}
	return unit, &runRow{ID: last.ID, Unit: last.Unit, Did: words.Behaviour(last.Behaviour)}
}

// replayView is a replay on a page that otherwise shows the bench.
type replayView struct {
	Run    int64
	Title  string
	Speeds []float64
}

// replayAsked is the replay that a page's address asks for; nil: none.
func (s *Server) replayAsked(r *http.Request) (*replayView, error) {
	text := r.URL.Query().Get("replay")
	if text == "" {
		return nil, nil
	}
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return nil, malformed("give a run's number", "replay: %q is no number of a run", clip(text))
	}
	run, err := s.store.Run(r.Context(), id)
	switch {
	case err != nil:
		return nil, err
	case run.State == trace.RunOpen:
		return nil, wrongState("see it live on the Bench", "run %d is still open", id)
	}
	return &replayView{id, run.Unit + ", run " + text, replaySpeeds}, nil
}
