package rig

import (
	"math"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// limit is one thing that a part stands only so long.
type limit struct {
	part int
	warm heat.Warming
	idle float64 // s, time constant of its cooling while nothing flows
	what string  // of which rating it is: "its watts"
	took string  // what was taken for a rating that nobody gave; empty where all are known
}

// What is taken where nobody says. Common practice, no source: said wherever it counts.
const (
	takenFactor  = 2.0   // times the rated watts,
	takenFactorS = 5.0   // for so many seconds
	takenTauS    = 5.0   // time constant of contacts and of parts with a rated current only
	takenIdleS   = 300.0 // time constant of cooling where the sum itself lets no heat out
	fuseCarries  = 1.5   // times its rating that a fuse carries for at least an hour (IEC 60127-2, first gate)
)

// limitsOf gives what a part stands. A part without any limit that can be worked out has none; Problems
// says which rating would be needed.
func limitsOf(place int, p trace.RigPart) []limit {
	var all []limit
	add := func(w heat.Warming, what, took string) {
		if !(w.BudgetA2s > 0) || !(w.TauS > 0) {
			return
		}
		l := limit{part: place, warm: w, idle: w.TauS, what: what, took: took}
		if math.IsInf(w.TauS, 1) {
			l.idle = takenIdleS
		}
		all = append(all, l)
	}
	if p.MaxOnS > 0 {
		if i := onTimeA(p); i > 0 {
			add(heat.ByOnTime(i, p.MaxOnS, p.RestS), "its longest on-time", "")
		}
	}
	switch p.Kind {
	case "lead":
		add(leadWarming(p))
	case "fuse":
		add(fuseWarming(p))
	case "instrument":
		add(fuseWarming(p))
		if p.MaxOnS == 0 && p.RatedA > 0 {
			w, took := warmingOf(p.RatedA, p, 0, 0)
			add(w, "its rated current", took)
		}
	case "protector": // it protects itself
	default:
		if a := wattsA(p); a > 0 {
			w, took := warmingOf(a, p, takenFactor, takenFactorS)
			add(w, "its watts", took)
		}
		if p.RatedA > 0 {
			w, took := warmingOf(p.RatedA, p, 0, 0)
			add(w, "its rated current", took)
		}
	}
	return all
}

// onTimeA is the current that the longest on-time is for.
func onTimeA(p trace.RigPart) float64 {
	if p.RatedA > 0 {
		return p.RatedA
	}
	return p.FullScaleA
}

// wattsA is the current that makes a part's rated watts; 0 where they are not known.
func wattsA(p trace.RigPart) float64 {
	r := partOhm(p)
	if p.RatedW <= 0 || r <= 0 {
		return 0
	}
	return math.Sqrt(p.RatedW / r)
}

// warmingOf is a body that carries ratedA for ever, by its time constant or its overload; where neither is
// known by the overload that is taken, or by the time constant that is.
func warmingOf(ratedA float64, p trace.RigPart, factor, overS float64) (w heat.Warming, took string) {
	switch {
	case p.TauS > 0:
		return heat.ByCurrent(ratedA, p.TauS), ""
	case p.OverloadFactor > 1 && p.OverloadS > 0:
		return heat.ByOverload(ratedA, p.OverloadFactor, p.OverloadS), ""
	case factor > 1:
		return heat.ByOverload(ratedA, factor, overS), "taken as twice its watts for 5 s: common practice, no source; give overload_factor and overload_s"
	}
	return heat.ByCurrent(ratedA, takenTauS), "time constant taken as 5 s: common practice, no source; give tau_s"
}

// leadWarming is how a lead gets to the temperature that its insulation works at. What it stands once, to
// the end of a short of at most 5 s, is k²S² and stands in the check beside it: a rig is used again.
func leadWarming(p trace.RigPart) (w heat.Warming, what, took string) {
	budget := workingA2s(p)
	if !(budget > 0) {
		if p.RatedA > 0 {
			w, took = warmingOf(p.RatedA, p, 0, 0)
			return w, "its rated current", took
		}
		return heat.Warming{}, "", ""
	}
	switch {
	case p.RatedA > 0: // steady at the working temperature with its rated current
		return heat.Warming{BudgetA2s: budget, TauS: budget / (p.RatedA * p.RatedA)}, "what its insulation works at", ""
	case p.TauS > 0:
		return heat.Warming{BudgetA2s: budget, TauS: p.TauS}, "what its insulation works at", ""
	}
	return heat.Warming{BudgetA2s: budget, TauS: math.Inf(1)}, "what its insulation works at", "all heat kept in it, a bound; give rated_a for the true time"
}

// workingA2s is the heat that takes a lead from cold to the working temperature of its insulation.
func workingA2s(p trace.RigPart) float64 {
	m, known := heat.MaterialNamed(p.Material)
	ins, ok := heat.InsulationNamed(p.Insulation)
	if !known || !ok {
		return math.NaN()
	}
	return m.WithstandA2s(p.AreaMM2, startC(p), ins.WorkingC)
}

// withstandA2s is k²S² of a lead to the end temperature of a short circuit.
func withstandA2s(p trace.RigPart) float64 {
	m, known := heat.MaterialNamed(p.Material)
	if !known {
		return math.NaN()
	}
	return m.WithstandA2s(p.AreaMM2, startC(p), shortC(p))
}

func startC(p trace.RigPart) float64 {
	if p.StartC == 0 {
		return heat.AmbientC
	}
	return p.StartC
}

func shortC(p trace.RigPart) float64 {
	ins, _ := heat.InsulationNamed(p.Insulation)
	switch {
	case p.EndC != 0:
		return p.EndC
	case p.Insulation == "PVC" && p.AreaMM2 > 300:
		return 140
	}
	return ins.ShortC
}

// fuseWarming is how near a fuse is to opening, where its melting I²t is known: it carries half as much again as
// its rating. Its gates are no help: they lie far apart, and a guard that went by the earliest would end tests
// which the fuse lets pass.
func fuseWarming(p trace.RigPart) (w heat.Warming, what, took string) {
	rated := fuseA(p)
	if rated <= 0 || p.MeltingA2s <= 0 {
		return heat.Warming{}, "", ""
	}
	carries := fuseCarries * rated
	return heat.Warming{BudgetA2s: p.MeltingA2s, TauS: p.MeltingA2s / (carries * carries)}, meltsIt, ""
}

// fuseA is the rating of a fuse, or of the one inside an instrument; 0 where there is none.
func fuseA(p trace.RigPart) float64 {
	switch p.Kind {
	case "fuse":
		return p.RatedA
	case "instrument":
		return p.FuseA
	}
	return 0
}

// partOhm is a part's resistance, Ω: as given, of a lead else by its size, cold; of a lamp at its rated
// volts. 0 where it is not known.
func partOhm(p trace.RigPart) float64 {
	switch {
	case p.Ohm > 0:
		return p.Ohm
	case p.Kind == "lead":
		m, known := heat.MaterialNamed(p.Material)
		if r := heat.LeadOhm(m, p.LengthM, p.AreaMM2, startC(p)); known && r > 0 {
			return r
		}
	case p.Kind == "lamp" && p.RatedW > 0 && p.RatedV > 0:
		return p.RatedV * p.RatedV / p.RatedW
	}
	return 0
}
