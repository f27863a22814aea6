package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/assess"
	"letthrough/capture/compare"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// Runs and traces side by side: where they come from, and what a page, a file or a program is told.

// Side is one run or trace to be set beside others. Times are seconds from its zero.
type Side struct {
	Run     compare.Run
	Started time.Time // time of day of its zero; zero: unknown
	Zero    time.Time
	FromS   float64
	ToS     float64
	// Columns gives its channels between two times (NaN: an open end) in at most n columns.
	Columns func(ctx context.Context, fromS, toS float64, n int) ([]SideChannel, error)
}

// SideChannel is one channel of a side.
type SideChannel struct {
	trace.Channel
	Unit string
	compare.Trace
}

// SidesStore is what setting stored runs side by side needs of the store; *store.DB satisfies it.
type SidesStore interface {
	AssessStore
	Run(ctx context.Context, id int64) (store.Run, error)
	Columns(ctx context.Context, id int64, fromS, toS float64, n int) ([]store.Columns, error)
}

var _ SidesStore = (*store.DB)(nil)

// StoredSides reads stored runs.
func StoredSides(ctx context.Context, st SidesStore, ids []int64) ([]Side, error) {
	judge, err := NewRunJudge(ctx, st)
	if err != nil {
		return nil, err
	}
	out := make([]Side, 0, len(ids))
	for _, id := range ids {
		run, err := st.Run(ctx, id)
		if errors.Is(err, store.ErrNotFound) {
			return nil, &fault{http.StatusNotFound, codeNotFound, fmt.Sprintf("there is no run %d; it may have been deleted", id), "choose other runs"}
		}
		if err != nil {
			return nil, err
		}
		out = append(out, storedSide(st, run, string(judge.Verdict(run.RunSummary))))
	}
	return out, nil
}

func storedSide(st SidesStore, run store.Run, verdict string) Side {
	s := Side{Run: compare.Run{
		ID: run.ID, Unit: run.Plate, Output: run.Output, Setting: run.Setting, Rig: run.Rig, State: run.State, Reason: run.Reason,
		Verdict: verdict, Version: run.Version, Counts: run.Counts, Settings: run.DerivedWith, Derivation: run.Derivation,
	}, Started: run.Started, Zero: run.Started.Add(time.Duration(run.ZeroS * float64(time.Second)))}
	s.Run.Derivation.Procedure = run.Procedure
	current := currentOf(run)
	for _, i := range run.Instruments {
		if i.Name == current.Instrument {
			s.Run.Instrument = strings.TrimSuffix(i.Name+", "+i.Format, ", ")
		}
	}
	for _, c := range run.Channels {
		s.FromS, s.ToS = min(s.FromS, c.FromS), max(s.ToS, c.ToS)
		if c.Channel == current && c.Samples > 1 && c.ToS > c.FromS {
			s.Run.RateHz = float64(c.Samples-1) / (c.ToS - c.FromS)
		}
	}
	s.Columns = func(ctx context.Context, fromS, toS float64, n int) ([]SideChannel, error) {
		cols, err := st.Columns(ctx, run.ID, fromS, toS, n)
		out := make([]SideChannel, len(cols))
		for i, c := range cols {
			out[i] = SideChannel{c.Channel, c.Unit, compare.Trace{T: c.T, Min: c.Min, Max: c.Max, Mean: c.Mean, Flags: c.Flags, Single: c.Single}}
		}
		// The current that the figures are of comes first.
		slices.SortStableFunc(out, func(a, b SideChannel) int { return cmp.Compare(btoi(b.Channel == current), btoi(a.Channel == current)) })
		return out, err
	}
	return s
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// currentOf is the channel whose current the figures are of.
func currentOf(run store.Run) trace.Channel {
	for _, c := range run.Channels {
		if c.Quantity == trace.Current && (run.DerivedWith.CurrentFrom == "" || c.Instrument == run.DerivedWith.CurrentFrom) {
			return c.Channel
		}
	}
	return trace.Channel{}
}

// Sides are runs set side by side and laid along one time axis.
type Sides struct {
	compare.Comparison
	Align  compare.Align
	Says   string // where it could not be aligned as asked
	sides  []Side
	shifts []float64
	at     []trace.MarkKind
}

// SideBySide compares and aligns.
func SideBySide(sides []Side, align compare.Align) (*Sides, error) {
	if align == "" {
		align = compare.AtOnset
	}
	runs := make([]compare.Run, len(sides))
	for i, s := range sides {
		runs[i] = s.Run
	}
	c, err := compare.New(runs)
	var wrong *compare.Error
	switch {
	case errors.As(err, &wrong) && wrong.Unlike:
		return nil, wrongState(wrong.Hint, "%s", wrong.Text)
	case errors.As(err, &wrong):
		return nil, outOfRange(wrong.Hint, "%s", wrong.Text)
	case err != nil:
		return nil, err
	case !slices.Contains(compare.Alignments, align):
		return nil, outOfRange("use onset, cut_off or clock", "align: there is no alignment %q", clip(string(align)))
	}
	s := &Sides{Comparison: c, Align: align, sides: sides}
	first := time.Time{}
	for i, one := range sides {
		if align == compare.AtClock && one.Zero.IsZero() {
			return nil, outOfRange("align at the onset or the cut-off", "nobody knows what time of day it was at the beginning of %s", c.Names[i])
		}
		if i == 0 || one.Zero.Before(first) {
			first = one.Zero
		}
	}
	for _, one := range sides {
		shift, at := compare.ShiftOf(align, one.Run.Derivation, one.Zero.Sub(first).Seconds())
		s.shifts, s.at = append(s.shifts, shift), append(s.at, at)
	}
	s.Says = compare.Misaligned(align, s.at, c.Names)
	return s, nil
}

// span is all that was recorded, in aligned seconds. What was kept from before tells little: a twentieth of
// the whole is room enough.
func (s *Sides) span() (from, to float64) {
	from, to = math.Inf(1), math.Inf(-1)
	for i, one := range s.sides {
		from, to = min(from, one.FromS+s.shifts[i]), max(to, one.ToS+s.shifts[i])
	}
	if !(to > from) {
		return 0, 1
	}
	if s.Align == compare.AtOnset && to > 0 {
		from = max(from, -0.05*to)
	}
	return from, to
}

// channelsOf reads one side's channels in aligned seconds; of a window that it does not reach it gives none.
func (s *Sides) channelsOf(ctx context.Context, i int, from, to float64, n int) ([]SideChannel, error) {
	shift := s.shifts[i]
	found, err := s.sides[i].Columns(ctx, from-shift, to-shift, n)
	for k := range found {
		found[k].Trace = found[k].Shifted(shift)
	}
	return found, err
}

// sideJSON is one run as GET /api/compare and the pages tell it. Times are aligned seconds.
type sideJSON struct {
	ID        int64           `json:"id"`
	Name      string          `json:"name"`
	Unit      trace.Unit      `json:"unit"`
	Output    string          `json:"output"`
	Setting   string          `json:"setting"`
	Rig       string          `json:"rig"`
	State     trace.RunState  `json:"state"`
	Started   *time.Time      `json:"started"`
	Verdict   string          `json:"verdict"`
	Behaviour trace.Behaviour `json:"behaviour"`
	RateHz    float64         `json:"rate_hz"`
	ShiftS    float64         `json:"shift_s"` // added to its own times
	AlignedAt trace.MarkKind  `json:"aligned_at"`
	FromS     float64         `json:"from_s"`
	ToS       float64         `json:"to_s"`
	Marks     []trace.Mark    `json:"marks"`
	Stretches []trace.Stretch `json:"stretches"`
	Channels  []channelJSON   `json:"channels"`
	Labels    []sideLabel     `json:"labels"`
}

// sideLabel is what is said on a trace.
type sideLabel struct {
	Kind  string  `json:"kind"` // length, peak, after
	FromS float64 `json:"from_s"`
	ToS   float64 `json:"to_s"`
	A     float64 `json:"a"`
	Text  string  `json:"text"`
}

type sideBand struct {
	compare.Band
	T    numbers `json:"t_s"`
	Min  numbers `json:"min"`
	Mean numbers `json:"mean"`
	Max  numbers `json:"max"`
}

// sidesJSON is the answer of GET /api/compare.
type sidesJSON struct {
	Align compare.Align `json:"align"`
	Says  string        `json:"says"`
	compare.Comparison
	Runs  []sideJSON `json:"runs"`
	Bands []sideBand `json:"bands"`
	FromS float64    `json:"from_s"`
	ToS   float64    `json:"to_s"`
}

// json reads what a window holds; NaN leaves an end open.
func (s *Sides) json(ctx context.Context, from, to float64, n int) (sidesJSON, error) {
	out := sidesJSON{Align: s.Align, Says: s.Says, Comparison: s.Comparison, Runs: []sideJSON{}, Bands: []sideBand{}}
	out.FromS, out.ToS = s.span()
	if math.IsNaN(from) {
		from = out.FromS
	}
	if math.IsNaN(to) {
		to = out.ToS
	}
	traces := make([]compare.Trace, len(s.sides))
	for i := range s.sides {
		j := s.side(i)
		found, err := s.channelsOf(ctx, i, from, to, n)
		if err != nil {
			return out, err
		}
		for _, c := range found {
			j.Channels = append(j.Channels, channelJSON{c.Channel, c.Unit, c.Single, c.T, c.Min, c.Max, c.Mean, c.Flags})
		}
		if len(found) > 0 && found[0].Quantity == trace.Current {
			traces[i] = found[0].Trace
		}
		out.Runs = append(out.Runs, j)
	}
	for i, e := range s.envelopes(traces, from, to, n) {
		out.Bands = append(out.Bands, sideBand{s.Bands[i], e.T, e.Min, e.Mean, e.Max})
	}
	return out, nil
}

// envelopes gives what each band holds in a window, in n columns, from the traces of all runs.
func (s *Sides) envelopes(traces []compare.Trace, from, to float64, n int) []compare.Envelope {
	var out []compare.Envelope
	for _, b := range s.Bands {
		var group []compare.Trace
		for _, i := range b.Runs {
			group = append(group, traces[i])
		}
		out = append(out, compare.EnvelopeOf(group, from, to, n))
	}
	return out
}

func (s *Sides) side(i int) sideJSON {
	one, r := s.sides[i], s.Runs()[i]
	shift := s.shifts[i]
	j := sideJSON{ID: r.ID, Name: r.Name, Unit: r.Unit, Output: r.Output, Setting: r.Setting, Rig: r.Rig, State: r.State, Verdict: r.Verdict,
		Behaviour: r.Derivation.Behaviour, RateHz: r.RateHz, ShiftS: shift, AlignedAt: s.at[i], FromS: one.FromS + shift, ToS: one.ToS + shift,
		Marks: []trace.Mark{}, Channels: []channelJSON{}}
	if !one.Started.IsZero() {
		j.Started = &one.Started
	}
	for _, m := range r.Derivation.Marks {
		if !m.Withdrawn {
			m.T += shift
			j.Marks = append(j.Marks, m)
		}
	}
	slices.SortStableFunc(j.Marks, func(a, b trace.Mark) int { return cmp.Compare(a.T, b.T) })
	j.Stretches = orNone(trace.Phases(j.Marks, j.FromS, j.ToS))
	j.Labels = sideLabels(r, j.Marks)
	return j
}

// sideLabels are the words on a trace, the most important first.
func sideLabels(r compare.Run, marks []trace.Mark) []sideLabel {
	out := []sideLabel{}
	onset, stop := math.NaN(), math.NaN()
	for _, m := range marks {
		switch {
		case m.Kind == trace.Onset && math.IsNaN(onset):
			onset = m.T
		case (m.Kind == trace.CutOff || m.Kind == trace.Limited) && math.IsNaN(stop):
			stop = m.T
		}
	}
	say := func(kind, key string) {
		f, ok := r.Derivation.Figures.Get(key)
		if text := words.Short(f, r.Settings); ok && text != "" && !math.IsNaN(onset) {
			l := sideLabel{Kind: kind, FromS: onset, ToS: onset, Text: text}
			if kind == "length" && !math.IsNaN(stop) {
				l.ToS = stop
			}
			if kind == "peak" {
				l.A = f.Value
			}
			out = append(out, l)
		}
	}
	for _, key := range []string{"time_to_limit_s", "time_to_cutoff_s", "time_to_trip_s"} {
		if say("length", key); len(out) > 0 {
			break
		}
	}
	for _, key := range []string{"trip_current_a", "carried_current_a", "peak_current_a"} {
		before := len(out)
		if say("peak", key); len(out) > before {
			break
		}
	}
	return append(out, sideLabel{Kind: "after", Text: words.Afterwards(r.Derivation, r.Settings)})
}

// runIDs reads the numbers of the runs asked for: 14,9.
func runIDs(q url.Values) ([]int64, error) {
	var out []int64
	for _, text := range strings.Split(q.Get("runs"), ",") {
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		id, err := strconv.ParseInt(text, 10, 64)
		if err != nil || id < 1 {
			return nil, malformed("give the numbers of two to six runs: runs=14,9", "runs: %q is no number of a run", clip(text))
		}
		out = append(out, id)
	}
	if err := compare.Check(len(out)); err != nil {
		var wrong *compare.Error
		errors.As(err, &wrong)
		return nil, outOfRange(wrong.Hint, "%s", wrong.Text)
	}
	return out, nil
}

func (s *Server) sidesAsked(r *http.Request, q url.Values) (*Sides, error) {
	ids, err := runIDs(q)
	if err != nil {
		return nil, err
	}
	sides, err := StoredSides(r.Context(), s.store, ids)
	if err != nil {
		return nil, err
	}
	return SideBySide(sides, compare.Align(q.Get("align")))
}

// getCompare answers with the table of differences and the aligned columns of a window.
func (s *Server) getCompare(w http.ResponseWriter, r *http.Request) error {
	q, err := query(r, "runs", "align", "from_s", "to_s", "columns")
	if err != nil {
		return err
	}
	from, to, n, err := windowAsked(q)
	if err != nil {
		return err
	}
	sides, err := s.sidesAsked(r, q)
	if err != nil {
		return err
	}
	answer, err := sides.json(r.Context(), from, to, n)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, answer)
	return nil
}

// verdictShape names the shape that stands before a verdict.
func verdictShape(v string) string {
	switch assess.Verdict(v) {
	case assess.Pass, assess.Caution, assess.Fail:
		return v
	}
	return "unknown"
}

// Told is what GET /api/compare answers, without the traces.
func (s *Sides) Told() any {
	out := sidesJSON{Align: s.Align, Says: s.Says, Comparison: s.Comparison, Runs: []sideJSON{}, Bands: []sideBand{}}
	out.FromS, out.ToS = s.span()
	for i := range s.sides {
		out.Runs = append(out.Runs, s.side(i))
	}
	for _, b := range s.Comparison.Bands {
		out.Bands = append(out.Bands, sideBand{Band: b, T: numbers{}, Min: numbers{}, Mean: numbers{}, Max: numbers{}})
	}
	return out
}

// Hint says what can be done about an error, where that is known.
func Hint(err error) string {
	var f *fault
	if errors.As(err, &f) {
		return f.hint
	}
	return ""
}
