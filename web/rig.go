package web

import (
	"errors"
	"net/http"
	"strings"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
	"letthrough/store"
)

// rigRoutes registers the parts, the check of a rig and the load ladder.
func (s *Server) rigRoutes(api func(pattern string, h func(http.ResponseWriter, *http.Request) error)) {
	shelfRoutes(s, api, "parts", "part", s.store.Parts(), func(p *trace.Part) *int64 { return &p.ID })
	api("POST /api/parts/starter", s.postStarter)
	api("POST /api/rig/check", s.postRigCheck)
	api("POST /api/rig/ladder", s.postLadder)
	api("GET /api/units/{id}/forecasts", s.getForecasts)
	api("POST /api/units/{id}/forecasts", s.postForecast)
	api("DELETE /api/units/{id}/forecasts/{forecast}", s.deleteForecast)
}

// postStarter puts the starter set on the shelf, but for what is there by that name.
func (s *Server) postStarter(w http.ResponseWriter, r *http.Request) error {
	if err := readOptionalJSON(w, r, &struct{}{}); err != nil {
		return err
	}
	added, err := s.store.AddStarter(r.Context(), rig.Starter(), rig.StarterRig())
	if err != nil {
		return err
	}
	all, err := s.store.Parts().All(r.Context())
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Added int          `json:"added"`
		Parts []trace.Part `json:"parts"`
	}{added, orNone(all)})
	return nil
}

// postRigCheck answers with everything that is known of a rig in a test before it is run.
func (s *Server) postRigCheck(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Unit          unitRef         `json:"unit"`
		RatedCurrentA float64         `json:"rated_current_a"` // in the unit's place, or over its plate
		Rig           string          `json:"rig"`
		Parts         []trace.RigPart `json:"parts"` // in the rig's place: what is not kept yet
		Procedure     trace.Procedure `json:"procedure"`
		HoldS         *float64        `json:"hold_s"`
		Times         float64         `json:"times"`
		Source        *rig.Source     `json:"source"` // null: by the unit's earlier runs
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	built := trace.Rig{Name: strings.TrimSpace(in.Rig), Parts: in.Parts}
	switch {
	case in.Rig == "" && in.Parts == nil:
		return malformed(`name a rig, or give its parts: {"rig":"bench1"} or {"parts":[…]}`, "rig: is missing")
	case in.Parts == nil:
		var err error
		if built, err = s.store.Rigs().ByName(r.Context(), in.Rig); errors.Is(err, store.ErrNotFound) {
			f := notFound("there is no rig %q", clip(in.Rig))
			f.hint = "add it first, on the page Rig or with POST /api/rigs"
			return f
		} else if err != nil {
			return err
		}
	}
	test := rig.Test{Procedure: in.Procedure, Times: in.Times}
	if in.HoldS != nil {
		if *in.HoldS <= 0 {
			return outOfRange("a hold is more than 0 s", "hold_s: %g is out of range", *in.HoldS)
		}
		test.HoldS = *in.HoldS
	}
	if in.Unit != (unitRef{}) {
		var err error
		if test.Unit, err = s.resolve(r, in.Unit); err != nil {
			return err
		}
	}
	if in.RatedCurrentA != 0 {
		test.Unit.RatedCurrentA = in.RatedCurrentA
	}
	if err := test.Unit.ValidateRatings(); err != nil {
		return outOfRange("", "%s", err)
	}
	known, tested, err := SourceOf(r.Context(), s.store, test.Unit.Name)
	if err != nil {
		return err
	}
	if test.Source, test.Tested = known, tested; in.Source != nil {
		test.Source = *in.Source
		if err := test.Source.Whole(); err != nil {
			return outOfRange("", "source.%s", err)
		}
	}
	answer, err := rig.Check(built, test)
	if err != nil {
		return outOfRange("", "%s", err)
	}
	s.writeJSON(w, r, http.StatusOK, answer)
	return nil
}

// postLadder answers with the resistors for the stairs of a trip test.
func (s *Server) postLadder(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		rig.LadderRequest
		Unit  unitRef `json:"unit"`  // its plate and its earlier runs fill in what is left out
		Shelf *bool   `json:"shelf"` // false: as if nothing were there
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	q := in.LadderRequest
	if in.Unit != (unitRef{}) {
		unit, err := s.resolve(r, in.Unit)
		if err != nil {
			return err
		}
		known, _, err := SourceOf(r.Context(), s.store, unit.Name)
		if err != nil {
			return err
		}
		q = LadderFor(q, unit, known)
	}
	var shelf []trace.Part
	if in.Shelf == nil || *in.Shelf {
		var err error
		if shelf, err = s.store.Parts().All(r.Context()); err != nil {
			return err
		}
	}
	ladder, err := rig.MakeLadder(q, shelf)
	if err != nil {
		return outOfRange("", "%s", err)
	}
	s.writeJSON(w, r, http.StatusOK, ladder)
	return nil
}

// LadderFor fills in what a unit's plate and its earlier runs tell, and the request leaves out. Open volts and source
// resistance go together: one without the other would be wrong about every stair.
func LadderFor(q rig.LadderRequest, unit trace.Unit, known rig.Source) rig.LadderRequest {
	if q.RatedA == 0 {
		q.RatedA = unit.RatedCurrentA
	}
	if q.FormFactor == 0 {
		q.FormFactor, q.FormWhy = rig.FormFactor(unit.Waveform, known)
	}
	if q.Volts == 0 && q.SourceOhm == 0 && known.OpenV > 0 && known.SourceOhm > 0 {
		q.Volts, q.SourceOhm = known.OpenV, known.SourceOhm
	}
	if q.Volts == 0 {
		q.Volts = unit.RatedVoltageV
	}
	return q
}
