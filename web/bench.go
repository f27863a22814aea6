package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"letthrough/capture"
	"letthrough/capture/trace"
	"letthrough/store"
)

// Longest texts taken, in characters.
const (
	maxWord = 80   // names, settings, outputs, rigs
	maxText = 500  // notes pinned to an instant, reasons
	maxNote = 4000 // a run's note
)

func (s *Server) getState(w http.ResponseWriter, r *http.Request) error {
	s.writeJSON(w, r, http.StatusOK, s.bench.State())
	return nil
}

// unitRef is a unit named in a request, by its name or its number.
type unitRef struct {
	name string
	id   int64
}

// UnmarshalJSON takes a text or a whole number.
func (u *unitRef) UnmarshalJSON(b []byte) error {
	if json.Unmarshal(b, &u.name) == nil || json.Unmarshal(b, &u.id) == nil {
		return nil
	}
	return malformed("", "unit: want a unit's name or number")
}

// resolve finds the unit in the store.
func (s *Server) resolve(r *http.Request, u unitRef) (trace.Unit, error) {
	var unit trace.Unit
	var err error
	if u.name != "" {
		unit, err = s.store.UnitByName(r.Context(), u.name)
	} else {
		unit, err = s.store.Unit(r.Context(), u.id)
	}
	if errors.Is(err, store.ErrNotFound) {
		f := notFound("there is no such unit")
		if u.name != "" {
			f = notFound("there is no unit %q", clip(u.name))
		}
		f.hint = "add it first: on the page Units or with POST /api/units"
		return trace.Unit{}, f
	}
	return unit, err
}

// armBody is what is to be tested, as a request says it.
type armBody struct {
	Unit      unitRef         `json:"unit"`
	Output    string          `json:"output"`
	Setting   string          `json:"setting"`
	Procedure trace.Procedure `json:"procedure"`
	HoldS     *float64        `json:"hold_s"`
	Rig       string          `json:"rig"`
	Note      string          `json:"note"`
	Again     bool            `json:"again"`
}

// request checks it, finds the unit and looks at the rig.
func (s *Server) request(r *http.Request, in armBody) (q capture.ArmRequest, warnings []string, err error) {
	if in.Unit == (unitRef{}) {
		return q, nil, malformed("name the unit under test: {\"unit\":\"Tin\"}", "unit: is missing")
	}
	if in.Procedure != "" && !slices.Contains(trace.Procedures, in.Procedure) {
		return q, nil, outOfRange("use short, ramp, steps, overload or carry", "procedure: there is no procedure %q", clip(string(in.Procedure)))
	}
	if err := checkTexts(map[string]string{"output": in.Output, "setting": in.Setting, "rig": in.Rig}, maxWord); err != nil {
		return q, nil, err
	}
	if err := checkTexts(map[string]string{"note": in.Note}, maxNote); err != nil {
		return q, nil, err
	}
	unit, err := s.resolve(r, in.Unit)
	if err != nil {
		return q, nil, err
	}
	arming, err := BeforeArming(r.Context(), s.store, unit, in.Rig, in.Procedure, in.HoldS)
	return capture.ArmRequest{
		Unit: unit, Output: in.Output, Setting: in.Setting, Rig: in.Rig, Note: in.Note,
		Procedure: in.Procedure, HoldS: arming.HoldS, Again: in.Again,
	}, arming.Warnings, err
}

func (s *Server) postArm(w http.ResponseWriter, r *http.Request) error {
	var in armBody
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	q, warnings, err := s.request(r, in)
	if err != nil {
		return err
	}
	if err := s.bench.Arm(q); err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, struct {
		capture.State
		Warnings []string `json:"warnings"` // of the rig; it is armed all the same
	}{s.bench.State(), warnings})
	return nil
}

func (s *Server) postDisarm(w http.ResponseWriter, r *http.Request) error {
	if err := readOptionalJSON(w, r, &struct{}{}); err != nil {
		return err
	}
	return s.did(w, r, s.bench.Disarm())
}

func (s *Server) postExtend(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		HoldS *float64 `json:"hold_s"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	if in.HoldS == nil {
		return malformed("give the new whole hold in seconds: {\"hold_s\":60}", "hold_s: is missing")
	}
	return s.did(w, r, s.bench.Extend(*in.HoldS))
}

func (s *Server) postEnd(w http.ResponseWriter, r *http.Request) error {
	if err := readOptionalJSON(w, r, &struct{}{}); err != nil {
		return err
	}
	return s.did(w, r, s.bench.End())
}

// did answers a command with the state it led to.
func (s *Server) did(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil {
		return err
	}
	s.writeJSON(w, r, http.StatusOK, s.bench.State())
	return nil
}

func (s *Server) postMark(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Kind trace.MarkKind `json:"kind"`
		Text string         `json:"text"`
	}
	if err := readJSON(w, r, &in); err != nil {
		return err
	}
	switch in.Kind {
	case trace.Applied, trace.Removed, trace.Note:
	case "":
		return malformed("use applied, removed or note", "kind: is missing")
	default:
		return outOfRange("use applied, removed or note", "kind: %q is not made by hand", clip(string(in.Kind)))
	}
	if err := checkTexts(map[string]string{"text": in.Text}, maxText); err != nil {
		return err
	}
	m, run, err := s.bench.Mark(in.Kind, in.Text)
	if err != nil {
		return err
	}
	m.T -= s.zeroOf(run)
	s.writeJSON(w, r, http.StatusOK, struct {
		Run int64 `json:"run"`
		trace.Mark
	}{run, m})
	return nil
}

// zeroOf gives a live run's zero in seconds of its own time base: the onset, before there is one its
// opening. The bench has just logged an event of this run, so it is among the newest.
func (s *Server) zeroOf(run int64) float64 {
	const enough = 256
	newest := s.hub.newest.Load()
	events, _, _ := s.bench.Events(newest - min(newest, enough))
	for _, e := range slices.Backward(events) {
		if e.Run != run {
			continue
		}
		if e.ZeroNS != nil {
			return float64(*e.ZeroNS-e.OriginNS) / 1e9
		}
		return float64(e.OpenedNS-e.OriginNS) / 1e9
	}
	return 0
}

// checkTexts refuses texts that are too long or hold control characters, which would break a line
// of a list or a log.
func checkTexts(texts map[string]string, most int) error {
	for name, t := range texts {
		if n := utf8.RuneCountInString(t); n > most {
			return outOfRange("shorten it", "%s: %d characters are too long, at most %d", name, n, most)
		}
		if strings.IndexFunc(t, func(c rune) bool { return unicode.IsControl(c) && (most <= maxText || c != '\n' && c != '\t') }) >= 0 {
			return outOfRange("use plain text", "%s: has control characters", name)
		}
	}
	return nil
}
