package web

import (
	"net/http"
	"strconv"

	"letthrough/capture/trace"
)

// idOf reads the {id} of a path. What is no number names nothing.
func idOf(r *http.Request, what string) (int64, error) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		return 0, notFound("there is no %s %q", what, clip(r.PathValue("id")))
	}
	return id, nil
}

func (s *Server) getUnits(w http.ResponseWriter, r *http.Request) error {
	units, err := s.store.Units(r.Context())
	if err != nil {
		return err
	}
	if units == nil {
		units = []trace.Unit{}
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Units []trace.Unit `json:"units"`
	}{units})
	return nil
}

func (s *Server) getUnit(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	u, err := s.store.Unit(r.Context(), id)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, u)
	return nil
}

// unitIn is a unit as it is posted or put. A rating of 0, or left out, is unknown.
type unitIn struct {
	ID            *int64         `json:"id"` // may be sent back as it was read
	Name          string         `json:"name"`
	RatedVoltageV float64        `json:"rated_voltage_v"`
	RatedCurrentA float64        `json:"rated_current_a"`
	Waveform      trace.Waveform `json:"waveform"`
	Load          *string        `json:"load"` // left out: as it was
	Note          string         `json:"note"`
}

func (in unitIn) unit(id int64) (trace.Unit, error) {
	if in.ID != nil && *in.ID != id && id != 0 {
		return trace.Unit{}, outOfRange("leave it out", "id: %d in the body is not the %d of the address", *in.ID, id)
	}
	u := trace.Unit{ID: id, Name: in.Name, RatedVoltageV: in.RatedVoltageV, RatedCurrentA: in.RatedCurrentA, Waveform: in.Waveform, Note: in.Note}
	if in.Load != nil {
		u.Load = *in.Load
	}
	if err := checkTexts(map[string]string{"name": u.Name, "load": u.Load}, maxWord); err != nil {
		return u, err
	}
	if err := checkTexts(map[string]string{"note": u.Note}, maxNote); err != nil {
		return u, err
	}
	if err := u.Validate(); err != nil {
		return u, outOfRange("", "%s", err)
	}
	return u, nil
}

func (s *Server) postUnit(w http.ResponseWriter, r *http.Request) error {
	var in unitIn
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	u, err := in.unit(0)
	if err != nil {
		return err
	}
	if u, err = s.store.CreateUnit(r.Context(), u); err != nil {
		return err
	}
	w.Header().Set("Location", "/api/units/"+strconv.FormatInt(u.ID, 10))
	s.writeJSON(w, r, http.StatusCreated, u)
	return nil
}

func (s *Server) putUnit(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	var in unitIn
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	u, err := in.unit(id)
	if err != nil {
		return err
	}
	if in.Load == nil {
		before, err := s.store.Unit(r.Context(), id)
		if err != nil {
			return err
		}
		u.Load = before.Load
	}
	if u, err = s.store.UpdateUnit(r.Context(), u); err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, u)
	return nil
}

func (s *Server) deleteUnit(w http.ResponseWriter, r *http.Request) error {
	id, err := idOf(r, "unit")
	if err != nil {
		return err
	}
	if err := s.store.DeleteUnit(r.Context(), id); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
