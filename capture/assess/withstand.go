package assess

import (
	"fmt"
	"math"

	"letthrough/capture/heat"
	"letthrough/capture/trace"
)

// Withstand is the curve of what a load stands beside a unit's characteristic.
type Withstand struct {
	Load    string       `json:"load"`
	CurveAS [][2]float64 `json:"curve_a_s"` // current in A, time in s
	Assumed []string     `json:"assumed"`
	// Say tells where a unit takes longer than the load stands.
	Say []string `json:"say"`
}

// WithstandBeside gives what a load stands over the currents from one to the other, A. A wire's curve ends at
// the 5 s that the adiabatic equation is meant for where it is all that is known.
func WithstandBeside(l *Load, fromA, toA float64) (w Withstand, ok bool) {
	w = Withstand{Load: l.Name, CurveAS: [][2]float64{}, Assumed: l.Assumed, Say: []string{}}
	if !(l.WithstandA2s > 0) || !(toA > fromA) || !(fromA > 0) {
		return w, false
	}
	const points = 80
	for i := range points + 1 {
		a := fromA * math.Pow(toA/fromA, float64(i)/points)
		s := l.StandsS(a)
		if math.IsInf(s, 1) || s > 1e5 || l.TimeConstantS == 0 && l.Kind == "wire" && s > heat.AdiabaticToS {
			continue
		}
		w.CurveAS = append(w.CurveAS, [2]float64{a, s})
	}
	return w, len(w.CurveAS) > 1
}

// Crossings says, for the tests of a unit and for its fitted curve, where it takes longer than the load
// stands.
func Crossings(l *Load, unit string, c Curve) (say []string) {
	if !(l.WithstandA2s > 0) {
		return nil
	}
	kind := "a load of this kind"
	switch l.Kind {
	case "motor":
		kind = "a stalled motor of this kind"
	case "wire":
		kind = "a wire of this kind"
	}
	for _, p := range c.Points {
		stands := l.StandsS(p.CurrentA)
		// The longest that the test can have taken has to be within it, the shortest beyond.
		long, short := p.TimeS+p.TimeU, p.TimeS-p.TimeU
		switch {
		case p.Bound == trace.AtLeast && short > stands, p.Bound == trace.Exact && short > stands:
			needs := number(p.TimeS)
			if p.Bound == trace.AtLeast {
				needs = "at least " + number(short)
			}
			say = append(say, fmt.Sprintf("%s (%s) is safe for at most %s s at %s A; %s needs %s s (run %d)", kind, l.Name, number(stands), number(p.CurrentA), unit, needs, p.Run))
		case p.Bound == trace.Exact && long > stands:
			say = append(say, fmt.Sprintf("%s (%s) is safe for at most %s s at %s A, and %s takes about as long (run %d)", kind, l.Name, number(stands), number(p.CurrentA), unit, p.Run))
		}
	}
	if len(c.Fits) > 0 {
		say = append(say, crossingsOfFit(l, unit, c)...)
	}
	return say
}

// crossingsOfFit walks along the fitted curve over the currents that were tested, and from the
// extrapolated trip current on.
func crossingsOfFit(l *Load, unit string, c Curve) (say []string) {
	f := c.Fits[0]
	from, to := f.Parameters[0].Value, c.Points[len(c.Points)-1].CurrentA
	const steps = 400
	begun := 0.0
	for i := 1; i <= steps; i++ {
		a := from * math.Pow(to/from, float64(i)/steps)
		over := f.Seconds(a) > l.StandsS(a)
		if over && begun == 0 {
			begun = a
		}
		if begun > 0 && (!over || i == steps) {
			end := a
			if i == 1 || begun < from*math.Pow(to/from, 1.5/steps) {
				begun = from
			}
			say = append(say, fmt.Sprintf("by the fitted curve %s takes longer than %s stands between %s A and %s A", unit, l.Name, number(begun), number(end)))
			begun = 0
		}
	}
	return say
}
