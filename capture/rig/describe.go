package rig

import (
	"fmt"
	"math"
	"strings"

	"letthrough/capture/trace"
)

// sheetSays is what the sheets of fuses are about, short.
var sheetSays = map[string]string{
	"60127-2/1": "quick-acting, high breaking", "60127-2/2": "quick-acting, 5 × 20 mm", "60127-2/3": "time-lag, 5 × 20 mm",
	"60127-2/5": "time-lag, high breaking", "60127-2/5 older": "time-lag, high breaking, older edition", "248-14": "UL 248-14",
}

// FuseSheetSays gives what a standard's sheet of fuses is about; empty where it is none of them.
func FuseSheetSays(sheet string) string { return sheetSays[sheet] }

// Describe gives what is known of a part in a few words: "0.6 m copper, 0.75 mm², PVC". Of a part that nothing is
// known of it says so.
func Describe(p trace.RigPart) string {
	var says []string
	add := func(known bool, format string, args ...any) {
		if known {
			says = append(says, fmt.Sprintf(format, args...))
		}
	}
	switch p.Kind {
	case "lead":
		material := p.Material
		if material == "" {
			material = "copper"
		}
		add(p.LengthM > 0, "%s m %s", short(p.LengthM), material)
		add(p.LengthM == 0 && p.Material != "", "%s", material)
		add(p.AreaMM2 > 0, "%s mm²", short(p.AreaMM2))
		add(p.AreaMM2 > 0, "%s", insulationOf(p))
		add(p.RatedA > 0, "%s for ever", amps(p.RatedA))
	case "fuse":
		add(p.RatedA > 0, "%s", amps(p.RatedA))
		add(p.FuseSheet != "", "%s", sheetSays[p.FuseSheet])
		add(p.MeltingA2s > 0, "melts at %s", heatA2s(p.MeltingA2s))
		add(p.BreakA > 0, "opens at most %s", amps(p.BreakA))
	case "instrument":
		add(p.Ohm > 0, "%s", ohms(p.Ohm))
		add(p.FullScaleA > 0, "reads up to %s", amps(p.FullScaleA))
		add(p.MaxOnS > 0, "%s for at most %s", amps(onTimeA(p)), roughSeconds(p.MaxOnS))
		add(p.MaxOnS > 0 && p.RestS > 0, "then %s rest", roughSeconds(p.RestS))
		add(p.FuseA > 0, "its own fuse %s", amps(p.FuseA))
		add(p.IntervalS > 0, "a reading every %s", roughSeconds(p.IntervalS))
	case "lamp":
		add(p.RatedV > 0, "%s", volts(p.RatedV))
		add(p.RatedW > 0, "%s", watts(p.RatedW))
	default:
		add(p.Ohm > 0, "%s", ohms(p.Ohm))
		add(p.RatedW > 0, "%s", watts(p.RatedW))
		add(p.RatedA > 0, "%s", amps(p.RatedA))
		add(p.MakeA > 0, "closes on %s", amps(p.MakeA))
		add(p.BreakA > 0, "opens %s", amps(p.BreakA))
		add(p.TolerancePct > 0, "± %s %%", short(p.TolerancePct))
	}
	add(p.OverloadFactor > 0, "%s × for %s", short(p.OverloadFactor), roughSeconds(p.OverloadS))
	if len(says) == 0 {
		return "nothing is known of it"
	}
	return strings.Join(says, ", ")
}

func insulationOf(p trace.RigPart) string {
	if p.Insulation == "" {
		return "PVC"
	}
	return p.Insulation
}

// Brief gives the one or two ratings that tell a part from its like, for a drawing.
func Brief(p trace.RigPart) string {
	switch p.Kind {
	case "lead":
		switch {
		case p.LengthM > 0 && p.AreaMM2 > 0:
			return fmt.Sprintf("%s m, %s mm²", short(p.LengthM), short(p.AreaMM2))
		case p.AreaMM2 > 0:
			return short(p.AreaMM2) + " mm²"
		}
	case "fuse":
		if p.RatedA > 0 {
			act, _, _ := strings.Cut(sheetSays[p.FuseSheet], ",")
			return strings.TrimSuffix(amps(p.RatedA)+", "+act, ", ")
		}
	case "instrument":
		if p.FullScaleA > 0 {
			return "up to " + amps(p.FullScaleA)
		}
	case "shunt", "resistor", "lamp":
		r := partOhm(p)
		switch {
		case p.Kind == "lamp" && p.RatedV > 0 && p.RatedW > 0:
			return volts(p.RatedV) + ", " + watts(p.RatedW)
		case r > 0 && p.RatedW > 0:
			return ohms(r) + ", " + watts(p.RatedW)
		case r > 0:
			return ohms(r)
		}
	}
	if p.RatedA > 0 {
		return amps(p.RatedA)
	}
	return ""
}

// Across tells of an instrument whether it stands across the shunt beside it, so that the fault current does not flow in
// it: it states neither a burden nor what it carries, and a part next to it is a shunt. shunt is that part's place.
func Across(parts []trace.RigPart, place int) (shunt int, ok bool) {
	p := parts[place]
	if p.Kind != "instrument" || p.Ohm > 0 || p.RatedA > 0 || p.FuseA > 0 || p.MaxOnS > 0 {
		return 0, false
	}
	for _, beside := range []int{place - 1, place + 1} {
		if beside >= 0 && beside < len(parts) && parts[beside].Kind == "shunt" {
			return beside, true
		}
	}
	return 0, false
}

// Numbers says the sums of a part: "drops 0.46 V, 2.1 W, 635 A²s in the hold". Empty where none could be made.
func (s Stress) Numbers() string {
	var says []string
	if s.DropV != nil {
		says = append(says, "drops "+volts(*s.DropV))
	}
	if s.W != nil {
		says = append(says, watts(*s.W))
	}
	if s.A2s != nil {
		says = append(says, heatA2s(*s.A2s)+" in the hold")
	}
	return strings.Join(says, ", ")
}

// Warms says how warm a lead may get; empty for other parts, and where nothing is known.
func (s Stress) Warms(p trace.RigPart) string {
	if s.EndC == nil {
		return ""
	}
	return fmt.Sprintf("at most %s warmer after the hold if no heat gets out", celsius(math.Ceil(*s.EndC-startC(p))))
}

// Share says how much of what it stands a part will have used after the hold; empty where no limit is known.
func (s Stress) Share() string {
	switch {
	case s.Used == nil || math.IsNaN(*s.Used):
		return ""
	case *s.Used > 1:
		return fmt.Sprintf("%s × what it stands", short(*s.Used))
	case *s.Used < 0.01:
		return "under 1 % of what it stands"
	}
	return percent(*s.Used) + " of what it stands"
}

// Rest says how long a part cools until it is ready for the next test; empty where it need not.
func (s Stress) Rest() string {
	if s.RestS == nil || *s.RestS < 1 {
		return ""
	}
	return "cools for " + seconds(*s.RestS, math.Ceil) + " before the next"
}

// Shape names the shape that stands beside a verdict.
func (v Verdict) Shape() string {
	switch v {
	case Fit:
		return "pass"
	case FitFor:
		return "caution"
	case Unfit:
		return "fail"
	}
	return "unknown"
}

// Say is the verdict on one part in words.
func (v Verdict) Say() string {
	switch v {
	case Fit:
		return "fit"
	case FitFor:
		return "too short for this hold"
	case Unfit:
		return "unfit"
	}
	return "not determined"
}

// Consequence says in one short sentence what an answer comes to.
func (a Answer) Consequence() string {
	switch {
	case a.Verdict == Unfit && a.Weakest != nil:
		s := a.Parts[*a.Weakest]
		if s.LongestS != nil && *s.LongestS > 0 {
			return fmt.Sprintf("Unfit: %s stands %s.", the(s.Part), atMostSeconds(*s.LongestS))
		}
		return fmt.Sprintf("Unfit: %s.", the(s.Part))
	case a.Verdict == Unfit:
		return "Unfit."
	case a.Verdict == FitFor && a.FitForS != nil:
		return fmt.Sprintf("Fit for at most %s.", atMostSeconds(*a.FitForS))
	case a.Verdict == Fit && a.FitForS != nil:
		return fmt.Sprintf("Fit for at most %s.", atMostSeconds(*a.FitForS))
	case a.Verdict == Fit:
		return "Fit without limit."
	}
	return "Not determined."
}

// Amps, Volts, Ohms and Watts write a number as the rest of this package does.
func Amps(v float64) string  { return amps(v) }
func Volts(v float64) string { return volts(v) }
func Ohms(v float64) string  { return ohms(v) }
func Watts(v float64) string { return watts(v) }

// Plain writes a bare number with three digits.
func Plain(v float64) string { return short(v) }

// Seconds writes a time that somebody counts down.
func Seconds(s float64) string { return roughSeconds(s) }

// LoadByOhm is a harmless load known by its resistance instead of by the current through it: volts at it, Ω, and the
// expanded uncertainties of both.
type LoadByOhm struct{ V, UV, Ohm, UOhm float64 }

// PointsByOhm turns two such loads into points of the line. Their currents come from their volts, so that an error of
// the volts moves both together: to first order it counts 1 + r/R times, r the unit's own resistance (JCGM 100, 5.2.2).
func PointsByOhm(a, b LoadByOhm) (LoadPoint, LoadPoint) {
	point := func(l LoadByOhm) LoadPoint {
		return LoadPoint{A: l.V / l.Ohm, V: l.V, UV: l.UV, UA: l.V / l.Ohm * l.UOhm / l.Ohm}
	}
	p, q := point(a), point(b)
	r := math.Abs((p.V - q.V) / (q.A - p.A))
	if math.IsNaN(r) || math.IsInf(r, 0) {
		return p, q // FromTwoLoads says what is wrong with them
	}
	p.UV *= 1 + r/a.Ohm
	q.UV *= 1 + r/b.Ohm
	return p, q
}

// Say is an estimate in words, with its expanded uncertainties where the readings' are known.
func (e Estimate) Say() string {
	return fmt.Sprintf("%s open behind %s, so %s into a true zero-ohm short.", PlusMinus(e.OpenV, e.UOpenV, "V"), PlusMinus(e.SourceOhm, e.USource, "Ω"), PlusMinus(e.ZeroOhmA, e.UZeroOhmA, "A"))
}

// PlusMinus writes a value with its expanded uncertainty, this to two digits and the value to the same place
// (JCGM 100:2008, 7.2.6); without one the value alone.
func PlusMinus(v, u float64, unit string) string {
	if !(u > 0) || math.IsInf(u, 0) {
		return short(v) + " " + unit
	}
	places := 1 - int(math.Floor(math.Log10(u)))
	if scale := math.Pow10(-places); places < 0 {
		return fmt.Sprintf("%.0f ± %.0f %s", math.Round(v/scale)*scale, math.Round(u/scale)*scale, unit)
	}
	return fmt.Sprintf("%.*f ± %.*f %s", places, v, places, u, unit)
}
