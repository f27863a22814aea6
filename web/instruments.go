package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/store"
)

// An instrument is known twice: to the bench, which listens to it, and to the store, which keeps it for the
// next start. One named on the command line is only known to the bench. All go by their names.

// instrumentJSON is an instrument as both know it.
type instrumentJSON struct {
	capture.InstrumentState
	ID      *int64              `json:"id"`   // in the store; null where it is not known there
	Kept    bool                `json:"kept"` // opened at the next start
	Note    string              `json:"note"`
	History []store.Calibration `json:"history"` // all calibrations there were, the newest first
}

// instruments lists those that the bench listens to, and those kept that it could not open.
func (s *Server) instruments(r *http.Request) ([]instrumentJSON, error) {
	stored, err := s.store.Instruments(r.Context())
	if err != nil {
		return nil, err
	}
	out := []instrumentJSON{}
	seen := map[string]bool{}
	join := func(in instrumentJSON) {
		for _, row := range stored {
			if strings.EqualFold(row.Name, in.Name) {
				in.ID, in.Kept, in.Note, in.History = &row.ID, row.Kept, row.Note, row.Calibrations
			}
		}
		in.History = orNone(in.History)
		seen[strings.ToLower(in.Name)] = true
		out = append(out, in)
	}
	for _, state := range s.bench.State().Instruments {
		join(instrumentJSON{InstrumentState: state})
	}
	for _, row := range stored {
		if row.Kept && !seen[strings.ToLower(row.Name)] {
			join(instrumentJSON{InstrumentState: capture.InstrumentState{
				Name: row.Name, Format: row.Format, Port: row.Port, Spec: row.Spec, State: capture.Unplugged, Say: "not opened",
				Latest: []capture.LatestJSON{}, Problem: "it was not opened when the program started; the log says why, saving it again tries once more", Calibrations: row.InForce(),
			}})
		}
	}
	return out, nil
}

func (s *Server) getInstruments(w http.ResponseWriter, r *http.Request) error {
	all, err := s.instruments(r)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Instruments []instrumentJSON `json:"instruments"`
	}{all})
	return nil
}

// instrument finds one by its name, else by its number in the store.
func (s *Server) instrument(r *http.Request, name string) (instrumentJSON, error) {
	all, err := s.instruments(r)
	if err != nil {
		return instrumentJSON{}, err
	}
	for _, in := range all {
		if in.Name == name {
			return in, nil
		}
	}
	for _, in := range all {
		if strings.EqualFold(in.Name, name) || in.ID != nil && strconv.FormatInt(*in.ID, 10) == name {
			return in, nil
		}
	}
	return instrumentJSON{}, notFound("there is no instrument %q", clip(name))
}

// listening tells whether the bench has an instrument of this very name.
func (s *Server) listening(name string) bool {
	for _, in := range s.bench.State().Instruments {
		if in.Name == name {
			return true
		}
	}
	return false
}

func (s *Server) getInstrument(w http.ResponseWriter, r *http.Request) error {
	return s.answerInstrument(w, r, http.StatusOK, r.PathValue("name"))
}

func (s *Server) answerInstrument(w http.ResponseWriter, r *http.Request, status int, name string) error {
	in, err := s.instrument(r, name)
	if err != nil {
		return err
	}
	s.writeJSON(w, r, status, in)
	return nil
}

// instrumentIn is an instrument as it is posted or put.
type instrumentIn struct {
	Spec string `json:"spec"`
	Note string `json:"note"`
	Wait bool   `json:"wait"` // keep it although its port is not there now
}

const specHint = `write it as on the command line, such as shunt=text:/dev/ttyACM0?baud=115200`

func readInstrument(w http.ResponseWriter, r *http.Request) (spec wire.Spec, in instrumentIn, err error) {
	if err = readJSON(w, r, &in); err != nil {
		return
	}
	if in.Spec == "" {
		return spec, in, malformed(specHint, "spec: is missing")
	}
	if err = checkTexts(map[string]string{"spec": in.Spec}, maxText); err != nil {
		return
	}
	if err = checkTexts(map[string]string{"note": in.Note}, maxNote); err != nil {
		return
	}
	if spec, err = wire.ParseSpec(in.Spec); err != nil {
		return spec, in, outOfRange(specHint, "%s", err)
	}
	spec.Wait = in.Wait
	return spec, in, nil
}

// row is an instrument as the store has it.
func row(spec wire.Spec, note string) store.Instrument {
	return store.Instrument{Name: spec.Name, Format: spec.Format, Port: spec.Port, Spec: spec.String(), Note: note}
}

// openInstrument makes the bench listen.
func (s *Server) openInstrument(spec wire.Spec) error {
	err := s.bench.AddInstrument(spec)
	if err == nil {
		return nil
	}
	if _, known := faultOf(err); known {
		return err
	}
	return outOfRange("look at the cable and at what else uses the port", "%s", err)
}

// postInstrument opens an instrument given as on the command line, and keeps it for the next start.
func (s *Server) postInstrument(w http.ResponseWriter, r *http.Request) error {
	spec, in, err := readInstrument(w, r)
	if err != nil {
		return err
	}
	if have, err := s.instrument(r, spec.Name); err == nil && strings.EqualFold(have.Name, spec.Name) {
		return wrongState("give it another name, or change that one", "there is an instrument called %s already", have.Name)
	}
	if spec.Calibrations, err = s.calibrationsFor(r, spec); err != nil {
		return err
	}
	if err := s.openInstrument(spec); err != nil {
		return err
	}
	if _, err := s.store.KeepInstrument(r.Context(), row(spec, in.Note)); err != nil {
		if undo := s.bench.RemoveInstrument(spec.Name); undo != nil {
			s.log.Error("take an instrument back that cannot be kept", "err", undo)
		}
		return err
	}
	w.Header().Set("Location", "/api/instruments/"+url.PathEscape(spec.Name))
	return s.answerInstrument(w, r, http.StatusCreated, spec.Name)
}

// calibrationsFor gives what the store knows of an instrument of this name that was set up alike.
func (s *Server) calibrationsFor(r *http.Request, spec wire.Spec) (map[trace.Quantity]trace.Calibration, error) {
	stored, err := s.store.Instruments(r.Context())
	if err != nil {
		return nil, err
	}
	for _, have := range stored {
		if was, err := wire.ParseSpec(have.Spec); err == nil && strings.EqualFold(have.Name, spec.Name) && was.ReadsAs(spec) {
			return have.InForce(), nil
		}
	}
	return nil, nil
}

// putInstrument changes an instrument: it is closed and opened anew. A calibration stays as long as the same
// bytes still make the same readings.
func (s *Server) putInstrument(w http.ResponseWriter, r *http.Request) error {
	old, err := s.instrument(r, r.PathValue("name"))
	if err != nil {
		return err
	}
	spec, in, err := readInstrument(w, r)
	if err != nil {
		return err
	}
	if mode := s.bench.State().Bench; mode != capture.Idle {
		return wrongState("disarm it or end the run first", "the bench is %s: an instrument is changed while nothing is awaited or recorded", mode)
	}
	if other, err := s.instrument(r, spec.Name); err == nil && other.Name != old.Name {
		return wrongState("give it another name", "there is an instrument called %s already", other.Name)
	}
	was, parsed := wire.ParseSpec(old.Spec)
	same := parsed == nil && was.ReadsAs(spec)
	if same {
		spec.Calibrations = old.Calibrations
	}
	if err := s.exchange(old, was, spec); err != nil {
		return err
	}
	changed := row(spec, in.Note)
	if old.ID == nil {
		_, err = s.store.KeepInstrument(r.Context(), changed)
	} else {
		changed.ID = *old.ID
		_, err = s.store.UpdateInstrument(r.Context(), changed)
		for q := range old.Calibrations {
			if err == nil && !same {
				err = s.store.EndCalibration(r.Context(), *old.ID, q)
			}
		}
	}
	if err != nil {
		return err
	}
	return s.answerInstrument(w, r, http.StatusOK, spec.Name)
}

// exchange closes an instrument and opens it as it is to be; where that fails it is opened as it was.
func (s *Server) exchange(old instrumentJSON, was, spec wire.Spec) error {
	listened := s.listening(old.Name)
	if listened {
		if err := s.bench.RemoveInstrument(old.Name); err != nil {
			return err
		}
	}
	err := s.openInstrument(spec)
	if err != nil && listened {
		was.Wait, was.Calibrations = true, old.Calibrations
		if undo := s.bench.AddInstrument(was); undo != nil {
			s.log.Error("open an instrument as it was before", "err", undo)
		}
	}
	return err
}

// deleteInstrument closes an instrument and forgets it with its calibrations.
func (s *Server) deleteInstrument(w http.ResponseWriter, r *http.Request) error {
	in, err := s.instrument(r, r.PathValue("name"))
	if err != nil {
		return err
	}
	if s.listening(in.Name) {
		if err := s.bench.RemoveInstrument(in.Name); err != nil {
			return err
		}
	}
	if in.ID != nil {
		if err := s.store.DeleteInstrument(r.Context(), *in.ID); err != nil {
			return err
		}
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// getPorts lists the serial ports present.
func (s *Server) getPorts(w http.ResponseWriter, r *http.Request) error {
	ports, err := s.ports()
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		Ports []Port `json:"ports"`
	}{ports})
	return nil
}

func (s *Server) ports() ([]Port, error) {
	if s.opts.Ports == nil {
		return []Port{}, nil
	}
	ports, err := s.opts.Ports()
	return orNone(ports), err
}
