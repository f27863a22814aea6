package rig

import (
	"fmt"
	"math"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// Sizes that are sold, as far as the trade agrees on them (common practice, no source), but for the areas, which
// are those of IEC 60228.
var (
	soldW    = []float64{0.25, 0.5, 1, 2, 3, 5, 7, 10, 15, 25, 50, 100, 200}
	soldA    = []float64{1, 2, 3, 5, 6, 10, 16, 20, 25, 32, 40, 63}
	soldMM2  = []float64{0.5, 0.75, 1, 1.5, 2.5, 4, 6, 10, 16}
	soldOhm  = []float64{0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005}
	soldFuse = []float64{0.5, 0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10}
)

// nextSize is the smallest size of at least v; ok is false where none is large enough.
func nextSize(sold []float64, v float64) (size float64, ok bool) {
	for _, s := range sold {
		if s >= v {
			return s, true
		}
	}
	return 0, false
}

// cures says what would let a part stand the hold.
func (s *Stress) cures(p trace.RigPart, amp, hold float64) {
	say := func(format string, args ...any) { s.Cures = append(s.Cures, fmt.Sprintf(format, args...)) }
	switch p.Kind {
	case "shunt", "resistor":
		if s.W == nil {
			say("give its ohms and watts")
			break
		}
		if w, ok := nextSize(soldW, *s.W); ok && w > p.RatedW {
			say("%s, %s in its place: no limit", ohms(partOhm(p)), watts(w))
		}
		if p.Kind == "shunt" {
			for _, r := range soldOhm {
				if r >= partOhm(p) || p.RatedW <= 0 {
					continue
				}
				if smaller := (trace.RigPart{Kind: p.Kind, Ohm: r, RatedW: p.RatedW, OverloadFactor: p.OverloadFactor, OverloadS: p.OverloadS}); longer(smaller, amp, hold) {
					say("%s, %s in its place: %s, %s × the signal", ohms(r), watts(p.RatedW), mayText(smaller, amp), short(r/partOhm(p)))
					break
				}
			}
		}
	case "lead":
		for _, area := range soldMM2 {
			thicker := p
			thicker.AreaMM2, thicker.RatedA, thicker.Ohm = area, 0, 0
			if area > p.AreaMM2 && longer(thicker, amp, hold) {
				say("%s mm² in its place: %s", short(area), mayText(thicker, amp))
				break
			}
		}
	case "contact", "switch", "relay", "other":
		if a, ok := nextSize(soldA, amp); ok {
			say("one made to carry, close on and open %s", amps(a))
		}
	case "instrument":
		if a, ok := nextSize(soldA, amp); ok {
			say("an input that carries %s for %s, or a shunt with a voltage input", amps(a), roughSeconds(hold))
		}
	case "lamp":
		say("a lamp of more watts, or two side by side")
	}
	if t := roundDown(s.longest); t >= shortestS && t < hold && !math.IsInf(t, 1) {
		say("a hold of %s", atMostSeconds(t))
	}
}

func longer(p trace.RigPart, amp, hold float64) bool {
	s, _ := partLongest(p, 0, amp)
	return s >= hold
}

func mayText(p trace.RigPart, amp float64) string {
	s, _ := partLongest(p, 0, amp)
	if math.IsInf(s, 1) {
		return "no limit"
	}
	return "at most " + atMostSeconds(s)
}

// readingsOf says where the readings stop and what would let them go on.
func readingsOf(parts []trace.RigPart, amp float64) Readings {
	out := Readings{Cures: []string{}}
	full, at := math.Inf(1), -1
	for i, p := range parts {
		if p.Kind == "instrument" && p.FullScaleA > 0 && p.FullScaleA < full {
			full, at = p.FullScaleA, i
		}
	}
	if at < 0 {
		out.Text = "Where the readings stop is not known: no instrument states its full scale."
		return out
	}
	out.FullScaleA = &full
	name := partName(parts, at)
	if amp <= full {
		out.Text = fmt.Sprintf("Readings of %s go up to %s.", the(name), amps(full))
		return out
	}
	out.Stop = true
	out.Text = fmt.Sprintf("Readings of %s stop at %s, and %s may flow: peak and let-through would only be at least what it shows.", the(name), amps(full), amps(amp))
	for _, p := range parts {
		if p.Kind != "shunt" || p.Ohm <= 0 {
			continue
		}
		most := p.Ohm * full / amp // the input's full-scale volts over the new current
		for _, r := range soldOhm {
			if r <= most {
				out.Cures = append(out.Cures, fmt.Sprintf("a shunt of %s: readings up to %s, %s × the signal", ohms(r), amps(p.Ohm*full/r), short(r/p.Ohm)))
				break
			}
		}
	}
	if a, ok := nextSize(soldA, amp); ok {
		out.Cures = append(out.Cures, fmt.Sprintf("a range of %s or more", amps(a)))
	}
	return out
}

// fuseThatSaves is the largest fuse of that kind that is sure to open before s seconds at that current.
func fuseThatSaves(sheet string, amp, s float64) (rated float64, ok bool) {
	for _, r := range soldFuse {
		t, known := heat.FuseTypeOf(sheet, r)
		if known && t.Opens(r, amp).SureLatestS <= s {
			rated, ok = r, true
		}
	}
	return rated, ok
}
