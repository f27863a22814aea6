package web

import (
	"context"
	"net/http"
	"slices"
	"strconv"

	"letthrough/capture/trace"
	"letthrough/capture/words"
	"letthrough/store"
)

// readoutView is the page for the camera: few words, very large. What it shows and on which ground stands in its
// address, so that a program that lays it over a video needs no more than that.
type readoutView struct {
	Replay  *replayView // what is shown is a replay and not the bench
	Ground  string      // paper, or a plain one to be keyed out
	Show    string      // run, or the shelf's table
	Foot    bool        // the way back and the choice of all this
	Flash   bool        // a clapper at the onset
	Rows    []shelfRow
	Grounds []choice
	Shows   []choice
}

// shelfRow is one unit of the shelf's table, with its newest whole run.
type shelfRow struct {
	Unit, Plate, Did string
	Much, Long       words.Line
}

var readoutGrounds = []choice{{"paper", "as the other pages"}, {"green", "plain green, to be keyed out"}, {"blue", "plain blue, to be keyed out"}, {"black", "plain black"}, {"white", "plain white"}}
var readoutShows = []choice{{"run", "the run: phase, current, figures"}, {"shelf", "the shelf's table, filling as runs end"}}

func (s *Server) readoutPage(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	chosen := func(key string, among []choice) (string, error) {
		v := q.Get(key)
		if v == "" {
			return among[0].Value, nil
		}
		if !slices.ContainsFunc(among, func(c choice) bool { return c.Value == v }) {
			return "", malformed("choose it on the page itself", "%s: there is no %q", key, clip(v))
		}
		return v, nil
	}
	v := readoutView{Foot: q.Get("foot") != "0", Flash: q.Get("flash") != "0", Grounds: readoutGrounds, Shows: readoutShows}
	var err error
	if v.Ground, err = chosen("ground", readoutGrounds); err != nil {
		return err
	}
	if v.Show, err = chosen("show", readoutShows); err != nil {
		return err
	}
	if v.Show == "shelf" {
		if v.Rows, err = s.shelfTable(r.Context()); err != nil {
			return err
		}
	}
	if v.Replay, err = s.replayAsked(r); err != nil {
		return err
	}
	f := s.frameOf(r, "Read-out", "/readout", "readout.js", false)
	f.Bare, f.Strip, f.Ground = true, false, v.Ground
	f.Page = v
	f.Data = benchData{Words: wordsForPages(), Role: roleOf(r)}
	return s.render(w, r, http.StatusOK, "readout", f)
}

// shelfTable gives every unit with what its newest whole run showed; a unit without one waits for it.
func (s *Server) shelfTable(ctx context.Context) ([]shelfRow, error) {
	units, err := s.store.Units(ctx)
	if err != nil {
		return nil, err
	}
	var rows []shelfRow
	for _, u := range units {
		row := shelfRow{Unit: u.Name, Plate: plate(u)}
		page, err := s.store.Runs(ctx, store.RunQuery{Unit: strconv.FormatInt(u.ID, 10), Limit: 20})
		if err != nil {
			return nil, err
		}
		for _, run := range page.Runs {
			if run.State != trace.RunComplete {
				continue
			}
			set := trace.Settings{Procedure: run.Procedure, RatedCurrentA: u.RatedCurrentA}
			row.Did = words.Behaviour(run.Behaviour)
			row.Long = firstLine(run.Figures, set, "time_to_cutoff_s", "time_to_limit_s", "time_to_trip_s")
			row.Much = firstLine(run.Figures, set, "peak_current_a", "trip_current_a", "carried_current_a")
			break
		}
		rows = append(rows, row)
	}
	return rows, nil
}
