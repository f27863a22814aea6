package web

import (
	"net/http"
	"strconv"

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
}

type unitsView struct {
	Rows      []unitRow
	Edit      *trace.Unit // the one open beside the list; ID 0: a new one
	Waveforms []trace.Waveform
	Operator  bool
}

// mostRunsCounted bounds what the list reads of each unit's runs.
const mostRunsCounted = 1000

func (s *Server) unitsPage(w http.ResponseWriter, r *http.Request) error {
	units, err := s.store.Units(r.Context())
	if err != nil {
		return err
	}
	v := unitsView{Waveforms: trace.Waveforms, Operator: roleOf(r) == roleOperator}
	switch open := r.PathValue("id"); {
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
	for _, u := range units {
		row := unitRow{Unit: u, Plate: plate(u), Wave: words.Waveform(u.Waveform), Spark: spark{Rated: -1}, Open: v.Edit != nil && v.Edit.ID == u.ID}
		page, err := s.store.Runs(r.Context(), store.RunQuery{Unit: strconv.FormatInt(u.ID, 10), Limit: mostRunsCounted})
		if err != nil {
			return err
		}
		if n := len(page.Runs); n > 0 {
			last := s.runRow(r.Context(), page.Runs[0], units)
			row.Runs, row.Last, row.Spark, row.RunID = strconv.Itoa(n), last.Did, last.Spark, last.ID
		}
		v.Rows = append(v.Rows, row)
	}
	f := s.frameOf(r, "Units", "/units", "units.js", false)
	f.Page = v
	return s.render(w, r, http.StatusOK, "units", f)
}
