package web

import (
	"net/http"
	"net/url"

	"letthrough/capture"
	"letthrough/capture/wire"
)

// Instruments are named by their names: they live as long as the program and have no numbers.

func (s *Server) getInstruments(w http.ResponseWriter, r *http.Request) error {
	s.writeJSON(w, r, http.StatusOK, struct {
		Instruments []capture.InstrumentState `json:"instruments"`
	}{orNone(s.bench.State().Instruments)})
	return nil
}

// instrument finds one by its name.
func (s *Server) instrument(name string) (capture.InstrumentState, error) {
	for _, in := range s.bench.State().Instruments {
		if in.Name == name {
			return in, nil
		}
	}
	return capture.InstrumentState{}, notFound("there is no instrument %q", clip(name))
}

func (s *Server) getInstrument(w http.ResponseWriter, r *http.Request) error {
	in, err := s.instrument(r.PathValue("name"))
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, in)
	return nil
}

// postInstrument opens an instrument given as on the command line.
func (s *Server) postInstrument(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Spec string `json:"spec"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	const hint = `write it as on the command line: {"spec":"shunt=text:/dev/ttyACM0?baud=115200"}`
	if in.Spec == "" {
		return malformed(hint, "spec: is missing")
	}
	if err := checkTexts(map[string]string{"spec": in.Spec}, maxText); err != nil {
		return err
	}
	spec, err := wire.ParseSpec(in.Spec)
	if err != nil {
		return outOfRange(hint, "%s", err)
	}
	if err := s.bench.AddInstrument(spec); err != nil {
		if _, known := faultOf(err); known {
			return err
		}
		return outOfRange("look at the cable and at what else uses the port", "%s", err)
	}
	made, err := s.instrument(spec.Name)
	if err != nil {
		return err
	}
	w.Header().Set("Location", "/api/instruments/"+url.PathEscape(spec.Name))
	s.writeJSON(w, r, http.StatusCreated, made)
	return nil
}

func (s *Server) deleteInstrument(w http.ResponseWriter, r *http.Request) error {
	if err := s.bench.RemoveInstrument(r.PathValue("name")); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
