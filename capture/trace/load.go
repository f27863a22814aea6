package trace

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Load is what a unit feeds in use: a motor, a wire. What is 0 is not known.
type Load struct {
	ID              int64   `json:"id"`
	Name            string  `json:"name"`
	Kind            string  `json:"kind"`             // motor, wire, other
	RunningA        float64 `json:"running_a"`        // A, in use
	StallA          float64 `json:"stall_a"`          // A, blocked
	ContinuousA     float64 `json:"continuous_a"`     // A, that it stands for ever
	WithstandA2s    float64 `json:"withstand_a2s"`    // A²s, that it stands once without passing heat on
	WireDiameterMM  float64 `json:"wire_diameter_mm"` // mm, bare, of the winding or the wire
	InsulationClass string  `json:"insulation_class"` // letter of IEC 60085
	TimeConstantS   float64 `json:"time_constant_s"`  // s, of its cooling
	Invented        bool    `json:"invented"`         // plausible, and measured on nothing
	Note            string  `json:"note"`
}

// LoadKinds are the kinds of loads.
var LoadKinds = []string{"motor", "wire", "other"}

// InsulationClasses are the letters of the thermal classes 90 to 180 °C (IEC 60085).
var InsulationClasses = []string{"Y", "A", "E", "B", "F", "H"}

// Validate says what is wrong with a load in one sentence, or nil.
func (l Load) Validate() error {
	if err := named("load", l.Name, l.Note); err != nil {
		return err
	}
	if err := oneOf("kind", l.Kind, LoadKinds); err != nil {
		return err
	}
	if err := oneOf("insulation_class", l.InsulationClass, InsulationClasses); err != nil {
		return err
	}
	return inRanges([]ranged{
		{"running_a", l.RunningA, 0, 1000}, {"stall_a", l.StallA, 0, 1000}, {"continuous_a", l.ContinuousA, 0, 1000},
		{"withstand_a2s", l.WithstandA2s, 0, 1e9}, {"wire_diameter_mm", l.WireDiameterMM, 0, 20},
		{"time_constant_s", l.TimeConstantS, 0, 86400},
	})
}

// CriteriaSet is a named set of criteria as a person writes it. Changing it makes a new version, since a
// verdict names the one it was reached by.
type CriteriaSet struct {
	ID      int64  `json:"id"`
	Name    string `json:"name"`
	Version int    `json:"version"` // from 1; given by the store
	Made    string `json:"made"`    // time of day, RFC 3339; given by the store
	Text    string `json:"text"`
	Note    string `json:"note"`
	// Chosen: verdicts go by this set where no other is asked for. One is; choosing another takes it from it.
	Chosen bool `json:"chosen"`
}

const maxCriteriaBytes = 64 << 10

// Validate says what is wrong with a set in one sentence, or nil.
func (c CriteriaSet) Validate() error {
	if err := named("set of criteria", c.Name, c.Note); err != nil {
		return err
	}
	if strings.TrimSpace(c.Text) == "" {
		return fmt.Errorf("text: a set of criteria needs its text")
	}
	return plainText("text", c.Text, maxCriteriaBytes, true)
}

// named checks what every named thing has.
func named(what, name, note string) error {
	if name == "" {
		return fmt.Errorf("name: a %s needs a name", what)
	}
	if err := plainText("name", name, 80, false); err != nil {
		return err
	}
	return plainText("note", note, 4000, true)
}

// plainText keeps what is no text, or too much of it, out of the tables.
func plainText(field, s string, most int, lines bool) error {
	if len(s) > most {
		return fmt.Errorf("%s: %d bytes are too long, at most %d", field, len(s), most)
	}
	control := func(c rune) bool { return unicode.IsControl(c) && !(lines && (c == '\n' || c == '\t' || c == '\r')) }
	if !utf8.ValidString(s) || strings.IndexFunc(s, control) >= 0 {
		return fmt.Errorf("%s: has characters that are no text", field)
	}
	return nil
}

// oneOf allows a word of a list, and none.
func oneOf(field, word string, list []string) error {
	if word != "" && !slices.Contains(list, word) {
		return fmt.Errorf("%s: %.40q is none of %s", field, word, strings.Join(list, ", "))
	}
	return nil
}

type ranged struct {
	name      string
	v, lo, hi float64
}

func inRanges(all []ranged) error {
	for _, r := range all {
		if err := inRange(r.name, r.v, r.lo, r.hi); err != nil {
			return err
		}
	}
	return nil
}
