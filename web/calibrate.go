package web

import (
	"net/http"
	"time"

	"letthrough/capture/calibrate"
	"letthrough/capture/trace"
	"letthrough/capture/wire"
	"letthrough/capture/words"
	"letthrough/store"
)

// calibrationJSON is what a set of pairs comes to.
type calibrationJSON struct {
	store.Calibration
	Kept  bool     `json:"kept"`
	Say   string   `json:"say"`   // in words
	Notes []string `json:"notes"` // what a person should know of it
	R2    float64  `json:"r2"`
}

// postCalibration fits a line through pairs of readings, and keeps it if asked.
func (s *Server) postCalibration(w http.ResponseWriter, r *http.Request) error {
	instrument, err := s.instrument(r, r.PathValue("name"))
	if err != nil {
		return err
	}
	var in struct {
		Quantity trace.Quantity          `json:"quantity"`
		Pairs    []trace.CalibrationPair `json:"pairs"`
		Trusted  trace.Accuracy          `json:"trusted_accuracy"`
		// One count of each meter, A or V, as the readings were written; 0: taken from the numbers.
		TrustedResolution float64 `json:"trusted_resolution"`
		ShownResolution   float64 `json:"shown_resolution"`
		Reversed          bool    `json:"reversed"`
		Note              string  `json:"note"`
		Keep              bool    `json:"keep"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	if err := checkTexts(map[string]string{"note": in.Note}, maxNote); err != nil {
		return err
	}
	for name, v := range map[string]float64{"trusted_resolution": in.TrustedResolution, "shown_resolution": in.ShownResolution} {
		if !(v >= 0 && v <= 100) {
			return outOfRange("give what one count is worth in A or V, or leave it out", "%s: %g is out of range, allowed is 0 to 100", name, v)
		}
	}
	o := calibrate.Options{Trusted: in.Trusted, Reversed: in.Reversed, TrustedResolution: in.TrustedResolution, ShownResolution: in.ShownResolution}
	if spec, err := wire.ParseSpec(instrument.Spec); err == nil && spec.Channel == in.Quantity && spec.Resolution > 0 {
		o.ShownResolution = spec.Resolution
	}
	result, err := calibrate.Fit(in.Pairs, o)
	if err != nil {
		return outOfRange("pairs are what the trusted meter shows and what this instrument shows at the same time", "pairs: %s", err)
	}
	out := calibrationJSON{Kept: in.Keep, Say: words.Calibration(result.Calibration, in.Quantity), Notes: orNone(result.Notes), R2: result.R2,
		Calibration: store.Calibration{Quantity: in.Quantity, Calibration: result.Calibration, Readings: orNone(in.Pairs), Trusted: in.Trusted, Note: in.Note}}
	if in.Keep {
		out.Made = time.Now().Format(time.RFC3339)
		if out.Calibration, err = s.keepCalibration(r, instrument, out.Calibration); err != nil {
			return err
		}
	}
	s.writeJSON(w, r, http.StatusOK, out)
	return nil
}

// keepCalibration puts it into force: on the bench, which refuses while a run is awaited or recorded, and then
// in the store.
func (s *Server) keepCalibration(r *http.Request, in instrumentJSON, c store.Calibration) (store.Calibration, error) {
	listened := s.listening(in.Name)
	if listened {
		if err := s.bench.Calibrate(in.Name, c.Quantity, c.Calibration); err != nil {
			return c, err
		}
	}
	stored, err := s.store.EnsureInstrument(r.Context(), store.Instrument{Name: in.Name, Format: in.Format, Port: in.Port, Spec: in.Spec})
	if err == nil {
		c, err = s.store.Calibrate(r.Context(), stored.ID, c)
	}
	if err != nil && listened {
		if undo := s.bench.Calibrate(in.Name, c.Quantity, in.Calibrations[c.Quantity]); undo != nil {
			s.log.Error("take a calibration back that cannot be kept", "err", undo)
		}
	}
	return c, err
}

// deleteCalibration takes the calibration of a quantity back; it stays in the history.
func (s *Server) deleteCalibration(w http.ResponseWriter, r *http.Request) error {
	in, err := s.instrument(r, r.PathValue("name"))
	if err != nil {
		return err
	}
	var q trace.Quantity
	if q.UnmarshalText([]byte(r.PathValue("quantity"))) != nil {
		return notFound("there is no quantity %q", clip(r.PathValue("quantity")))
	}
	if !in.Calibrations[q].Known() || in.ID == nil {
		return wrongState("", "the %s of %s is not calibrated", q, in.Name)
	}
	if s.listening(in.Name) {
		if err := s.bench.Calibrate(in.Name, q, trace.Calibration{}); err != nil {
			return err
		}
	}
	if err := s.store.EndCalibration(r.Context(), *in.ID, q); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
