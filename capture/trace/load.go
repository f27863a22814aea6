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
	})
}

// Rig is everything between a unit's terminals, part by part in the order the current takes.
type Rig struct {
	ID    int64     `json:"id"`
	Name  string    `json:"name"`
	Note  string    `json:"note"`
	Parts []RigPart `json:"parts"`
}

// RigPart is one part of a rig. What is 0 is not known, or does not belong to its kind.
type RigPart struct {
	Kind       string  `json:"kind"` // instrument, shunt, lead, contact, resistor, fuse, other
	Name       string  `json:"name"`
	Ohm        float64 `json:"ohm"`          // Ω, of an instrument its burden
	RatedA     float64 `json:"rated_a"`      // A, that it may carry; of a fuse its rating
	RatedW     float64 `json:"rated_w"`      // W, that it may turn into heat for ever
	FullScaleA float64 `json:"full_scale_a"` // A, of an instrument
	MaxOnS     float64 `json:"max_on_s"`     // s, the longest it may stay on
	RestS      float64 `json:"rest_s"`       // s, it has to rest afterwards
	LengthM    float64 `json:"length_m"`     // m, of a lead there and back
	AreaMM2    float64 `json:"area_mm2"`     // mm², of a lead
	Material   string  `json:"material"`     // of a lead: copper, aluminium
	Note       string  `json:"note"`
}

// RigPartKinds are the kinds of parts.
var RigPartKinds = []string{"instrument", "shunt", "lead", "contact", "resistor", "fuse", "other"}

const maxRigParts = 100

// Validate says what is wrong with a rig in one sentence, or nil.
func (r Rig) Validate() error {
	if err := named("rig", r.Name, r.Note); err != nil {
		return err
	}
	if len(r.Parts) > maxRigParts {
		return fmt.Errorf("parts: %d are too many, at most %d", len(r.Parts), maxRigParts)
	}
	for i, p := range r.Parts {
		if err := p.validate(); err != nil {
			return fmt.Errorf("parts[%d].%w", i, err)
		}
	}
	return nil
}

func (p RigPart) validate() error {
	if p.Kind == "" {
		return fmt.Errorf("kind: say which, one of %s", strings.Join(RigPartKinds, ", "))
	}
	if err := oneOf("kind", p.Kind, RigPartKinds); err != nil {
		return err
	}
	if err := plainText("name", p.Name, 80, false); err != nil {
		return err
	}
	if err := plainText("material", p.Material, 80, false); err != nil {
		return err
	}
	if err := plainText("note", p.Note, 4000, true); err != nil {
		return err
	}
	return inRanges([]ranged{
		{"ohm", p.Ohm, 0, 1e6}, {"rated_a", p.RatedA, 0, 1000}, {"rated_w", p.RatedW, 0, 1e5}, {"full_scale_a", p.FullScaleA, 0, 1e4},
		{"max_on_s", p.MaxOnS, 0, 86400}, {"rest_s", p.RestS, 0, 86400}, {"length_m", p.LengthM, 0, 100}, {"area_mm2", p.AreaMM2, 0, 1000},
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
