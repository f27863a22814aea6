package web

import (
	"math"
	"net/http"
	"strconv"
	"time"

	"letthrough/capture"
)

// Readings of an instrument without a data output, which a person types.

// typedReading is a reading in an answer.
type typedReading struct {
	Instrument string `json:"instrument"`
	capture.TypedJSON
}

// postReading takes a reading as it was typed, or as a number.
func (s *Server) postReading(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Instrument string   `json:"instrument"`
		Text       *string  `json:"text"`
		Value      *float64 `json:"value"`
		AgoS       float64  `json:"ago_s"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	const hint = `send what was typed: {"text":"4,51"}, or a number: {"value":4.51}`
	switch {
	case in.Text == nil && in.Value == nil:
		return malformed(hint, "text: is missing")
	case in.Text != nil && in.Value != nil:
		return malformed(hint, "text and value: want one of them")
	case in.Value != nil:
		text := strconv.FormatFloat(*in.Value, 'f', -1, 64)
		in.Text = &text
	}
	if math.Abs(in.AgoS) > 1e6 {
		return outOfRange("type it anew", "ago_s: %g is out of range", in.AgoS)
	}
	t, err := s.bench.TypeReading(in.Instrument, *in.Text, time.Duration(in.AgoS*1e9))
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusCreated, typedReading{t.Instrument, t.JSON()})
	return nil
}

// deleteReading takes the last reading back.
func (s *Server) deleteReading(w http.ResponseWriter, r *http.Request) error {
	t, err := s.bench.TakeBack(r.URL.Query().Get("instrument"))
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, typedReading{t.Instrument, t.JSON()})
	return nil
}
