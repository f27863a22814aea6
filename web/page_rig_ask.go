package web

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/store"
)

// What is asked of the page Rig stands in its address: unit, rig, procedure, hold, where the current comes from, the
// ladder. So a link leads to the same answer, and the page works without scripts.

// rigAsk is what the address asks, with what was typed as it was typed.
type rigAsk struct {
	Unit      trace.Unit
	Rig       trace.Rig
	Procedure trace.Procedure
	HoldS     float64
	Times     float64
	From      string // one of the choices of where the current comes from
	Typed     map[string]string
	Wrong     map[string]string // by field, what is wrong with it
	Ladder    rig.LadderRequest
	StepsIn   string // what the steps are written in: times, amps
	Known     rig.Source
	Tested    bool
	Forecast  *store.Forecast // the newest of this unit from two harmless loads
}

// The choices of where the current comes from.
const (
	fromRun     = "run"
	fromLoads   = "loads"
	fromAssumed = "assumed"
	fromAmps    = "amps"
	fromSource  = "source"
)

// typedFields are those whose text the page gives back.
var typedFields = []string{"hold", "times", "assume", "amps", "open_v", "source_ohm", "by",
	"v1", "x1", "uv1", "ux1", "v2", "x2", "uv2", "ux2", "steps", "in", "series", "tolerance", "within", "dwell", "price", "cheapest", "ladder_v"}

const defaultSteps = "0.5, 0.8, 1, 1.2, 1.5, 2, 3"

// number reads a field that may be empty: 0 then. What cannot be read, or is not above 0, is said in Wrong.
func (a *rigAsk) number(field string, most float64) float64 {
	text := a.Typed[field]
	if text == "" {
		return 0
	}
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	switch {
	case err != nil:
		a.Wrong[field] = fmt.Sprintf("“%s” is no number. Write it like 0.5 or 0,5, without a unit.", clip(text))
	case !(v > 0):
		a.Wrong[field] = fmt.Sprintf("%s is not above 0. Leave the field empty if it is not known.", clip(text))
	case v > most:
		a.Wrong[field] = fmt.Sprintf("%s is more than %s, which cannot be meant here.", clip(text), rig.Plain(most))
	default:
		return v
	}
	return 0
}

// rigAskOf reads the address. What it leaves out is taken from the unit's last run, else from the first there is.
func (s *Server) rigAskOf(ctx context.Context, q url.Values, units []trace.Unit, rigs []trace.Rig, lastUnit int64) (rigAsk, error) {
	a := rigAsk{Typed: map[string]string{}, Wrong: map[string]string{}, Procedure: trace.Short, StepsIn: "times"}
	for _, f := range typedFields {
		a.Typed[f] = strings.TrimSpace(q.Get(f))
		if len(a.Typed[f]) > 400 {
			return a, malformed("", "%s: is too long", f)
		}
	}
	if p := q.Get("procedure"); p != "" {
		a.Procedure = trace.Procedure(p)
		if !slices.Contains(rigProcedures, a.Procedure) {
			return a, notFound("there is no procedure %q", clip(p))
		}
	}
	var err error
	if a.Unit, err = pickUnit(q.Get("unit"), units, lastUnit); err != nil {
		return a, err
	}
	if a.Known, a.Tested, err = SourceOf(ctx, s.store, a.Unit.Name); err != nil {
		return a, err
	}
	if a.Forecast, err = s.newestForecast(ctx, a.Unit); err != nil {
		return a, err
	}
	if a.Rig, err = s.pickRig(ctx, q.Get("rig"), rigs, a.Unit); err != nil {
		return a, err
	}
	a.HoldS, a.Times = a.number("hold", 86400), a.number("times", 100)
	a.From = q.Get("from")
	if !slices.Contains([]string{fromRun, fromLoads, fromAssumed, fromAmps, fromSource}, a.From) || a.From == fromRun && !a.Tested {
		switch {
		case a.Tested:
			a.From = fromRun
		case a.Forecast != nil:
			a.From = fromLoads
		default:
			a.From = fromAssumed
		}
	}
	a.fillLoads()
	a.ladder()
	return a, nil
}

// rigProcedures in the order they are offered.
var rigProcedures = []trace.Procedure{trace.Short, trace.Ramp, trace.Steps, trace.Overload, trace.Carry}

func pickUnit(asked string, units []trace.Unit, last int64) (trace.Unit, error) {
	if asked == "" {
		for _, u := range units {
			if u.ID == last {
				return u, nil
			}
		}
		return trace.Unit{}, nil
	}
	for _, u := range units {
		if strconv.FormatInt(u.ID, 10) == asked {
			return u, nil
		}
	}
	return trace.Unit{}, notFound("there is no unit %q", clip(asked))
}

func (s *Server) pickRig(ctx context.Context, asked string, rigs []trace.Rig, unit trace.Unit) (trace.Rig, error) {
	if asked == "" && len(rigs) > 0 {
		if name := s.lastRigOf(ctx, unit); name != "" {
			for _, r := range rigs {
				if strings.EqualFold(r.Name, name) {
					return r, nil
				}
			}
		}
		return rigs[0], nil
	}
	for _, r := range rigs {
		if strconv.FormatInt(r.ID, 10) == asked {
			return r, nil
		}
	}
	for _, r := range rigs { // links from elsewhere know its name
		if strings.EqualFold(r.Name, asked) {
			return r, nil
		}
	}
	if asked == "" {
		return trace.Rig{}, nil
	}
	return trace.Rig{}, notFound("there is no rig %q", clip(asked))
}

// lastRigOf names the rig of the unit's newest run; empty: none.
func (s *Server) lastRigOf(ctx context.Context, unit trace.Unit) string {
	if unit.ID == 0 {
		return ""
	}
	page, err := s.store.Runs(ctx, store.RunQuery{Unit: strconv.FormatInt(unit.ID, 10), Limit: 1})
	if err != nil || len(page.Runs) == 0 {
		return ""
	}
	run, err := s.store.Run(ctx, page.Runs[0].ID)
	if err != nil {
		return "" // the list of runs will say what is wrong
	}
	return run.Rig
}

// fillLoads gives back the loads that were kept, where none are typed.
func (a *rigAsk) fillLoads() {
	for _, f := range []string{"v1", "x1", "v2", "x2"} {
		if a.Typed[f] != "" {
			return
		}
	}
	if a.Forecast == nil {
		return
	}
	a.Typed["by"] = "amps"
	for i, l := range a.Forecast.Loads {
		n := strconv.Itoa(i + 1)
		a.Typed["v"+n], a.Typed["x"+n] = plainNumber(l.V), plainNumber(l.A)
		if l.UV > 0 {
			a.Typed["uv"+n] = plainNumber(l.UV)
		}
		if l.UA > 0 {
			a.Typed["ux"+n] = plainNumber(l.UA)
		}
	}
}

// source gives what is taken of the unit by one of the choices; problem says what it lacks.
func (a *rigAsk) source(from string) (s rig.Source, problem string) {
	switch from {
	case fromRun:
		return a.Known, ""
	case fromAssumed:
		return rig.Source{AssumedTimes: a.number("assume", 1000)}, ""
	case fromAmps:
		s = rig.Source{CurrentA: a.number("amps", 1e4), From: "from elsewhere"}
		if s.CurrentA == 0 {
			problem = "Type the amps that flow into a short."
		}
		return s, problem
	case fromSource:
		s = rig.Source{OpenV: a.number("open_v", 200), SourceOhm: a.number("source_ohm", 1e5), From: "elsewhere"}
		if s.OpenV == 0 || s.SourceOhm == 0 {
			problem = "Type both: the volts with nothing connected, and the unit’s own ohms."
		}
		return s, problem
	}
	p, q, problem := a.loads()
	if problem != "" {
		return rig.Source{}, problem
	}
	if _, err := rig.FromTwoLoads(p, q); err != nil {
		return rig.Source{}, asSentence(strings.TrimPrefix(err.Error(), "loads: "))
	}
	return rig.Source{Loads: []rig.LoadPoint{p, q}}, ""
}

// loads reads the two harmless loads.
func (a *rigAsk) loads() (p, q rig.LoadPoint, problem string) {
	v1, x1, v2, x2 := a.number("v1", 200), a.number("x1", 1e5), a.number("v2", 200), a.number("x2", 1e5)
	u := func(f string) float64 { return a.number(f, 200) }
	if v1 == 0 || x1 == 0 || v2 == 0 || x2 == 0 {
		return p, q, "Type both loads: a small and a larger one, each with the volts at the unit’s terminals. Nothing is shorted for it."
	}
	if a.Typed["by"] == "ohms" {
		p, q = rig.PointsByOhm(rig.LoadByOhm{V: v1, UV: u("uv1"), Ohm: x1, UOhm: u("ux1")}, rig.LoadByOhm{V: v2, UV: u("uv2"), Ohm: x2, UOhm: u("ux2")})
		return p, q, ""
	}
	return rig.LoadPoint{V: v1, A: x1, UV: u("uv1"), UA: u("ux1")}, rig.LoadPoint{V: v2, A: x2, UV: u("uv2"), UA: u("ux2")}, ""
}

// ladder reads what is wished of the load ladder. A field left empty is the default.
func (a *rigAsk) ladder() {
	a.Ladder = rig.LadderRequest{Series: a.Typed["series"], TolerancePct: a.number("tolerance", 20), WithinPct: a.number("within", 50),
		DwellS: a.number("dwell", 3600), Volts: a.number("ladder_v", 200), PriceEach: a.number("price", 1e6), Cheapest: a.Typed["cheapest"] != ""}
	if a.Typed["in"] == "amps" {
		a.StepsIn = "amps"
	}
	if a.Typed["steps"] == "" && a.StepsIn == "times" {
		a.Typed["steps"] = defaultSteps
	}
	for _, word := range stepWords(a.Typed["steps"]) {
		v, err := strconv.ParseFloat(word, 64)
		if err != nil || !(v > 0) {
			a.Wrong["steps"] = fmt.Sprintf("“%s” is no step. Write rising numbers above 0 such as %s.", clip(word), defaultSteps)
			return
		}
		a.Ladder.Steps = append(a.Ladder.Steps, v)
	}
	if a.StepsIn == "amps" && a.Unit.RatedCurrentA > 0 {
		for i := range a.Ladder.Steps {
			a.Ladder.Steps[i] /= a.Unit.RatedCurrentA
		}
	}
}

// stepWords splits a list of numbers: at commas and blanks, or where there are semicolons at these, and a comma is a decimal
// one then.
func stepWords(text string) []string {
	text = strings.ReplaceAll(text, "×", " ")
	if strings.Contains(text, ";") {
		return strings.FieldsFunc(strings.ReplaceAll(text, ",", "."), func(r rune) bool { return r == ';' || r == ' ' })
	}
	return strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ' ' || r == '\t' })
}
