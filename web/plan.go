package web

import (
	"context"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
	"letthrough/store"
)

// UnitPlan is a unit's row of the session's grid.
type UnitPlan struct {
	UnitID int64  `json:"unit_id"`
	Unit   string `json:"unit"`
	assess.Plan
}

// PlanSession gives the grid of unit by procedure: done, missing, cooling, and which test comes next.
func PlanSession(ctx context.Context, st AssessStore, s assess.Session, now time.Time) ([]UnitPlan, error) {
	units, err := st.Units(ctx)
	if err != nil {
		return nil, err
	}
	out := []UnitPlan{}
	s.NowS = float64(now.UnixMilli()) / 1e3
	for _, u := range units {
		runs, err := runsOf(ctx, st, u.ID)
		if err != nil {
			return nil, err
		}
		plate, err := plateOf(ctx, st, u)
		if err != nil {
			return nil, err
		}
		for _, output := range assess.Outputs(runs) {
			out = append(out, UnitPlan{u.ID, u.Name, assess.PlanFor(s, plate, output, runs)})
		}
	}
	return out, nil
}

// sessionAsked reads what is wanted of a session; what is left out stays as it is by default.
func sessionAsked(q url.Values) (assess.Session, error) {
	s := assess.DefaultSession()
	for name, into := range map[string]*float64{"rest_s": &s.RestS, "most_a": &s.MostA, "most_s": &s.MostS} {
		text := q.Get(name)
		if text == "" {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return s, malformed("", "%s: %q is no number", name, clip(text))
		}
		if math.IsNaN(v) || v < 0 || v > 86400 {
			return s, outOfRange("", "%s: %s is out of range, allowed is 0 to 86400", name, clip(text))
		}
		*into = v
	}
	for _, p := range []trace.Procedure{trace.Short, trace.Carry, trace.Ramp, trace.Overload} {
		text := q.Get(string(p))
		if text == "" {
			continue
		}
		n, err := strconv.Atoi(text)
		if err != nil || n < 0 || n > 1000 {
			return s, outOfRange("", "%s: %q is no number of repeats, allowed is 0 to 1000", p, clip(text))
		}
		s.Wanted[p] = n
	}
	return s, nil
}

func (s *Server) getPlan(w http.ResponseWriter, r *http.Request) error {
	q, err := query(r, "rest_s", "most_a", "most_s", "short", "carry", "ramp", "overload")
	if err != nil {
		return err
	}
	session, err := sessionAsked(q)
	if err != nil {
		return err
	}
	plan, err := PlanSession(r.Context(), s.store, session, time.Now())
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, map[string]any{"units": plan, "rest_s": session.RestS, "most_a": session.MostA, "most_s": session.MostS})
	return nil
}

// mostPairs bounds how many pairs of voltage and current a characteristic is made of.
const mostPairs = 200_000

// Characteristic gives the voltage-current characteristic of a run: the voltage at the instant of each reading of
// the current, on the straight line between its own readings.
func Characteristic(ctx context.Context, st SurvivalStore, id int64) (assess.VI, error) {
	run, err := st.Run(ctx, id)
	if err != nil {
		return assess.VI{}, err
	}
	current, info, ok := figuresChannel(run)
	if !ok {
		return assess.VI{}, outOfRange("", "run %d has no current", id)
	}
	voltage, ok := voltageChannel(run)
	if !ok {
		return assess.VI{}, outOfRange("measure the voltage beside the current", "run %d has no voltage", id)
	}
	volts, err := allSamples(ctx, st, id, voltage)
	if err != nil {
		return assess.VI{}, err
	}
	every, n, at := max(info.Samples/mostPairs, 1), int64(0), 0
	var pairs []assess.Pair
	for samples, err := range st.Samples(ctx, id, current) {
		if err != nil {
			return assess.VI{}, err
		}
		for _, s := range samples {
			if n++; n%every != 0 || s.Flags&trace.Over != 0 {
				continue
			}
			for at+1 < len(volts) && volts[at+1].AtNS <= s.AtNS {
				at++
			}
			if v, ok := between(volts, at, s.AtNS); ok {
				pairs = append(pairs, assess.Pair{V: v, A: s.Value})
			}
		}
	}
	return assess.VIOf(pairs), nil
}

func voltageChannel(run store.Run) (trace.Channel, bool) {
	for _, c := range run.Channels {
		if c.Quantity == trace.Voltage && c.Samples > 0 && (run.DerivedWith.VoltageFrom == "" || c.Instrument == run.DerivedWith.VoltageFrom) {
			return c.Channel, true
		}
	}
	return trace.Channel{}, false
}

func allSamples(ctx context.Context, st SurvivalStore, id int64, ch trace.Channel) (all []trace.Sample, err error) {
	for samples, err := range st.Samples(ctx, id, ch) {
		if err != nil {
			return nil, err
		}
		all = append(all, samples...)
	}
	return all, nil
}

// between reads the voltage at an instant between two readings; not across a gap, nor beyond either end.
func between(volts []trace.Sample, at int, ns int64) (float64, bool) {
	if at+1 >= len(volts) || volts[at].AtNS > ns || (volts[at].Flags|volts[at+1].Flags)&trace.Over != 0 || volts[at+1].Flags&trace.Gap != 0 {
		return 0, false
	}
	a, b := volts[at], volts[at+1]
	if b.AtNS == a.AtNS {
		return a.Value, true
	}
	return a.Value + (b.Value-a.Value)*float64(ns-a.AtNS)/float64(b.AtNS-a.AtNS), true
}

func (s *Server) getCharacteristic(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "run")
	if err != nil {
		return err
	}
	if _, err := query(r); err != nil {
		return err
	}
	done, err := s.oneDeriving(r)
	if err != nil {
		return err
	}
	defer done()
	vi, err := Characteristic(r.Context(), s.store, id)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, vi)
	return nil
}
