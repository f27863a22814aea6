package web

import (
	"cmp"
	"context"
	"fmt"
	"math"
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

// Small traces of the list: in pixels of their own box, one column of the store a pixel.
const (
	sparkWidth, sparkHeight = 120, 40
	sparkColumns            = 116
)

// runRow is one run of the list in the words a person reads.
type runRow struct {
	ID        int64
	Unit      string
	Plate     string
	When      string
	WhenFull  string
	Procedure trace.Procedure
	Test      string
	Did       string
	Long      words.Line
	Much      words.Line
	Let       words.Line
	Verdict   *verdictRow
	State     trace.RunState
	Reason    string
	Note      string
	Spark     spark
	Series    int64 // 0: of none
	Place     int
}

type verdictRow struct{ Shape, Say string }

type runsView struct {
	Rows  []runRow
	Count string
	// For the one who may import and back up.
	Operator   bool
	Names      []string // of the units
	Procedures []choice
	Ask        runsAsk
	Selects    []askSelect
	Heads      []runsHead
	Sorted     string // how the list is sorted, in words
	Next       string // address of the page with more runs
	None       bool   // there is no run at all
	Filtered   bool
	Series     string // how the series stands whose runs alone are shown
	Problem    string // why no run has a verdict
}

// runsAsk is what is asked for, as the fields hold it.
type runsAsk struct{ Q, From, To, Sort string }

type askSelect struct {
	Before, Label, Name, Now string
	Choices                  []choice
}

type runsHead struct{ Say, How, Href, Aria, Class string }

// choice is one of a list to choose from.
type choice struct{ Value, Say string }

// spark is a small trace as the points of a polyline.
type spark struct {
	Points string
	Rated  float64 // height of the rated line, negative where there is none
}

// runsData is what the script of the list needs.
type runsData struct {
	Chosen     []chosenRun                `json:"chosen,omitempty"` // by the address; else what the browser kept
	Procedures map[trace.Procedure]string `json:"procedures"`
}

type chosenRun struct {
	ID        int64           `json:"id"`
	Unit      string          `json:"unit"`
	Procedure trace.Procedure `json:"procedure"`
}

// runsShown is how many runs stand on one page of the list.
const runsShown = 50

func (s *Server) runsPage(w http.ResponseWriter, r *http.Request) error {
	q, rq, only, err := runsAsked(r, "chosen")
	if err != nil {
		return err
	}
	rq.Q, rq.Limit = strings.TrimSpace(rq.Q), runsShown
	about, err := s.seriesAsked(r, &rq)
	if err != nil {
		return err
	}
	page, err := JudgedRuns(r.Context(), s.store, rq, only)
	if err != nil {
		return err
	}
	units, err := s.store.Units(r.Context())
	if err != nil {
		return err
	}
	count, err := s.store.CountRuns(r.Context())
	if err != nil {
		return err
	}
	v := s.runsView(q, page, units, count)
	v.Operator, v.Series = roleOf(r) == roleOperator, about
	for _, run := range page.Runs {
		v.Rows = append(v.Rows, s.runRow(r.Context(), run, units))
	}
	script := "runs.js"
	if v.Operator {
		script = "runsoperator.js"
	}
	f := s.frameOf(r, "Runs", "/runs", script, false)
	f.Page = v
	f.Data = runsData{s.chosenRuns(r.Context(), q.Get("chosen")), wordsForPages().Procedures}
	return s.render(w, r, http.StatusOK, "runs", f)
}

// chosenRuns are those that the address names; what is gone is left out.
func (s *Server) chosenRuns(ctx context.Context, list string) []chosenRun {
	var out []chosenRun
	for _, text := range strings.Split(list, ",") {
		id, err := strconv.ParseInt(text, 10, 64)
		if err != nil || len(out) > 20 {
			continue
		}
		if run, err := s.store.Run(ctx, id); err == nil {
			out = append(out, chosenRun{run.ID, run.Unit, run.Procedure})
		}
	}
	return out
}

func (s *Server) runsView(q url.Values, page JudgedPage, units []trace.Unit, count store.RunCount) runsView {
	v := runsView{Ask: runsAsk{q.Get("q"), q.Get("from"), q.Get("to"), q.Get("sort")}, None: count.Runs == 0, Count: counting(count), Procedures: []choice{}}
	for _, name := range []string{"q", "from", "to", "unit", "procedure", "behaviour", "verdict", "state", "after"} {
		v.Filtered = v.Filtered || q.Get(name) != ""
	}
	if page.Next != nil {
		v.Next = runsAddress(q, "after", *page.Next)
	}
	for _, u := range units {
		v.Names = append(v.Names, u.Name)
	}
	for _, p := range trace.Procedures {
		v.Procedures = append(v.Procedures, choice{string(p), words.Procedure(p)})
	}
	if page.Problem != nil {
		v.Problem = asSentence("no run has a verdict: " + page.Problem.Error())
	}
	v.Selects = runsSelects(q, v.Names)
	v.Heads, v.Sorted = runsHeads(q)
	return v
}

func counting(c store.RunCount) string {
	if c.Runs == 0 {
		return ""
	}
	say := func(n int, one, many string) string {
		if n == 1 {
			return "1 " + one
		}
		return strconv.Itoa(n) + " " + many
	}
	return say(c.Runs, "run", "runs") + " of " + say(c.Units, "unit", "units") + "."
}

// runsSelects are the choices of what to show; together they read as a sentence.
func runsSelects(q url.Values, names []string) []askSelect {
	one := func(before, label, name, every string, choices []choice) askSelect {
		return askSelect{before, label, name, q.Get(name), append([]choice{{"", every}}, choices...)}
	}
	var tests, units, did, verdicts []choice
	for _, p := range trace.Procedures {
		tests = append(tests, choice{string(p), words.Procedure(p)})
	}
	for _, n := range names {
		units = append(units, choice{n, n})
	}
	for _, b := range []trace.Behaviour{trace.Latching, trace.AutoRetry, trace.Hiccup, trace.FoldBack, trace.LimitedCurrent, trace.Sustained,
		trace.Tripped, trace.NoTrip, trace.Carried, trace.BehaviourUnsure, trace.None} {
		did = append(did, choice{string(b), words.Behaviour(b)})
	}
	for _, verdict := range assess.Verdicts {
		verdicts = append(verdicts, choice{string(verdict), verdict.Say()})
	}
	states := []choice{{string(trace.RunComplete), "complete"}, {string(trace.RunInterrupted), "interrupted"}, {string(trace.RunExcluded), "excluded"}, {string(trace.RunOpen), "being recorded"}}
	out := []askSelect{
		one("", "Kind of test", "procedure", "every test", tests),
		one("of", "Unit", "unit", "every unit", units),
		one("that", "What it did", "behaviour", "did anything", did),
		one("with", "Verdict", "verdict", "any verdict", verdicts),
		one("in", "State", "state", "any state", states),
	}
	// A unit that is asked for but not kept any more is still asked for.
	if now := q.Get("unit"); now != "" && !slices.Contains(names, now) {
		out[1].Choices = append(out[1].Choices, choice{now, now})
	}
	return out
}

// runsAddress is the address of the list with one thing changed; a change begins at the first page.
func runsAddress(q url.Values, name, value string) string {
	out := url.Values{}
	for k := range q {
		if k != "after" && k != "chosen" && q.Get(k) != "" {
			out.Set(k, q.Get(k))
		}
	}
	out.Del(name)
	if value != "" {
		out.Set(name, value)
	}
	if len(out) == 0 {
		return "/runs"
	}
	return "/runs?" + out.Encode()
}

// runsHeads are the headings of the table: what it can be sorted by, and how it is.
func runsHeads(q url.Values) ([]runsHead, string) {
	now := q.Get("sort")
	if now == "" {
		now = "-started"
	}
	word, down := strings.CutPrefix(now, "-")
	sorted := "Sorted by " + word + "."
	var out []runsHead
	for _, h := range []struct{ say, word, first, up, down string }{
		{"Run", "started", "-started", "oldest", "newest"}, {"Unit", "unit", "unit", "A to Z", "Z to A"}, {"Trace", "", "", "", ""},
		{"Test, and what it did", "procedure", "procedure", "A to Z", "Z to A"},
		{"How long", "how_long", "-how_long", "shortest", "longest"}, {"How much", "how_much", "-how_much", "least", "most"},
		{"Let through", "let_through", "-let_through", "least", "most"}, {"Verdict", "", "", "", ""}, {"Note", "", "", "", ""},
	} {
		head := runsHead{Say: h.say}
		if h.word == "let_through" {
			head.Class = "col-let"
		}
		if h.word != "" {
			head.Href = runsAddress(q, "sort", h.first)
		}
		if h.word == word {
			head.How, head.Aria = "↑ "+h.up, "ascending"
			other := "-" + word
			if down {
				head.How, head.Aria, other = "↓ "+h.down, "descending", word
			}
			head.Href = runsAddress(q, "sort", other)
			sorted = "Sorted by " + strings.ToLower(h.say[:1]) + h.say[1:] + ", " + strings.TrimLeft(head.How, "↑↓ ") + " first."
		}
		out = append(out, head)
	}
	if store.FigureSort(word) != nil {
		sorted += " Within each kind of test the exact ones come first, in their order; then those of which only a bound is known, since a bound has no place among them; then those without."
	}
	return out, sorted
}

func (s *Server) runRow(ctx context.Context, run judgedRun, units []trace.Unit) runRow {
	row := runRow{
		ID: run.ID, Unit: run.Unit, When: run.Started.Format("2 Jan, 15:04"), WhenFull: run.Started.Format(time.RFC3339), Procedure: run.Procedure,
		Test: words.Procedure(run.Procedure), Did: words.Behaviour(run.Behaviour), State: run.State, Reason: run.Reason, Note: run.Note, Place: run.Place,
	}
	if run.Series != nil {
		row.Series = *run.Series
	}
	if run.Verdict != assess.NotApplicable {
		row.Verdict = &verdictRow{verdictShape(string(run.Verdict)), run.Verdict.Say()}
	}
	var rated float64
	for _, u := range units {
		if run.UnitID != nil && *run.UnitID == u.ID {
			row.Plate, rated = plate(u), u.RatedCurrentA
		}
	}
	set := trace.Settings{Procedure: run.Procedure, RatedCurrentA: rated}
	row.Long = firstLine(run.Figures, set, store.FigureSort("how_long")...)
	if row.Long.Value != "" && row.Long.More == "" && row.Long.Key != "carried_for_s" {
		row.Long.More = words.ToWhat(row.Long.Key)
	}
	row.Much = firstLine(run.Figures, set, store.FigureSort("how_much")...)
	row.Let = firstLine(run.Figures, set, store.FigureSort("let_through")...)
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
