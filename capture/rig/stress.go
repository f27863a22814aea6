package rig

import (
	"fmt"
	"math"
	"strings"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// partLongest is how long a part stands a steady current from cold, with the limit that ends it: +Inf where none
// does. That a fuse opens is no harm and does not count.
func partLongest(p trace.RigPart, place int, amp float64) (s float64, by *limit) {
	s = math.Inf(1)
	for _, l := range limitsOf(place, p) {
		if l.what == meltsIt {
			continue
		}
		if t := l.warm.SecondsTo(amp, 0, 1); t < s {
			s, by = t, &l
		}
	}
	return s, by
}

// stressOf works out what one part must stand of a current of amp (rms) and mean.
func stressOf(parts []trace.RigPart, place int, amp, mean, hold float64) Stress {
	p := parts[place]
	s := Stress{Place: place, Kind: p.Kind, Part: partName(parts, place), Cures: []string{}, Verdict: Fit, longest: math.Inf(1)}
	if r := partOhm(p); r > 0 {
		s.Ohm, s.DropV, s.W = num(r), num(mean*r), num(amp*amp*r)
	}
	if amp > 0 {
		s.A2s = num(amp * amp * hold)
	}
	s.longest, s.limit = partLongest(p, place, amp)
	s.LongestS = num(s.longest)
	if s.longest == 0 {
		zero := 0.0
		s.LongestS = &zero
	}
	var rest float64
	for _, l := range limitsOf(place, p) {
		if l.what == meltsIt {
			continue
		}
		used := l.warm.Share(amp, hold, 0)
		s.whole = max(s.whole, used)
		if l.took != "" && s.limit != nil && s.limit.what == l.what {
			s.Taken = l.took
		}
		cool := heat.Warming{BudgetA2s: l.warm.BudgetA2s, TauS: min(l.idle, l.warm.TauS)}
		rest = max(rest, cool.RestS(min(used, 1), readyUsed))
	}
	s.Used, s.RestS = num(s.whole), num(rest)
	known := len(limitsOf(place, p)) > 0 || p.Kind == "fuse" && p.RatedA > 0 || p.Kind == "protector" && p.RatedA > 0 || p.Kind == "instrument" && p.FullScaleA > 0
	for _, m := range Problems(parts) {
		known = known && !(m.Place == place && m.Missing)
	}
	switch {
	case amp == 0 || !known && math.IsInf(s.longest, 1):
		s.Verdict, s.May = NotDetermined, "not known"
	case s.beyond(p, amp) != "":
		s.Verdict, s.May = Unfit, "must not be used"
	case s.longest < shortestS:
		s.Verdict, s.May = Unfit, "at most "+atMostSeconds(s.longest)
	case s.longest < hold:
		s.Verdict, s.May = FitFor, "at most "+atMostSeconds(s.longest)
	case math.IsInf(s.longest, 1):
		s.May = "no limit"
	default:
		s.May = "at most " + atMostSeconds(s.longest)
	}
	s.must(p, amp, hold)
	if s.Verdict != Fit || !math.IsInf(s.longest, 1) {
		s.cures(p, amp, hold)
	}
	return s
}

// beyond says of which rating the current is over at once, whatever the time; empty: none.
func (s *Stress) beyond(p trace.RigPart, amp float64) string {
	switch p.Kind {
	case "contact", "switch", "relay":
		switch {
		case p.MakeA > 0 && amp > p.MakeA:
			return fmt.Sprintf("may close on %s only", amps(p.MakeA))
		case p.BreakA > 0 && amp > p.BreakA:
			return fmt.Sprintf("may open %s only", amps(p.BreakA))
		case p.BreakA == 0 && p.RatedA > 0 && amp > p.RatedA && p.OverloadFactor == 0 && p.TauS == 0:
			return fmt.Sprintf("is rated to carry and to open %s", amps(p.RatedA))
		}
	case "lead":
		if w := withstandA2s(p); w > 0 && s.A2s != nil && *s.A2s > w && s.longest < shortestS {
			return fmt.Sprintf("stands %s once", heatA2s(w))
		}
	}
	return ""
}

// why says of an unfit part what is wrong with it.
func (s *Stress) why(amp float64) string {
	if s.May == "must not be used" {
		return fmt.Sprintf("%s %s, and %s may flow", the(s.Part), strings.TrimSpace(s.Must[strings.LastIndex(s.Must, ";")+1:]), amps(amp))
	}
	return fmt.Sprintf("%s stands %s for %s only", the(s.Part), amps(amp), atMostSeconds(s.longest))
}

// must says what a part must stand.
func (s *Stress) must(p trace.RigPart, amp, hold float64) {
	var says []string
	say := func(format string, args ...any) { says = append(says, fmt.Sprintf(format, args...)) }
	if amp == 0 {
		s.Must = "not known"
		return
	}
	switch p.Kind {
	case "lead":
		if w := withstandA2s(p); w > 0 {
			s.WithstandA2s = num(w)
			say("%s of %s, %s to %s (k²S²)", heatA2s(amp*amp*hold), heatA2s(w), celsius(startC(p)), celsius(shortC(p)))
			m, _ := heat.MaterialNamed(p.Material)
			if end := m.EndC(amp*amp*hold, p.AreaMM2, startC(p)); end < 1000 {
				s.EndC = num(end)
				say("at most %s after the hold if no heat gets out", celsius(end))
			} else {
				say("above 1000 °C after the hold if no heat gets out")
			}
		} else {
			say("%s", timesText(amp, p.RatedA))
		}
	case "fuse":
		s.WithstandA2s = num(p.MeltingA2s)
		say("%s", timesText(amp, p.RatedA))
	case "shunt", "resistor", "lamp":
		if s.W != nil && p.RatedW > 0 {
			say("%s, %s × its watts", watts(*s.W), short(*s.W/p.RatedW))
		} else {
			say("%s", timesText(amp, p.RatedA))
		}
	default:
		say("%s", timesText(amp, p.RatedA))
	}
	if s.DropV != nil {
		say("drops %s", volts(*s.DropV))
	}
	if p.Kind == "instrument" && p.FullScaleA > 0 {
		say("reads up to %s", amps(p.FullScaleA))
	}
	if b := s.beyond(p, amp); b != "" {
		say("%s", b)
	}
	s.Must = strings.Join(says, "; ")
}

func timesText(amp, rated float64) string {
	if rated <= 0 {
		return amps(amp)
	}
	return fmt.Sprintf("%s, %s × its rating", amps(amp), short(amp/rated))
}
