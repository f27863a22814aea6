package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// unitRow is one unit of the cupboard.
type unitRow struct {
	trace.Unit
	Plate string
	Wave  string
	Runs  string
	Last  string // what the last run showed
	RunID int64
	Spark spark
	Open  bool
	// Verdict by the chosen criteria, with its first reason; empty where there are none to go by.
	Verdict assess.Verdict
	Why     string
	Report  string // where all reasons stand
}

type unitsView struct {
	Rows      []unitRow
	EditRuns  int         // how many runs the one open beside the list has
	Edit      *trace.Unit // the one open beside the list; ID 0: a new one
	Waveforms []trace.Waveform
	Operator  bool
	Loads     []trace.Load
	Load      *trace.Load // the load open beside the lists; ID 0: a new one

	LoadFields []loadField
	Kinds      []string
	Classes    []string
}

// loadField is a number of a load as a form asks for it.
type loadField struct {
	Name, Say, Unit, Hint, Value string
	Most                         float64
}

// loadFields are the numbers of a load; the limits are those of trace.Load.Validate.
func loadFields(l trace.Load) []loadField {
	field := func(name, say, unit, hint string, v, most float64) loadField {
		f := loadField{Name: name, Say: say, Unit: unit, Hint: hint, Most: most}
		if v != 0 {
			f.Value = plainNumber(v)
		}
		return f
	}
	return []loadField{
		field("running_a", "Current in use", "A", "what it draws while it runs", l.RunningA, 1000),
		field("stall_a", "Current when blocked", "A", "a motor that is held", l.StallA, 1000),
		field("continuous_a", "Stands for ever", "A", "without getting too hot", l.ContinuousA, 1000),
		field("withstand_a2s", "Stands once", "A²s", "so fast that no heat is passed on", l.WithstandA2s, 1e9),
		field("wire_diameter_mm", "Wire", "mm", "bare, of the winding or the wire", l.WireDiameterMM, 20),
		field("time_constant_s", "Cools in", "s", "its time constant: after so long a third of the rise is left", l.TimeConstantS, 86400),
	}
}

// loadOpen gives the load that the address names, or a new one.
func (s *Server) loadOpen(r *http.Request) (*trace.Load, error) {
	if r.PathValue("id") == "new" {
		return &trace.Load{Kind: trace.LoadKinds[0]}, nil
	}
	id, err := idOf(r, "load")
	if err != nil {
		return nil, err
	}
	l, err := s.store.Loads().Find(r.Context(), id)
	return &l, err
}

// mostRunsCounted bounds what the list reads of each unit's runs.
const mostRunsCounted = 1000

func (s *Server) unitsPage(w http.ResponseWriter, r *http.Request) error {
	units, err := s.store.Units(r.Context())
	if err != nil {
		return err
	}
	v := unitsView{Waveforms: trace.Waveforms, Operator: roleOf(r) == roleOperator}
	if v.Loads, err = s.store.Loads().All(r.Context()); err != nil {
		return err
	}
	switch open := r.PathValue("id"); {
	case strings.HasPrefix(r.URL.Path, "/units/loads/"):
		if v.Load, err = s.loadOpen(r); err != nil {
			return err
		}
		v.LoadFields, v.Kinds, v.Classes = loadFields(*v.Load), trace.LoadKinds, trace.InsulationClasses
	case open == "new":
		v.Edit = &trace.Unit{Waveform: trace.DC}
	case open != "":
		id, err := idOf(r, "unit")
		if err != nil {
			return err
		}
		u, err := s.store.Unit(r.Context(), id)
		if err != nil {
			return err
		}
		v.Edit = &u
	case len(units) == 0:
		v.Edit = &trace.Unit{Waveform: trace.DC}
	}
	// Without criteria that can be used the list is shown all the same.
	rules, noRules := RulesNamed(r.Context(), s.store, "")
	for _, u := range units {
		row := unitRow{Report: "/report?units=" + url.QueryEscape(u.Name), Unit: u, Plate: plate(u), Wave: words.Waveform(u.Waveform), Spark: spark{Rated: -1}, Open: v.Edit != nil && v.Edit.ID == u.ID}
		page, err := s.store.Runs(r.Context(), store.RunQuery{Unit: strconv.FormatInt(u.ID, 10), Limit: mostRunsCounted})
		if err != nil {
			return err
		}
		if n := len(page.Runs); n > 0 {
			if row.Open {
				v.EditRuns = n
			}
			last := s.runRow(r.Context(), judgedRun{RunSummary: page.Runs[0]}, units)
			row.Runs, row.Last, row.Spark, row.RunID = strconv.Itoa(n), last.Did, last.Spark, last.ID
		}
		if noRules == nil {
			judged, err := AssessUnit(r.Context(), s.store, u, rules)
			if err != nil {
				return err
			}
			row.Verdict, row.Why = judged.Verdict, judged.Say
		}
		v.Rows = append(v.Rows, row)
	}
	f := s.frameOf(r, "Units", "/units", "units.js", false)
	f.Page = v
	return s.render(w, r, http.StatusOK, "units", f)
}
