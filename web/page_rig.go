package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// rigView is the page Rig: what every part between the terminals must stand, before anything is switched on.
type rigView struct {
	Operator   bool
	Ask        rigAsk
	Units      []option
	Rigs       []option
	Procedures []option
	UnitChosen bool
	RigChosen  bool
	Title      string
	Under      string
	Times      string // how far the procedure goes unless something else is typed; empty: it has no such number
	Answer     rig.Answer
	Shape      string
	Head, More string // the answer: its first sentence, and the rest
	Lying      drawing
	Upright    drawing
	Rows       []rigRow
	Whole      []rig.Problem // of the whole rig
	From       []fromRow
	Loads      loadsView
	Measured   *measuredView
	Ladder     ladderView
	Shelf      []shelfGroup
	Empty      bool // the shelf
	Bench      string
	List       string
	Cautions   []string
	parts      []trace.Part
}

// option is one of a select.
type option struct {
	Value, Say string
	Chosen     bool
}

// rigRow is one part in the table.
type rigRow struct {
	N, Place         int
	Name, Kind, Says string
	Must             string
	Also             []string
	Shape, Say, May  string
	Taken            string
	Problems         []rig.Problem
	Weak             bool
	First, Last      bool
}

// fromRow is one way to know the prospective current, with what it comes to.
type fromRow struct {
	Value, Say, Amps, Text string
	Chosen                 bool
	Problem                string
}

// loadsView is the forecast from two harmless loads.
type loadsView struct {
	Text   string // what it comes to; empty: nothing yet
	Keep   string // the loads as JSON, to be kept with the unit
	Kept   string // when what stands here was kept; empty: it is not
	ByOhms bool
}

// measuredView is what a short of this unit measured, beside what was forecast.
type measuredView struct {
	Run   int64
	When  string
	Lines []words.Line
	Text  string
}

func (s *Server) rigPage(w http.ResponseWriter, r *http.Request) error {
	return s.writeRig(w, r, "rig", "rig.js")
}

// rigListPage is the same on a sheet that goes to the bench.
func (s *Server) rigListPage(w http.ResponseWriter, r *http.Request) error {
	return s.writeRig(w, r, "riglist", "rigprint.js")
}

func (s *Server) writeRig(w http.ResponseWriter, r *http.Request, template, script string) error {
	v, err := s.rigViewOf(r)
	if err != nil {
		return err
	}
	f := s.frameOf(r, v.Title, "/rig", script, false)
	f.Page = v
	if template == "rig" {
		f.Data = rigData{roleOf(r), v.Ask.Rig, orNone(v.parts), partForms, v.Ask.Unit.ID}
	}
	return s.render(w, r, http.StatusOK, template, f)
}

// rigData is what the script needs to change a rig.
type rigData struct {
	Role  role         `json:"role"`
	Rig   trace.Rig    `json:"rig"`
	Parts []trace.Part `json:"parts"`
	Forms []partForm   `json:"forms"`
	Unit  int64        `json:"unit"`
}

func (s *Server) rigViewOf(r *http.Request) (*rigView, error) {
	ctx := r.Context()
	q, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, malformed("", "the address cannot be read: %s", clip(err.Error()))
	}
	units, err := s.store.Units(ctx)
	if err != nil {
		return nil, err
	}
	rigs, err := s.store.Rigs().All(ctx)
	if err != nil {
		return nil, err
	}
	last, _ := s.lastTested(r, units)
	ask, err := s.rigAskOf(ctx, q, units, rigs, last)
	if err != nil {
		return nil, err
	}
	v := &rigView{Operator: roleOf(r) == roleOperator, Ask: ask, UnitChosen: ask.Unit.ID != 0, RigChosen: ask.Rig.ID != 0, Cautions: rig.Cautions}
	for _, u := range units {
		v.Units = append(v.Units, option{strconv.FormatInt(u.ID, 10), u.Name + ", " + plate(u), u.ID == ask.Unit.ID})
	}
	for _, k := range rigs {
		v.Rigs = append(v.Rigs, option{strconv.FormatInt(k.ID, 10), k.Name, k.ID == ask.Rig.ID})
	}
	for _, p := range rigProcedures {
		v.Procedures = append(v.Procedures, option{string(p), words.Procedure(p), p == ask.Procedure})
	}
	if err := v.check(); err != nil {
		return nil, err
	}
	v.say()
	v.table()
	v.drawings()
	if v.Measured, err = s.measuredOf(ctx, ask); err != nil {
		return nil, err
	}
	if v.parts, err = s.store.Parts().All(ctx); err != nil {
		return nil, err
	}
	v.Empty = len(v.parts) == 0
	v.Shelf = shelfOf(v.parts)
	v.Ladder = ladderOf(&v.Ask, v.parts)
	v.Bench = "/?" + v.forBench().Encode()
	v.List = "/rig/list"
	if r.URL.RawQuery != "" {
		v.List += "?" + r.URL.Query().Encode()
	}
	return v, nil
}

// forBench is what the Bench needs to arm with the same.
func (v *rigView) forBench() url.Values {
	q := url.Values{}
	if v.UnitChosen {
		q.Set("unit", strconv.FormatInt(v.Ask.Unit.ID, 10))
	}
	if v.RigChosen {
		q.Set("rig", v.Ask.Rig.Name)
	}
	q.Set("procedure", string(v.Ask.Procedure))
	if v.Ask.HoldS > 0 { // else the Bench asks for the hold anew, when it arms
		q.Set("hold", plainNumber(v.Ask.HoldS))
	}
	return q
}

// test is what is asked, with the unit known by one of the choices.
func (a *rigAsk) test(source rig.Source) rig.Test {
	return rig.Test{Unit: a.Unit, Procedure: a.Procedure, HoldS: a.HoldS, Tested: a.Tested, Times: a.Times, Source: source}
}

// check works out the answer, and what every other choice of the current would come to.
func (v *rigView) check() error {
	a := &v.Ask
	v.From = nil
	choices := []string{fromLoads, fromAssumed, fromAmps, fromSource}
	if a.Tested {
		choices = append([]string{fromRun}, choices...)
	}
	for _, from := range choices {
		row := fromRow{Value: from, Chosen: from == a.From}
		source, problem := a.source(from)
		test := a.test(source)
		if problem != "" {
			test.Unit.RatedCurrentA, test.Source = 0, rig.Source{} // nothing is known then, and nothing is assumed in its place
		}
		answer, err := rig.Check(a.Rig, test)
		if err != nil {
			return outOfRange("", "%s", err)
		}
		row.fill(a, source, answer, problem)
		if row.Chosen {
			v.Answer = answer
			if problem != "" && a.Procedure == trace.Short {
				v.Answer.Text = "Not determined: the current that may flow is not known. " + problem
			}
		}
		v.From = append(v.From, row)
	}
	v.loads()
	return nil
}

// fill says a choice in words.
func (row *fromRow) fill(a *rigAsk, source rig.Source, answer rig.Answer, problem string) {
	switch row.Value {
	case fromRun:
		row.Say = "Measured, " + a.Known.From
	case fromLoads:
		row.Say = "Two harmless loads"
	case fromAssumed:
		times := source.AssumedTimes
		if times == 0 {
			times = rig.AssumedTimes
		}
		row.Say = "Taken as " + rig.Plain(times) + " × the rating"
	case fromAmps:
		row.Say = "Known from elsewhere, in amps"
	case fromSource:
		row.Say = "Known from elsewhere, the unit’s volts and ohms"
	}
	if problem != "" {
		row.Text = problem
		if row.Chosen {
			row.Problem = problem
		}
		return
	}
	p := answer.Prospective
	if a.Procedure != trace.Short {
		row.Text = "Counts for the ladder’s volts only: the load of this test sets the current."
		if row.Value == fromAssumed || row.Value == fromAmps {
			row.Text = "Does not count: the load of this test sets the current."
		}
		return
	}
	if p.CurrentA == nil {
		row.Text = p.Text
		return
	}
	row.Amps = rig.Amps(*p.CurrentA)
	if p.UA != nil {
		row.Amps = rig.PlusMinus(*p.CurrentA, *p.UA, "A")
	}
	row.Text = p.Text
	if row.Value == fromRun && a.Known.CurrentA > 0 && a.Known.OpenV == 0 {
		row.Text += " Its uncertainty is on top."
	}
	if a.Rig.ID != 0 {
		row.Text += " " + answer.Consequence()
	}
}

// loads says what the two loads come to, and whether that is kept.
func (v *rigView) loads() {
	a := &v.Ask
	v.Loads.ByOhms = a.Typed["by"] == "ohms"
	source, problem := a.source(fromLoads)
	if problem != "" {
		return
	}
	e, err := rig.FromTwoLoads(source.Loads[0], source.Loads[1])
	if err != nil {
		return
	}
	v.Loads.Text = e.Say()
	if keep, err := json.Marshal(source.Loads); err == nil {
		v.Loads.Keep = string(keep)
	}
	if f := a.Forecast; f != nil && slices.Equal(pointsOf(*f), source.Loads) {
		v.Loads.Kept = f.Made.Local().Format("2 January 2006, 15:04")
	}
}

// say puts the answer into a headline and what follows.
func (v *rigView) say() {
	a := &v.Ask
	v.Title = "Rig"
	if v.UnitChosen {
		v.Title = "Rig for " + a.Unit.Name
	}
	v.Under = fmt.Sprintf("%s, %s hold. What every part between the terminals must stand, before anything is switched on.", words.Procedure(a.Procedure), rig.Seconds(v.Answer.HoldS))
	switch a.Procedure {
	case trace.Ramp, trace.Steps:
		v.Times = "3"
	case trace.Overload:
		v.Times = "2"
	case trace.Carry:
		v.Times = "1"
	}
	head, more, _ := strings.Cut(v.Answer.Text, ". ")
	more = strings.TrimSpace(strings.Replace(more, "There is no fuse in the loop: put one in first.", "", 1)) // stands below, marked
	v.Head, v.More = strings.TrimSuffix(head, "."), more
	v.Shape = v.Answer.Verdict.Shape()
	if !v.RigChosen {
		v.Head, v.More, v.Shape = "No rig yet", "Put parts into one, in the order the current takes: from the unit’s plus to its minus.", "unknown"
	}
	for _, p := range v.Answer.Problems {
		if p.Place < 0 && v.RigChosen {
			v.Whole = append(v.Whole, p)
		}
	}
}

// table makes a row of each part.
func (v *rigView) table() {
	parts := v.Ask.Rig.Parts
	for i, s := range v.Answer.Parts {
		row := rigRow{N: i + 1, Place: i, Name: s.Part, Kind: s.Kind, Says: rig.Describe(parts[i]), Shape: s.Verdict.Shape(), Say: s.Verdict.Say(), May: s.May, Taken: s.Taken,
			Weak: v.Answer.Weakest != nil && *v.Answer.Weakest == i, First: i == 0, Last: i == len(parts)-1}
		must := strings.Split(s.Must, "; ")
		row.Must = must[0]
		add := func(text string) {
			if text != "" && text != "not known" {
				row.Also = append(row.Also, text)
			}
		}
		for _, m := range must[1:] {
			if !strings.HasPrefix(m, "drops ") {
				add(m)
			}
		}
		add(s.Numbers())
		add(s.Warms(parts[i]))
		add(s.Share())
		for _, f := range v.Answer.Fuses {
			if f.Place == i {
				add(f.Text)
			}
		}
		for _, p := range v.Answer.Problems {
			if p.Place == i {
				row.Problems = append(row.Problems, p)
			}
		}
		if rest := s.Rest(); rest != "" {
			row.Taken = strings.TrimSuffix(rest+"; "+row.Taken, "; ")
		}
		v.Rows = append(v.Rows, row)
	}
}

func (v *rigView) drawings() {
	load := v.Ask.Procedure != trace.Short
	v.Lying = drawLying(v.Ask.Rig.Parts, v.Answer, v.Ask.Unit, load)
	v.Upright = drawUpright(v.Ask.Rig.Parts, v.Answer, v.Ask.Unit, load)
}

// measuredFigures are what a short measured that was forecast.
var measuredFigures = []string{"prospective_current_a", "peak_current_a", "sustained_current_a", "open_volts", "source_ohm"}

// measuredOf finds what the newest complete short of the unit measured; nil: it was never tested.
func (s *Server) measuredOf(ctx context.Context, a rigAsk) (*measuredView, error) {
	if a.Unit.ID == 0 {
		return nil, nil
	}
	page, err := s.store.Runs(ctx, store.RunQuery{Unit: strconv.FormatInt(a.Unit.ID, 10), Procedure: trace.Short, State: trace.RunComplete, Limit: 20})
	if err != nil {
		return nil, err
	}
	for _, run := range page.Runs {
		v := &measuredView{Run: run.ID, When: run.Started.Local().Format("2 January 2006, 15:04")}
		for _, line := range linesOf(run.Figures, trace.Settings{Procedure: trace.Short, RatedCurrentA: a.Unit.RatedCurrentA}) {
			if slices.Contains(measuredFigures, line.Key) && line.Value != "" {
				v.Lines = append(v.Lines, line)
			}
		}
		if len(v.Lines) == 0 {
			continue
		}
		if f := a.Forecast; f != nil {
			p := pointsOf(*f)
			if e, err := rig.FromTwoLoads(p[0], p[1]); err == nil {
				v.Text = fmt.Sprintf("The forecast of %s from two harmless loads: %s", f.Made.Local().Format("2 January 2006"), e.Say())
			}
		} else if a.Unit.RatedCurrentA > 0 {
			v.Text = fmt.Sprintf("The assumption for a unit never tested, %g × the rating: %s.", rig.AssumedTimes, rig.Amps(rig.AssumedTimes*a.Unit.RatedCurrentA))
		}
		return v, nil
	}
	return nil, nil
}
