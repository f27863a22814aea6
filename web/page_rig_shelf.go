package web

import (
	"html/template"
	"strings"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// partForm is what is asked of one kind of part.
type partForm struct {
	Kind   string      `json:"kind"`
	About  string      `json:"about"`
	Fields []partField `json:"fields"`
}

// partField is one field of it, by its key in JSON.
type partField struct {
	Key  string   `json:"key"`
	Say  string   `json:"say"`
	Unit string   `json:"unit"`
	Hint string   `json:"hint"`
	Of   []choice `json:"of"` // one of these instead of a number
}

func numberField(key, say, unit, hint string) partField { return partField{key, say, unit, hint, nil} }

// Fields that several kinds have.
var (
	ohmField      = numberField("ohm", "Resistance", "Ω", "")
	wattField     = numberField("rated_w", "Watts for ever", "W", "")
	factorField   = numberField("overload_factor", "Short-time overload", "× its heat", "from its data sheet, with the seconds it is for")
	overSField    = numberField("overload_s", "for", "s", "")
	carriesField  = numberField("rated_a", "Carries for ever", "A", "")
	tauField      = numberField("tau_s", "Time constant of its warming", "s", "if it is known")
	toleranceSide = numberField("tolerance_pct", "Tolerance", "± %", "")
)

func choices(empty string, all ...string) []choice {
	out := []choice{{"", empty}}
	for _, v := range all {
		out = append(out, choice{v, v})
	}
	return out
}

func sheetChoices() []choice {
	out := []choice{{"", "not known"}}
	for _, id := range trace.RigFuseSheets {
		say := rig.FuseSheetSays(id)
		if strings.HasPrefix(id, "60127") {
			say = "IEC " + strings.TrimSuffix(strings.Replace(id, "/", " sheet ", 1), " older") + ": " + say
		}
		out = append(out, choice{id, say})
	}
	return out
}

func contactForm(kind, about string) partForm {
	return partForm{kind, about, []partField{carriesField, numberField("make_a", "May close on", "A", ""), numberField("break_a", "May open", "A", ""),
		numberField("rated_v", "Volts it may open", "V", ""), ohmField, factorField, overSField, tauField}}
}

// partForms are the kinds of parts in the order they are offered, each with the ratings that its stress needs first.
var partForms = []partForm{
	{"fuse", "opens the loop; the last resort", []partField{numberField("rated_a", "Rating", "A", ""), {"fuse_sheet", "Made by", "", "printed on it or in its data sheet: F is quick-acting, T is time-lag", sheetChoices()},
		numberField("melting_a2s", "Melting I²t", "A²s", "from its data sheet, if it is known"), numberField("break_a", "Can open at most", "A", "its breaking capacity"), ohmField}},
	{"lead", "a wire, there and back", []partField{numberField("length_m", "Length, there and back", "m", ""), numberField("area_mm2", "Cross-section", "mm²", "or its gauge, with AWG chosen"),
		{"material", "Material", "", "", choices("copper", "aluminium", "steel", "lead")}, {"insulation", "Insulation", "", "", choices("PVC", "PVC 90", "XLPE", "rubber 60", "rubber 85", "silicone", "bare")},
		carriesField, numberField("ohm", "Resistance, if measured", "Ω", "")}},
	contactForm("contact", "clips, plugs: closed by hand"), contactForm("switch", "switched by hand"), contactForm("relay", "driven"),
	{"shunt", "small ohms that turn current into volts", []partField{ohmField, wattField, factorField, overSField, toleranceSide, carriesField}},
	{"instrument", "what measures the current", []partField{numberField("full_scale_a", "Readings go up to", "A", ""), numberField("ohm", "Burden", "Ω", "empty where it stands across a shunt"),
		numberField("rated_a", "Carries", "A", "that the longest on-time is for"), numberField("max_on_s", "Longest on-time", "s", ""), numberField("rest_s", "then rest", "s", ""),
		numberField("fuse_a", "Its own fuse", "A", ""), {"fuse_sheet", "made by", "", "", sheetChoices()}, numberField("melting_a2s", "its melting I²t", "A²s", ""), numberField("interval_s", "Between two readings", "s", "")}},
	{"resistor", "a load", []partField{ohmField, wattField, toleranceSide, factorField, overSField}},
	{"lamp", "a load that is cold at first", []partField{numberField("rated_v", "Made for", "V", ""), wattField}},
	{"protector", "resettable, polymeric: it would be tested in the unit’s place", []partField{numberField("rated_a", "Holds", "A", ""), ohmField}},
	{"other", "anything else in the loop", []partField{carriesField, ohmField, wattField, factorField, overSField, tauField}},
}

// shelfGroup is the parts of one kind.
type shelfGroup struct {
	Kind  string
	Parts []partRow
}

type partRow struct {
	trace.Part
	Says string
	Has  string // how many, and the price of one
}

// shelfOf groups the shelf by kind.
func shelfOf(parts []trace.Part) (groups []shelfGroup) {
	for _, form := range partForms {
		g := shelfGroup{Kind: form.Kind}
		for _, p := range parts {
			if p.Kind != form.Kind {
				continue
			}
			row := partRow{Part: p, Says: rig.Describe(p.RigPart)}
			var has []string
			if p.Count > 0 {
				has = append(has, plainNumber(float64(p.Count))+" there")
			}
			if p.Price > 0 {
				has = append(has, "at "+plainNumber(p.Price))
			}
			row.Has = strings.Join(has, ", ")
			g.Parts = append(g.Parts, row)
		}
		if len(g.Parts) > 0 {
			groups = append(groups, g)
		}
	}
	return groups
}

// rigFuncs are what the page Rig's templates call.
var rigFuncs = template.FuncMap{
	"amps": func(v *float64) string { return rig.Amps(*v) }, "seconds": rig.Seconds,
	"loadNumbers": func() []string { return []string{"1", "2"} }, "loadFields": func() []string { return []string{"v", "uv", "x", "ux"} },
	"loadSays": loadSays,
}

// loadSays names a field of the two loads for those who hear it.
func loadSays(field, number string, ohms bool) string {
	load := map[string]string{"1": "small load", "2": "larger load"}[number]
	what := "amperes"
	if ohms {
		what = "ohms"
	}
	return map[string]string{"v": "volts at the " + load, "uv": "uncertainty of the volts at the " + load, "x": what + " of the " + load, "ux": "uncertainty of the " + what + " of the " + load}[field]
}
