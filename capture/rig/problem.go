package rig

import (
	"fmt"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// Problem is what is wrong with a part or missing of it, in its place.
type Problem struct {
	Place   int    `json:"place"` // of the part from 0; −1: of the whole rig
	Part    string `json:"part"`
	Field   string `json:"field"`
	Code    string `json:"code"`    // missing, absurd, no_fuse, …
	Missing bool   `json:"missing"` // without it a sum of the part cannot be made
	Text    string `json:"text"`
}

// Problems goes through the parts: ratings that their sums need, and numbers that cannot be meant. It never passes
// a part in silence that nothing is known of.
func Problems(parts []trace.RigPart) []Problem {
	out := []Problem{}
	fused, inside, measured := false, false, false
	for i, p := range parts {
		name := partName(parts, i)
		say := func(code, field, format string, args ...any) {
			out = append(out, Problem{Place: i, Part: name, Field: field, Code: code, Missing: code == "missing", Text: capital(the(name)) + ": " + fmt.Sprintf(format, args...)})
		}
		if err := p.Validate(); err != nil {
			say("refused", "", "%s.", err)
			continue
		}
		fused = fused || p.Kind == "fuse"
		inside = inside || p.Kind == "instrument" && p.FuseA > 0
		measured = measured || p.Kind == "instrument"
		missing(p, say)
		absurd(p, say)
	}
	switch {
	case !fused && inside:
		out = append(out, Problem{Place: -1, Code: "fuse_inside", Field: "parts", Text: "The only fuse is the one inside the instrument. Put one of your own into the loop: it is cheaper and it protects the leads too."})
	case !fused:
		out = append(out, Problem{Place: -1, Code: "no_fuse", Field: "parts", Text: "There is no fuse in this rig. A fuse must be in the loop: put one in before anything is switched on."})
	}
	if !measured {
		out = append(out, Problem{Place: -1, Code: "no_instrument", Field: "parts", Text: "There is no instrument in this rig, so its fuse, burden and full scale are not in the sums."})
	}
	return out
}

type sayFunc func(code, field, format string, args ...any)

// missing says which ratings the sums of a part lack.
func missing(p trace.RigPart, say sayFunc) {
	switch p.Kind {
	case "shunt", "resistor":
		if p.Ohm == 0 {
			say("missing", "ohm", "its ohms are not known, so neither its volts nor its watts can be worked out.")
		} else if p.RatedW == 0 && p.RatedA == 0 {
			say("missing", "rated_w", "its rated watts are not known, so nobody can say how long it stands the current.")
		}
	case "lead":
		if p.AreaMM2 == 0 && p.RatedA == 0 {
			say("missing", "area_mm2", "its area is not known, so nobody can say how warm it gets.")
		}
		if p.LengthM == 0 && p.Ohm == 0 {
			say("note", "length_m", "its length is not known, so its resistance counts as nothing.")
		}
		if _, ok := heat.MaterialNamed(p.Material); !ok {
			say("missing", "material", "%.40q is no material of the sums; take copper, aluminium, steel or lead.", p.Material)
		}
	case "contact", "switch", "relay":
		if p.RatedA == 0 {
			say("missing", "rated_a", "its rated current is not known, so nobody can say whether it can carry and open the fault.")
		}
	case "fuse":
		if p.RatedA == 0 {
			say("missing", "rated_a", "its rating is not known, so nobody can say when it opens.")
		}
		gates(p, say)
	case "protector":
		if p.RatedA == 0 {
			say("missing", "rated_a", "what it holds is not known, so nobody can say whether it trips.")
		}
	case "instrument":
		gates(p, say)
		if p.RatedA == 0 && p.FullScaleA == 0 {
			say("missing", "rated_a", "neither its full scale nor what it may carry is known.")
		}
		if p.FullScaleA == 0 {
			say("note", "full_scale_a", "its full scale is not known, so nobody can say where its readings stop.")
		}
		if p.MaxOnS > 0 && onTimeA(p) == 0 {
			say("missing", "rated_a", "its longest on-time counts only with the current that it is for.")
		}
	case "lamp":
		if p.RatedW == 0 && p.RatedA == 0 {
			say("missing", "rated_w", "its watts are not known.")
		}
	case "other":
		if p.RatedA == 0 && (p.RatedW == 0 || p.Ohm == 0) {
			say("missing", "rated_a", "nothing is known of what it may carry.")
		}
	}
}

// gates says of a fuse whether anybody knows when it opens.
func gates(p trace.RigPart, say sayFunc) {
	rated := fuseA(p)
	switch _, ok := heat.FuseTypeOf(p.FuseSheet, rated); {
	case rated == 0 || ok:
	case p.FuseSheet == "":
		say("note", "fuse_sheet", "its fuse's standard and sheet are not known, so when it opens is not known.")
	default:
		say("note", "fuse_sheet", "the table of %s has no gates for %s, so when it opens is not known.", p.FuseSheet, amps(rated))
	}
}

// absurd says what cannot be meant, though it is in range.
func absurd(p trace.RigPart, say sayFunc) {
	switch {
	case p.Kind == "shunt" && p.Ohm > 10:
		say("absurd", "ohm", "%s is far too much for a shunt; was mΩ meant?", ohms(p.Ohm))
	case p.Kind == "instrument" && p.Ohm > 10:
		say("absurd", "ohm", "%s would leave nothing to flow; is this the burden of its current input?", ohms(p.Ohm))
	case p.Kind == "contact" && p.Ohm > 1:
		say("absurd", "ohm", "a contact of %s is no short.", ohms(p.Ohm))
	}
	if p.Kind == "lead" && p.AreaMM2 > 95 {
		say("absurd", "area_mm2", "%g mm² is no test lead.", p.AreaMM2)
	}
	if p.Kind == "lead" && p.LengthM > 20 {
		say("absurd", "length_m", "%g m is very long for a test lead.", p.LengthM)
	}
	if p.Kind == "lead" && p.StartC >= workingC(p) {
		say("absurd", "start_c", "it starts at %s, where its insulation must not even work.", celsius(p.StartC))
	}
	if p.Kind == "fuse" && p.RatedA > 32 {
		say("absurd", "rated_a", "%s is no fuse for a small unit: it would never open.", amps(p.RatedA))
	}
	if r := partOhm(p); p.RatedA > 0 && p.RatedW > 0 && r > 0 && (p.Kind == "shunt" || p.Kind == "resistor") {
		if w := p.RatedA * p.RatedA * r; w > 1.5*p.RatedW {
			say("absurd", "rated_a", "%s through %s makes %s, more than its %s; the watts decide.", amps(p.RatedA), ohms(r), watts(w), watts(p.RatedW))
		}
	}
}

func workingC(p trace.RigPart) float64 {
	ins, _ := heat.InsulationNamed(p.Insulation)
	return ins.WorkingC
}

// voltageProblems says which contacts and fuses are made for less than the unit's volts: they may draw an arc that they
// do not break. Volts of 0 are not known.
func voltageProblems(parts []trace.RigPart, v float64) (out []Problem) {
	for i, p := range parts {
		switch p.Kind {
		case "contact", "switch", "relay", "fuse":
			if p.RatedV > 0 && v > p.RatedV {
				name := partName(parts, i)
				out = append(out, Problem{Place: i, Part: name, Field: "rated_v", Code: "voltage",
					Text: fmt.Sprintf("%s is made to break %s, and the unit has %s: an arc may stand in it.", capital(the(name)), volts(p.RatedV), volts(v))})
			}
		}
	}
	return out
}
