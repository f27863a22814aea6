package web

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// Small traces of the list: in pixels of their own box, one column of the store a pixel.
const (
	sparkWidth, sparkHeight = 120, 40
	sparkColumns            = 116
)

// runRow is one run of the list in the words a person reads.
type runRow struct {
	ID       int64
	Unit     string
	Plate    string
	When     string
	WhenFull string
	Test     string
	Did      string
	Long     words.Line
	Much     words.Line
	Let      words.Line
	State    trace.RunState
	Reason   string
	Note     string
	Spark    spark
}

type runsView struct {
	Rows  []runRow
	Units int
	// For the one who may import and back up.
	Operator   bool
	Names      []string // of the units
	Procedures []choice
	Query      string
	Next       string // address of the page with older runs
	First      bool
	Open       *int64 // the run being recorded
}

// choice is one of a list to choose from.
type choice struct{ Value, Say string }

// spark is a small trace as the points of a polyline.
type spark struct {
	Points string
	Rated  float64 // height of the rated line, negative where there is none
}

func (s *Server) runsPage(w http.ResponseWriter, r *http.Request) error {
	q := store.RunQuery{Q: strings.TrimSpace(r.URL.Query().Get("q")), Unit: r.URL.Query().Get("unit"), After: r.URL.Query().Get("after"), Limit: 50}
	page, err := s.store.Runs(r.Context(), q)
	if err != nil {
		return err
	}
	units, err := s.store.Units(r.Context())
	if err != nil {
		return err
	}
	v := runsView{Operator: roleOf(r) == roleOperator, Query: q.Q, First: q.After == "" && q.Q == "" && q.Unit == "", Units: len(units)}
	for _, run := range page.Runs {
		v.Rows = append(v.Rows, s.runRow(r.Context(), run, units))
	}
	if page.Next != nil {
		query := r.URL.Query()
		query.Set("after", *page.Next)
		v.Next = "/runs?" + query.Encode()
	}
	for _, u := range units {
		v.Names = append(v.Names, u.Name)
	}
	for _, p := range trace.Procedures {
		v.Procedures = append(v.Procedures, choice{string(p), words.Procedure(p)})
	}
	script := ""
	if v.Operator {
		script = "runs.js"
	}
	f := s.frameOf(r, "Runs", "/runs", script, false)
	f.Page = v
	return s.render(w, r, http.StatusOK, "runs", f)
}

func (s *Server) runRow(ctx context.Context, run store.RunSummary, units []trace.Unit) runRow {
	row := runRow{
		ID: run.ID, Unit: run.Unit, When: run.Started.Format("2 Jan, 15:04"), WhenFull: run.Started.Format(time.RFC3339),
		Test: words.Procedure(run.Procedure), Did: words.Behaviour(run.Behaviour), State: run.State, Reason: run.Reason, Note: run.Note,
	}
	var rated float64
	for _, u := range units {
		if run.UnitID != nil && *run.UnitID == u.ID {
			row.Plate, rated = plate(u), u.RatedCurrentA
		}
	}
	set := trace.Settings{Procedure: run.Procedure, RatedCurrentA: rated}
	row.Long = firstLine(run.Figures, set, "time_to_cutoff_s", "time_to_limit_s", "time_to_trip_s")
	row.Much = firstLine(run.Figures, set, "peak_current_a", "trip_current_a", "carried_current_a")
	row.Let = firstLine(run.Figures, set, "let_through_a2s")
	if cols, err := s.store.Columns(ctx, run.ID, math.NaN(), math.NaN(), sparkColumns); err == nil {
		row.Spark = sparkOf(cols, rated)
	}
	return row
}

// firstLine says the first of these figures that has a number.
func firstLine(fs trace.Figures, set trace.Settings, keys ...string) words.Line {
	for _, key := range keys {
		if f, ok := fs.Get(key); ok && f.Bound.HasValue() {
			return words.Sentence(f, set)
		}
	}
	return words.Line{}
}

// sparkOf draws the current of a run into a small box. Each fills its own row.
func sparkOf(channels []store.Columns, ratedA float64) spark {
	i := slices.IndexFunc(channels, func(c store.Columns) bool { return c.Quantity == trace.Current })
	if i < 0 || len(channels[i].T) == 0 {
		return spark{Rated: -1}
	}
	c := channels[i]
	from, to := c.T[0], c.T[len(c.T)-1]
	top := ratedA
	for _, v := range c.Max {
		if !math.IsInf(v, 0) {
			top = max(top, v)
		}
	}
	if !(to > from) || !(top > 0) {
		return spark{Rated: -1}
	}
	x := func(t float64) float64 { return 2 + (t-from)/(to-from)*(sparkWidth-4) }
	y := func(a float64) float64 {
		if math.IsInf(a, 0) || math.IsNaN(a) {
			a = top
		}
		return sparkHeight - 3 - max(0, a)/top*(sparkHeight-8)
	}
	var b strings.Builder
	for i, t := range c.T {
		first, last := c.Min[i], c.Max[i]
		if i > 0 && c.Max[i] < c.Max[i-1] { // on the way down
			first, last = last, first
		}
		fmt.Fprintf(&b, "%.1f,%.1f ", x(t), y(first))
		if first != last {
			fmt.Fprintf(&b, "%.1f,%.1f ", x(t), y(last))
		}
	}
	out := spark{Points: strings.TrimSpace(b.String()), Rated: -1}
	if ratedA > 0 {
		out.Rated = y(ratedA)
	}
	return out
}

// eventRow is one mark in the list of a stored run.
type eventRow struct {
	Time        string
	Say         string
	Asides      []string
	ByHand      bool
	Provisional bool
}

// eventRows lists marks in order of time.
func eventRows(marks []trace.Mark) []eventRow {
	marks = slices.Clone(marks)
	slices.SortStableFunc(marks, func(a, b trace.Mark) int { return cmp.Compare(a.T, b.T) })
	var rows []eventRow
	retry := 0
	for _, m := range marks {
		if m.Withdrawn {
			continue
		}
		row := eventRow{Time: eventTime(m.T), Say: words.Mark(m.Kind), ByHand: m.By == trace.Hand, Provisional: m.Provisional}
		if m.Kind == trace.RetryOn {
			retry++
		}
		if first, rest, ok := strings.Cut(row.Say, " "); ok && (m.Kind == trace.RetryOn || m.Kind == trace.RetryOff) {
			row.Say = first + " " + strconv.Itoa(retry) + " " + rest // "Retry on" of the sixth is "Retry 6 on"
		}
		if m.Text != "" {
			row.Asides = append(row.Asides, "“"+m.Text+"”")
		}
		if m.Level != 0 && !math.IsInf(m.Level, 0) {
			row.Asides = append(row.Asides, strconv.FormatFloat(m.Level, 'f', 2, 64)+" A")
		}
		switch m.By {
		case trace.Hand:
			row.Asides = append(row.Asides, "by hand")
		case trace.Contact:
			row.Asides = append(row.Asides, "by the contact")
		}
		rows = append(rows, row)
	}
	return rows
}

// eventTime writes seconds with a real minus sign; close to zero a millisecond matters.
func eventTime(t float64) string {
	digits := 2
	switch near := math.Abs(t); {
	case near < 0.0005:
		t = 0 // without the minus of a negative nothing
	case near < 0.1:
		digits = 3
	}
	return strings.ReplaceAll(strconv.FormatFloat(t, 'f', digits, 64), "-", "−") + " s"
}
