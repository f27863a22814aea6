package trace

import (
	"fmt"
	"strings"
)

// Rig is everything between a unit's terminals, part by part in the order the current takes.
type Rig struct {
	ID    int64     `json:"id"`
	Name  string    `json:"name"`
	Note  string    `json:"note"`
	Parts []RigPart `json:"parts"`
}

// RigPart is one part of a rig. What is 0 or empty is not known, or does not belong to its kind.
type RigPart struct {
	Kind         string  `json:"kind"` // one of RigPartKinds
	Name         string  `json:"name"`
	Ohm          float64 `json:"ohm"`           // Ω, of an instrument its burden; of a lead there and back
	TolerancePct float64 `json:"tolerance_pct"` // %, of the ohms, to either side
	RatedA       float64 `json:"rated_a"`       // A, that it carries for ever; of a fuse its rating; of a protector what it holds; of an instrument what MaxOnS is for
	RatedV       float64 `json:"rated_v"`       // V, that it may break; of a lamp those it is made for
	RatedW       float64 `json:"rated_w"`       // W, that it turns into heat for ever
	// OverloadFactor times its rated heat it stands for OverloadS from cold.
	OverloadFactor float64 `json:"overload_factor"`
	OverloadS      float64 `json:"overload_s"`
	TauS           float64 `json:"tau_s"`        // s, time constant of its warming
	FullScaleA     float64 `json:"full_scale_a"` // A, of an instrument: where its readings stop
	IntervalS      float64 `json:"interval_s"`   // s, of an instrument: between two readings
	FuseA          float64 `json:"fuse_a"`       // A, rating of the fuse inside an instrument
	MaxOnS         float64 `json:"max_on_s"`     // s, the longest it may stay on
	RestS          float64 `json:"rest_s"`       // s, it has to rest afterwards
	MakeA          float64 `json:"make_a"`       // A, that a contact may close on
	BreakA         float64 `json:"break_a"`      // A, that a contact or fuse may open
	LengthM        float64 `json:"length_m"`     // m, of a lead there and back
	AreaMM2        float64 `json:"area_mm2"`     // mm², of a lead
	Material       string  `json:"material"`     // of a lead: copper where empty
	Insulation     string  `json:"insulation"`   // of a lead: one of RigInsulations, PVC where empty
	StartC         float64 `json:"start_c"`      // °C, of a lead before the test: 30 where 0
	EndC           float64 `json:"end_c"`        // °C, that a lead may get to in a short of at most 5 s: by its insulation where 0
	MeltingA2s     float64 `json:"melting_a2s"`  // A²s, that melts a fuse
	FuseSheet      string  `json:"fuse_sheet"`   // of a fuse, or of that inside an instrument: one of RigFuseSheets
	Note           string  `json:"note"`
}

// RigPartKinds are the kinds of parts. A protector is a resettable one (polymeric).
var RigPartKinds = []string{"instrument", "shunt", "lead", "contact", "switch", "relay", "resistor", "lamp", "fuse", "protector", "other"}

// RigInsulations are what leads may be insulated with.
var RigInsulations = []string{"PVC", "PVC 90", "XLPE", "rubber 60", "rubber 85", "silicone", "bare"}

// RigFuseSheets are the standards' sheets that a fuse may be made by.
var RigFuseSheets = []string{"60127-2/1", "60127-2/2", "60127-2/3", "60127-2/5", "60127-2/5 older", "248-14"}

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
		if err := p.Validate(); err != nil {
			return fmt.Errorf("parts[%d].%w", i, err)
		}
	}
	return nil
}

// Validate says what is wrong with a part in one sentence, or nil. What is only missing is not wrong here;
// package rig says what its sums cannot do without it.
func (p RigPart) Validate() error {
	if p.Kind == "" {
		return fmt.Errorf("kind: say which, one of %s", strings.Join(RigPartKinds, ", "))
	}
	for _, w := range []struct {
		field, word string
		list        []string
	}{{"kind", p.Kind, RigPartKinds}, {"insulation", p.Insulation, RigInsulations}, {"fuse_sheet", p.FuseSheet, RigFuseSheets}} {
		if err := oneOf(w.field, w.word, w.list); err != nil {
			return err
		}
	}
	for _, t := range []struct {
		field, text string
		most        int
		lines       bool
	}{{"name", p.Name, 80, false}, {"material", p.Material, 80, false}, {"note", p.Note, 4000, true}} {
		if err := plainText(t.field, t.text, t.most, t.lines); err != nil {
			return err
		}
	}
	if err := p.ranges(); err != nil {
		return err
	}
	switch {
	case p.OverloadFactor > 0 && p.OverloadFactor <= 1:
		return fmt.Errorf("overload_factor: %g is no overload, it must be above 1", p.OverloadFactor)
	case (p.OverloadFactor > 0) != (p.OverloadS > 0):
		return fmt.Errorf("overload_factor: it counts only with overload_s, the seconds it is for; give both or none")
	case p.EndC != 0 && p.EndC <= p.startC():
		return fmt.Errorf("end_c: %g °C is not above the start, %g °C (start_c, 30 °C where it is left out)", p.EndC, p.startC())
	}
	return nil
}

func (p RigPart) ranges() error {
	return inRanges([]ranged{
		{"ohm", p.Ohm, 0, 1e6}, {"tolerance_pct", p.TolerancePct, 0, 50}, {"rated_a", p.RatedA, 0, 1000}, {"rated_v", p.RatedV, 0, 1000},
		{"rated_w", p.RatedW, 0, 1e5}, {"overload_factor", p.OverloadFactor, 0, 1000}, {"overload_s", p.OverloadS, 0, 3600},
		{"tau_s", p.TauS, 0, 1e5}, {"full_scale_a", p.FullScaleA, 0, 1e4}, {"interval_s", p.IntervalS, 0, 60}, {"fuse_a", p.FuseA, 0, 1000},
		{"max_on_s", p.MaxOnS, 0, 86400}, {"rest_s", p.RestS, 0, 86400},
		{"make_a", p.MakeA, 0, 1e4}, {"break_a", p.BreakA, 0, 1e6}, {"length_m", p.LengthM, 0, 100}, {"area_mm2", p.AreaMM2, 0, 1000},
		{"start_c", p.StartC, -40, 200}, {"end_c", p.EndC, -40, 1100}, {"melting_a2s", p.MeltingA2s, 0, 1e6},
	})
}

// Part is a part on the shelf, from which rigs are put together: a rig keeps its own copy.
type Part struct {
	ID int64 `json:"id"`
	RigPart
	Count int     `json:"count"` // how many there are; 0: not said
	Price float64 `json:"price"` // of one, in whatever money the user counts in; 0: not known
}

// Validate says what is wrong with a part in one sentence, or nil.
func (p Part) Validate() error {
	if err := named("part", p.Name, p.Note); err != nil {
		return err
	}
	if err := p.RigPart.Validate(); err != nil {
		return err
	}
	return inRanges([]ranged{{"count", float64(p.Count), 0, 10000}, {"price", p.Price, 0, 1e6}})
}

// usualStartC is what a lead is taken to start at where nobody says, °C: the ambient of IEC 60364-5-52.
const usualStartC = 30

func (p RigPart) startC() float64 {
	if p.StartC == 0 {
		return usualStartC
	}
	return p.StartC
}
